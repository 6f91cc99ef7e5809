"""What holds for every test: a busy machine is no failure, so no test judges by time."""

from __future__ import annotations

from hypothesis import HealthCheck, settings

settings.register_profile(
    "any_machine", deadline=None, suppress_health_check=[HealthCheck.too_slow]
)
settings.load_profile("any_machine")
