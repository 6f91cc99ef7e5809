"""`edgeflash history why`: what it says of cycles whose faults are known."""

from __future__ import annotations

import json
from dataclasses import dataclass, replace
from pathlib import Path
from xml.etree import ElementTree

import numpy as np
import pytest
from asyncua import ua
from typer.testing import CliRunner

from edgeflash.cli.history import history_app
from edgeflash.config.site import Site
from edgeflash.errors import UsageError
from edgeflash.model import Pulse, Result, Verdict
from edgeflash.replay.cases import open_recordings
from edgeflash.replay.explain import Explained, explained
from edgeflash.replay.figure import svg
from edgeflash.replay.find import place_of
from edgeflash.replay.rule_words import RuleWord, Word, measured_by
from edgeflash.rules.catalogue import RULES
from edgeflash.rules.judgement import Judgement
from edgeflash.rules.rule import CycleContext
from simulators.analyzer import SimulatedAnalyzer
from simulators.faults import FaultKind, fault
from tests.simulated_line import BENCH_CUP
from tests.unit.replay.runs import recorded_site
from tests.unit.replay.test_drawings import SVG, svg_path

WEAK, LOW, TORN = 8, 10, 12


@dataclass(frozen=True)
class Recording:
    """A site with recorded cycles and the results as they were judged live."""

    site: Site
    results: dict[int, Result]

    def why(self, cycle: int) -> Explained:
        """The explanation of a cycle."""
        return explained(open_recordings(self.site), self.site, "kestrel-1", str(cycle), None)


@pytest.fixture(scope="module")
def recording(tmp_path_factory: pytest.TempPathFactory) -> Recording:
    """Sixteen cycles, three of them with a fault."""
    faults = [
        fault(FaultKind.WEAK_IGNITION, WEAK),
        fault(FaultKind.CONTAMINATION, LOW),
        fault(FaultKind.TORN, TORN, strength=160.0),
    ]
    plan = [("kestrel-1", SimulatedAnalyzer(seed=3, faults=faults), 16)]
    site, results = recorded_site(tmp_path_factory.mktemp("site"), plan, in_journal_only=2)
    return Recording(site, {r.cycle.cycle_number: r for r in results})


def words(told: Explained) -> dict[str, RuleWord]:
    return {word.rule: word for word in told.words}


def test_the_recorded_result_is_told_whole(recording: Recording) -> None:
    """From the files and from the journal's tail: all that was judged, trace and figures."""
    for number, result in recording.results.items():
        told = recording.why(number)
        assert told.result == result
        assert told.not_kept == ""


def test_every_rule_has_a_word(recording: Recording) -> None:
    """None is left out, whether it spoke or not."""
    told = recording.why(WEAK)
    assert [word.code for word in told.words] == [rule.code for rule in RULES]
    assert words(told)["ignition_weak"].word is Word.SPOKE
    assert words(told)["link_down"].word is Word.LIVE
    assert words(told)["outside_method"].word is Word.BLIND
    assert "method" in words(told)["outside_method"].sentence


def test_a_silent_rule_tells_what_it_has_measured(recording: Recording) -> None:
    """The figures are the cycle's own, the limits those in force."""
    told = recording.why(5)
    result, by_name = recording.results[5], words(told)
    peak = by_name["ignition_weak"]
    assert (peak.word, peak.measured, peak.limit) == (Word.SILENT, result.computed.peak_kpa, 20.0)
    ramp = by_name["ramp_rate"]
    assert ramp.measured == result.computed.heating_rate_c_per_min
    # 15 % off the plan of 10 °C/min, on the side where the cycle lies.
    assert ramp.limit is not None
    assert ramp.limit == pytest.approx(8.5) or ramp.limit == pytest.approx(11.5)
    apart = by_name["recomputed_disagrees"]
    assert apart.measured == pytest.approx(
        abs(result.computed.reported_c - result.computed.recomputed_c)
    )
    assert apart.limit == pytest.approx(1.0)


@pytest.mark.parametrize(("cycle", "rule"), [(WEAK, "ignition_weak"), (LOW, "ignition_too_early")])
def test_what_a_silent_rule_would_tell_is_what_a_speaking_one_tells(
    recording: Recording, cycle: int, rule: str
) -> None:
    """Asked as if it were silent, a rule that spoke gives the figures of its own finding."""
    result = recording.results[cycle]
    judgement = Judgement.of_site(recording.site, recording.site.file.analyzers[0])
    situation = judgement.situation(result.cycle)
    context = CycleContext(
        result.cycle, result.computed, situation.analyzer, BENCH_CUP, situation.product
    )
    (tuned,) = (t for t in situation.rulebook if t.rule.name == rule)
    (finding,) = (f for f in result.findings if f.rule == rule)
    assert finding.limit is not None
    found = measured_by(tuned, context)
    assert found == (finding.measured, pytest.approx(finding.limit), finding.unit)


def test_most_rules_with_a_limit_tell(recording: Recording) -> None:
    """Of a sound cycle a controls engineer sees how far it was from being doubted."""
    told = recording.why(5)
    assert sum(w.word is Word.SILENT and w.measured is not None for w in told.words) >= 12


def test_what_was_shown_after_a_weak_ignition(recording: Recording) -> None:
    """Its own value, uncertain, by the name that OPC 10000-4 gives the status."""
    told = recording.why(WEAK)
    assert told.result.verdict is Verdict.DOUBTFUL
    assert told.shown.value_c == recording.results[WEAK].published_c
    name = told.shown.quality.value.opcua_name
    assert getattr(ua.StatusCodes, name) == told.shown.quality.value.opcua_code
    assert told.shown.reason_code == told.result.findings[0].code


def test_what_was_shown_after_a_rejected_cycle(recording: Recording) -> None:
    """The last accepted value, held, with the age of its sample, and the alarm beside it."""
    told = recording.why(LOW)
    assert told.result.verdict is Verdict.REJECTED
    held = recording.results[LOW - 1]
    assert told.shown.shown is not None
    assert told.shown.shown.id == held.id
    assert told.shown.value_c == held.published_c
    age_s = (told.result.judged_at - held.sampled_at).total_seconds()
    assert told.shown.age_s == pytest.approx(age_s)
    assert told.shown.standing.low_flash_alarm


def run(*given: str | Path) -> str:
    done = CliRunner().invoke(
        history_app,
        ["why", *map(str, given)],
        catch_exceptions=False,
        env={"COLUMNS": "80", "NO_COLOR": "1"},
    )
    assert done.exit_code == 0, done.output
    return done.stdout


def test_the_page_for_people_says_what_matters(recording: Recording, tmp_path: Path) -> None:
    """Id, verdict, finding, drawing, figures, rules, what was shown; in 80 columns."""
    page = run(recording.site.path, "kestrel-1", f"0/{LOW}", "--figure", tmp_path / "f.svg")
    assert page.startswith(f"kestrel-1/0/{LOW}  rejected  no value")
    for said in (
        "ALARM: possible low flash point",
        ", limit 55 °C",
        "ignition_too_early",
        "sample temperature, °C",
        "cell pressure above ambient, kPa",
        "UncertainLastUsableValue",
        "possible low flash point: ACTIVE",
        "blind: outside_method needs",
    ):
        assert said in page
    assert max(len(line) for line in page.splitlines()) <= 80 or "f.svg" in page
    assert (tmp_path / "f.svg").exists()


def test_the_page_for_machines_agrees_with_the_result(recording: Recording) -> None:
    """Valid JSON with the recorded figures."""
    said = json.loads(run(recording.site.path, "kestrel-1", str(WEAK), "--json"))
    result = recording.results[WEAK]
    assert said["id"] == result.id
    assert said["computed"]["recomputed_c"] == result.computed.recomputed_c
    assert [r["rule"] for r in said["rules"] if r["severity"] == "doubt"] == list(result.reasons)


def test_the_figure_marks_the_ignition_on_the_curve(recording: Recording) -> None:
    """Well-formed SVG; the line stands between the samples around the onset."""
    told = recording.why(5)
    root = ElementTree.fromstring(svg(told))
    assert root.tag == f"{SVG}svg"
    drawn = list(root.iter(f"{SVG}path"))
    paths = {p.attrib["class"]: p for p in reversed(drawn)}  # the fast pulse is drawn last
    trace, onset_s = told.result.cycle.trace, told.result.computed.ignition_time_s
    assert trace is not None
    assert onset_s is not None
    points = svg_path(paths["curve pressure"])
    assert len(points) == len(trace)
    after = int(np.searchsorted(trace.time_s, onset_s))
    at = float(paths["ignition"].attrib["d"].split()[0].removeprefix("M"))
    assert points[after - 1][0] - 0.1 <= at <= points[after][0] + 0.1
    texts = " ".join(t.text or "" for t in root.iter(f"{SVG}text"))
    for said in ("time, s", "°C", "kPa", "baseline", "threshold", "ignition at", told.result.id):
        assert said in texts


def test_a_fast_pulse_has_a_diagram_of_its_own(recording: Recording) -> None:
    """Its time is in milliseconds."""
    told = recording.why(5)
    cycle = replace(told.result.cycle, pulse=Pulse(0.0005, np.hanning(64) * 80.0))
    told = replace(told, result=replace(told.result, cycle=cycle))
    root = ElementTree.fromstring(svg(told))
    texts = [t.text for t in root.iter(f"{SVG}text")]
    assert "time in the fast record, ms" in texts
    assert len([p for p in root.iter(f"{SVG}path") if "curve" in p.attrib["class"]]) == 3


@pytest.mark.parametrize("name", ["5", "0/5", "kestrel-1/0/5"])
def test_a_cycle_can_be_named_in_three_ways(recording: Recording, name: str) -> None:
    """All mean the same."""
    places = open_recordings(recording.site).places("kestrel-1")
    assert places[place_of(places, "kestrel-1", name, None)].key == (0, 5)


@pytest.mark.parametrize(
    ("name", "epoch", "said"),
    [
        ("99", None, "the nearest are kestrel-1/0/12, kestrel-1/0/13"),
        ("5", 3, "there is no recorded cycle kestrel-1/3/5"),
        ("five", None, "write 47, 0/47 or kestrel-1/0/47"),
        ("heron-1/0/5", None, "is not a cycle of 'kestrel-1'"),
        ("0/5", 1, "--epoch says 1"),
    ],
)
def test_a_cycle_that_is_not_there_is_said(
    recording: Recording, name: str, epoch: int | None, said: str
) -> None:
    """With the nearest that are."""
    places = open_recordings(recording.site).places("kestrel-1")
    with pytest.raises(UsageError, match=said):
        place_of(places, "kestrel-1", name, epoch)


def test_a_figure_is_drawn_as_svg_only(recording: Recording, tmp_path: Path) -> None:
    """Another suffix is refused before anything is done."""
    with pytest.raises(UsageError, match=r"\.svg only"):
        run(recording.site.path, "kestrel-1", "5", "--figure", tmp_path / "f.png")
