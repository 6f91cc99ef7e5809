"""The lines of the demonstration."""

from __future__ import annotations

from dataclasses import replace

from edgeflash.demo.screen import COLUMNS, cycle_line
from edgeflash.model import Finding, Severity, Verdict
from tests.unit.outlets.builders import result


def test_a_cycle_fits_a_terminal_of_80_columns() -> None:
    """With the longest id of the demonstration, three digits and every kind of line below it."""
    sentence = "the temperature of the ignition and the reported one differ by 12.34 °C; " * 3
    found = Finding(4203, "recomputed_and_reported", Severity.REJECT, sentence)
    for verdict in Verdict:
        one = result("kestrel-12", 12_345, 162.5, verdict)
        one = replace(one, findings=(found,) * 2, low_flash=True)
        lines = cycle_line(one).plain.splitlines()
        assert max(map(len, lines)) <= COLUMNS, lines
        assert "162.50 °C" in lines[0] or verdict is Verdict.REJECTED
        assert "its 162.90, ours 162.40 ± 0.30" in lines[0]
        assert " ".join(" ".join(lines[1:]).split()).count(sentence.strip()) == 2
        assert lines[-1].endswith("ALARM possible low flash point")
