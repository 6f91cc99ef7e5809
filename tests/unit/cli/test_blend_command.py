"""`edgeflash blend`: the worked blends, and a batch from a real journal and history."""

from __future__ import annotations

import json
from collections.abc import Iterator, Sequence
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pyarrow as pa
import pyarrow.parquet as pq
import pytest
from typer.testing import CliRunner

from edgeflash.cli.app import app
from edgeflash.errors import StorageError, UsageError
from edgeflash.flash.batch import TotaliserError
from edgeflash.flash.blending import BlendError
from edgeflash.history import HistoryWriter
from edgeflash.journal import Journal
from edgeflash.model import Assessment, Result, Verdict
from tests.unit.journal.samples import sample_result

BEGIN = datetime(2031, 5, 1, 6, 0, tzinfo=UTC)
SITE = """
[site]
name = "Larkwater depot"
state_dir = "state"

[opcua]

[products.gas-oil]
minimum_c = 55.0
sd_c = 0.5

[products.kerosene]
minimum_c = 38.0

[[analyzers]]
id = "kestrel-1"
number = 1
map = "examples:bench-cup.toml"
host = "127.0.0.1"
product = "gas-oil"
analyzer_corrects_barometer = true
hold_s = 600

[[analyzers.streams]]
number = 1

[[analyzers.streams]]
number = 2
product = "kerosene"
"""


def run(*words: str | Path, code: int = 0, columns: int = 200) -> str:
    result = CliRunner().invoke(
        app,
        ["blend", *map(str, words)],
        catch_exceptions=False,
        env={"COLUMNS": str(columns)},
    )
    assert result.exit_code == code, result.output
    return result.stdout


def as_json(*words: str | Path, code: int = 0) -> Any:
    return json.loads(run(*words, "--json", code=code))


def test_limit_by_hand() -> None:
    """From printed indices: 216, 155 and 636 at 55, 60 and 40 °C: 61/481 = 12.7 %."""
    words = ("limit", "--base", "60", "--light", "40", "--minimum", "55")
    assert as_json(*words)["share"] == pytest.approx(61 / 481, abs=0.002)
    text = run(*words, "--base-sd", "0.5")
    assert "at most 12.78 %" in text and "keeps 55 °C (logarithmic index; power: " in text
    assert "base ± 0.5 °C, light ± 0 °C" in text
    assert text.rstrip().endswith("before it is released")
    by_power = as_json(*words, "--index", "power")
    assert by_power["share_other"] == pytest.approx(as_json(*words)["share"])
    assert by_power["index"] == "power" and "not a test" in by_power["caution"]


def test_limit_without_room_is_not_fine() -> None:
    """Exit code 1."""
    words = ("limit", "--base", "55", "--light", "40", "--minimum", "55")
    assert as_json(*words, code=1)["share"] == 0.0
    assert run(*words, code=1).startswith("no room: the base has 55 °C, the limit is 55 °C\n")


def test_limit_with_something_very_light_warns() -> None:
    """Extrapolation is said."""
    text = run("limit", "--base", "66", "--light", "-20", "--minimum", "55")
    assert "-20.0 °C outside 20 to 150 °C" in text


def test_mix_by_hand() -> None:
    """Three parts: 57.74 °C and 59.63 °C (hand arithmetic on the published indices)."""
    words = ("mix", "0.6:75", "0.3:52", "0.1:40")
    text = run(*words)
    assert text.startswith("57.74 °C by the logarithmic index, 59.63 °C by the power index\n")
    assert "standard deviation" not in text
    assert run(*words, "--index", "power").startswith("59.63 °C by the power index, 57.74 °C")
    document = as_json("mix", "0.6:75:1", "0.3:52", "0.1:40")
    assert document["flash_point_c"] == pytest.approx(57.7434, abs=0.01)
    assert document["other_index_c"] == pytest.approx(59.6348, abs=1e-3)
    assert 0.0 < document["sd_c"] < 1.0
    assert (document["minimum_c"], document["below_minimum"]) == (None, None)


@pytest.mark.parametrize(("minimum", "code"), [("57", 0), ("58", 1), ("60", 1)])
def test_mix_against_a_limit(minimum: str, code: int) -> None:
    """Not fine when one of the indices is below it."""
    text = run("mix", "0.6:75", "0.3:52", "0.1:40", "--minimum", minimum, code=code)
    assert (f"below the limit of {minimum} °C" in text) is (code == 1)


@pytest.mark.parametrize(
    ("parts", "says"),
    [
        (("0.6:75", "0.3:52"), "add up to 0.9, not to 1"),
        (("0.6",), "'0.6' is no component; write fraction:flash point"),
        (("0.6:a", "0.4:52"), "'0.6:a' is no component"),
        (("1:60:1:1",), "is no component"),
        (("1:60:-1",), "is no component"),
        (("1:60:nan",), "is no component"),
    ],
)
def test_mix_refuses_what_is_no_blend(parts: tuple[str, ...], says: str) -> None:
    """UsageError, which the command line turns into exit code 2."""
    with pytest.raises(UsageError, match=says):
        run("mix", *parts)


def cycle(
    number: int,
    minutes: float,
    value_c: float | None,
    stream: int | None = 1,
    product: str = "gas-oil",
    **changes: Any,
) -> Result:
    """A recorded cycle; without a value it was rejected."""
    verdict = Verdict.REJECTED if value_c is None else Verdict.ACCEPTED
    at = BEGIN + timedelta(minutes=minutes)
    made = sample_result(number, "kestrel-1", verdict=verdict, finished_at=at, with_trace=False)
    return replace(
        made,
        published_c=value_c,
        sampled_at=at,
        product=product,
        assessment=Assessment(stream=stream),
        **changes,
    )


class Depot:
    """A site whose cycles are in the files, the last one in the journal only."""

    def __init__(self, folder: Path) -> None:
        self.site = folder / "site.toml"
        self.site.write_text(SITE)
        self._state = folder / "state"

    def record(self, results: Sequence[Result]) -> None:
        with Journal.open(self._state / "journal.sqlite3") as journal:
            for result in results[:-1]:
                journal.append(result).result(10)
            HistoryWriter(journal, self._state / "history").flush()
            journal.append(results[-1]).result(10)

    def batch(self, *words: str | Path, minutes: float = 20, code: int = 0) -> Any:
        return as_json(*self.words(*words, minutes=minutes), code=code)

    def words(self, *words: str | Path, minutes: float = 20) -> tuple[str | Path, ...]:
        end = BEGIN + timedelta(minutes=minutes)
        times = ("--since", BEGIN.isoformat(), "--until", end.isoformat())
        return ("batch", self.site, "kestrel-1", *times, *words)


@pytest.fixture
def depot(tmp_path: Path) -> Iterator[Depot]:
    """Without cycles yet."""
    yield Depot(tmp_path)


def test_a_batch(depot: Depot) -> None:
    """All of one flash point, from the files and the journal's tail."""
    depot.record([cycle(1, 6, 75.0), cycle(2, 18, 75.0), cycle(3, 18.001, 75.0)])
    found = depot.batch()
    assert found["flash_point_c"] == pytest.approx(75.0)
    assert (found["coverage_percent"], found["accepted"], found["rejected"]) == (100.0, 3, 0)
    assert found["sd_c"] == pytest.approx(0.5)
    assert (found["minimum_c"], found["below_minimum"], found["volume_m3"]) == (55.0, False, None)
    assert found["worst"]["cycle"] == "kestrel-1/0/1"
    assert found["low_flash_evidence"] == [] and "not a test" in found["caution"]


def test_a_batch_by_the_meter(depot: Depot, tmp_path: Path) -> None:
    """Nine parts of 70 and one of 40 °C give 61.82 and 63.74 °C (hand arithmetic)."""
    depot.record([cycle(1, 5, 40.0), cycle(2, 15, 70.0)])
    meter = tmp_path / "meter.csv"
    meter.write_text(
        "time,total m3\n2031-05-01T06:00,1000\n2031-05-01T06:10Z,1010\n\n"
        "2031-05-01T08:20:00+02:00,1100.0\n"
    )
    found = as_json("batch", depot.site, "kestrel-1", "--volumes", meter)
    assert found["flash_point_c"] == pytest.approx(61.8236, abs=0.01)
    assert found["other_index_c"] == pytest.approx(63.7361, abs=1e-3)
    assert found["volume_m3"] == pytest.approx(100.0)
    assert found["worst"]["flash_point_c"] == 40.0
    constant = depot.batch(code=1)
    assert constant["flash_point_c"] == pytest.approx(47.7503, abs=0.01)
    assert constant["below_minimum"] is True
    by_power = depot.batch("--index", "power", code=1)
    assert by_power["flash_point_c"] == pytest.approx(49.4634, abs=1e-3)


def test_poor_coverage_is_no_flash_point_of_the_batch(depot: Depot) -> None:
    """No number without saying so, and exit code 1."""
    depot.record([cycle(1, 5, 60.0), cycle(2, 15, None)])
    found = depot.batch(code=1)
    assert found["flash_point_c"] is None
    assert found["flash_point_of_measured_part_c"] == pytest.approx(60.0)
    assert (found["coverage_percent"], found["rejected"]) == (50.0, 1)
    text = run(*depot.words(), code=1)
    assert text.startswith("no flash point of the batch: only 50.0 % was measured, 90 % is needed")
    assert "the measured part has 60.00 °C" in text
    assert "cycles  1 accepted, 0 doubtful, 1 rejected" in text


def test_evidence_of_a_low_flash_point_is_an_alarm(depot: Depot) -> None:
    """Even from a rejected cycle, and though all the rest is well."""
    short = [cycle(n, n, 60.0) for n in range(1, 19)]
    depot.record([*short, cycle(19, 19, None, low_flash=True)])
    text = run(*depot.words(), code=1)
    assert text.startswith("60.00 °C, by the logarithmic index over 92.5 % of the batch\n")
    assert "ALARM   evidence of a low flash point: kestrel-1/0/19, 2031-05-01T06:19:00Z" in text
    assert "from 2031-05-01T06:00:00Z to 2031-05-01T06:20:00Z, flow" in text
    assert "no value, rejected" in text
    assert "+00:00" not in json.dumps(depot.batch(code=1))
    narrow = run(*depot.words(), code=1, columns=80)
    assert max(map(len, narrow.splitlines())) <= 80
    assert depot.batch(code=1)["low_flash_evidence"][0]["cycle"] == "kestrel-1/0/19"


def test_nothing_measured(depot: Depot) -> None:
    """No number at all."""
    depot.record([cycle(1, 5, None), cycle(2, 15, None)])
    assert run(*depot.words(), code=1).startswith("no flash point: nothing of this batch")
    assert depot.batch(code=1)["flash_point_of_measured_part_c"] is None


def test_streams_are_not_mixed(depot: Depot) -> None:
    """One stream at a time, with its own limit; a cycle of an unknown one covers nothing."""
    depot.record(
        [
            cycle(1, 2, 60.0),
            cycle(2, 6, 42.0, stream=2, product="kerosene"),
            cycle(3, 10, 60.0),
            cycle(4, 14, 42.0, stream=2, product="kerosene"),
            cycle(5, 18, 60.0),
        ]
    )
    with pytest.raises(UsageError, match="several streams were measured: 1, 2; say which"):
        depot.batch()
    gas_oil, kerosene = depot.batch("--stream", "1"), depot.batch("--stream", "2")
    assert (gas_oil["flash_point_c"], gas_oil["minimum_c"]) == (pytest.approx(60.0), 55.0)
    assert (kerosene["flash_point_c"], kerosene["minimum_c"]) == (pytest.approx(42.0), 38.0)
    assert (gas_oil["accepted"], kerosene["accepted"]) == (3, 2)
    assert kerosene["sd_c"] is None
    depot.record([cycle(6, 19, 50.0, stream=None), cycle(7, 19.5, 60.0)])
    assert depot.batch("--stream", "1")["coverage_percent"] == pytest.approx(100 - 100 * 0.75 / 20)


def test_the_strictest_limit_of_what_flowed_holds(depot: Depot) -> None:
    """As the cycles were judged, whatever the site file has now."""
    depot.record([cycle(1, 5, 50.0, product="kerosene"), cycle(2, 15, 50.0, product="kerosene")])
    assert depot.batch()["minimum_c"] == 38.0
    depot.record([cycle(3, 16, 50.0), cycle(4, 17, 50.0)])
    assert (found := depot.batch(code=1))["minimum_c"] == 55.0
    assert found["below_minimum"] is True


@pytest.mark.parametrize(
    ("words", "says"),
    [
        (("kestrel-1",), "give --since and --until, or --volumes"),
        (("kestrel-1", "--since", "2031-05-01"), "give --since and --until"),
        (("kestrel-1", "--since", "2031-05-02", "--until", "2031-05-02"), "must be later"),
        (("kestrel-9", "--since", "2031-05-01", "--until", "2031-05-02"), "there are: kestrel-1"),
    ],
)
def test_wrong_use_says_what_is_right(depot: Depot, words: tuple[str, ...], says: str) -> None:
    """UsageError, which the command line turns into exit code 2."""
    with pytest.raises(UsageError, match=says):
        run("batch", depot.site, *words)


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("time,total\n2031-05-01T06:00,5\nyesterday,6\n", ":3: 'yesterday,6' is no reading"),
        ("2031-05-01T06:00,5\n2031-05-01T07:00,x\n", ":2: "),
        ("yesterday,5\n2031-05-01T07:00,6\n", ":1: "),
        ("2031-05-01T06:00,5\n2031-05-01T07:00,nan\n", ":2: "),
        ("2031-05-01T06:00\n2031-05-01T07:00,6\n", ":1: "),
    ],
)
def test_a_meter_file_that_is_none(depot: Depot, tmp_path: Path, text: str, says: str) -> None:
    """The line is named; only a first line of names is passed over."""
    meter = tmp_path / "meter.csv"
    meter.write_text(text)
    with pytest.raises(UsageError, match=f"meter.csv{says}"):
        run("batch", depot.site, "kestrel-1", "--volumes", meter)


def test_a_meter_that_was_reset_or_did_not_run(depot: Depot, tmp_path: Path) -> None:
    """Refused, and so is a file that is not there."""
    depot.record([cycle(1, 5, 60.0), cycle(2, 15, 60.0)])
    meter = tmp_path / "meter.csv"
    meter.write_text("2031-05-01T06:00,5\n2031-05-01T06:10,2\n")
    with pytest.raises(TotaliserError, match="the total falls"):
        run("batch", depot.site, "kestrel-1", "--volumes", meter)
    meter.write_text("2031-05-01T06:00,5\n2031-05-01T06:10,5\n")
    with pytest.raises(BlendError, match="no volume"):
        run("batch", depot.site, "kestrel-1", "--volumes", meter)
    with pytest.raises(UsageError, match="cannot be read as CSV"):
        run("batch", depot.site, "kestrel-1", "--volumes", tmp_path / "none.csv")


def test_a_limit_is_not_called_95_percent_sure_without_the_parts_own_errors() -> None:
    """The lower of both indices alone says nothing of how well the two flash points are known."""
    words = ["limit", "--base", "66", "--light", "40", "--minimum", "55"]
    bare = run(*words)
    assert "(the lower of both indices; give --base-sd and --light-sd for 95 %)" in bare
    known = run(*words, "--base-sd", "1", "--light-sd", "1")
    assert "(both indices, 95 %)" in known


@pytest.mark.parametrize(
    "words",
    [
        ("limit", "--base", "66", "--light", "40", "--minimum", "55"),
        ("limit", "--base", "66", "--light", "-20", "--minimum", "55", "--base-sd", "1"),
        ("mix", "0.6:75:1", "0.3:52", "0.1:40"),
    ],
)
def test_no_line_is_wider_than_the_terminal(words: tuple[str, ...]) -> None:
    """Folded at spaces, with every word there still, and never within an option's name."""
    wide, narrow = run(*words), run(*words, columns=80)
    assert max(map(len, wide.splitlines())) > 80 >= max(map(len, narrow.splitlines()))
    assert wide.split() == narrow.split()


def test_a_damaged_row_is_named(depot: Depot) -> None:
    """A history without the time of a sample: the file and the row, and no traceback."""
    depot.record([cycle(1, 5, 60.0), cycle(2, 15, 60.0)])
    (path,) = depot.site.parent.glob("**/results.parquet")
    rows = pq.read_table(path, partitioning=None)
    at = rows.schema.get_field_index("sampled_at")
    field = rows.schema.field(at)
    pq.write_table(rows.set_column(at, field, pa.nulls(len(rows), field.type)), path)
    with pytest.raises(StorageError, match=r"results\.parquet: row 1 is damaged: .*sampled_at"):
        run(*depot.words())
