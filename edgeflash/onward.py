"""How results fare on their way out of the gateway: to MQTT brokers and to the store. Pure.

The same for every analyzer; each shows it, for a control system looks at analyzers.
"""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Onward:
    """Figures for whoever is shown an analyzer.

    results_waiting: results that an MQTT outlet owes, of the one with the most; None without an
    outlet. messages_set_aside: of all MQTT outlets; None without one. days_not_shipped: UTC days
    that are past and not wholly in the store; None where nothing is shipped, or nobody knows yet.
    """

    results_waiting: int | None = None
    messages_set_aside: int | None = None
    days_not_shipped: int | None = None


NOTHING_ONWARD = Onward()
