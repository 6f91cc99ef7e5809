"""Scenarios: which analyzers there are, what flows to them and what goes wrong when.

The depot at Larkwater and its analyzers are invented.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from simulators.faults import Fault, FaultKind, FaultPlan, fault


@dataclass(frozen=True, slots=True)
class AnalyzerPlan:
    """One analyzer of a scenario. flash_c: flash point of its product at 101.325 kPa."""

    name: str
    flash_c: float
    plan: FaultPlan
    stream: int = 1


def demo() -> list[AnalyzerPlan]:
    """Three analyzers: half of the cycles clean, a quarter doubtful, a quarter bad.

    Each repeats its own eight cycles.
    """
    return [
        AnalyzerPlan(
            "kestrel-1",
            62.0,
            FaultPlan(
                (
                    fault(FaultKind.WEAK_IGNITION, 2),
                    fault(FaultKind.REPORTED_BIAS, 3, strength=4.0),
                    fault(FaultKind.RAMP_FAST, 5, strength=1.25),
                    fault(FaultKind.NO_IGNITION, 6),
                ),
                period=8,
            ),
        ),
        AnalyzerPlan(
            "kestrel-2",
            60.5,
            FaultPlan(
                (
                    fault(FaultKind.SAMPLE_FLOW_LOW, 2, strength=0.65),
                    fault(FaultKind.SENTINEL, 3),
                    fault(FaultKind.CONTAMINATION, 5, strength=0.25),
                    fault(FaultKind.WEAK_IGNITION, 8, strength=11.0),
                ),
                period=8,
            ),
            stream=2,
        ),
        AnalyzerPlan(
            "heron-1",
            71.0,
            FaultPlan(
                (
                    fault(FaultKind.DEVICE_FAULT_BIT, 2),
                    fault(FaultKind.CHECK_SAMPLE, 4),
                    fault(FaultKind.RAMP_SLOW, 5, strength=0.78),
                    fault(FaultKind.AIR_FLOW_LOW, 7, strength=0.65),
                ),
                period=8,
            ),
            stream=3,
        ),
    ]


def steady(count: int = 3) -> list[AnalyzerPlan]:
    """Analyzers without any fault, each with its own product."""
    return [
        AnalyzerPlan(f"kestrel-{place + 1}", 58.0 + 3.0 * (place % 8), FaultPlan())
        for place in range(count)
    ]


def single(faults: Sequence[Fault]) -> list[AnalyzerPlan]:
    """One analyzer with the given faults."""
    return [AnalyzerPlan("kestrel-1", 62.0, FaultPlan(tuple(faults)))]
