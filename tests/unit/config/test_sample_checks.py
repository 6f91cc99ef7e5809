"""Products, methods, streams and predictions of a site file: each mistake once, at its place."""

from __future__ import annotations

from pathlib import Path

import pytest

from edgeflash.errors import ConfigurationError
from edgeflash.gateway.site import checked_site

GOOD = """\
[site]
name = "Larkwater depot"

[opcua]
accept_inputs = true

[products.gas-oil]
specification = "en-590"
number = 1

[products.marine]
specification = "iso-8217-distillate"
minimum_c = 61.0
method = "iso-2719-a"

[[inputs]]
id = "base-flash"
number = 1
unit = "degC"

[[inputs]]
id = "light-share"
number = 2
unit = "percent"

[[inputs]]
id = "base-share"
number = 3
unit = "fraction"

[[inputs]]
id = "t10"
number = 4
unit = "degF"

[[analyzers]]
id = "kestrel-1"
number = 1
map = "examples:bench-cup.toml"
host = "10.20.0.21"
analyzer_corrects_barometer = true
product = "gas-oil"
method = "d93-a"
inlet_low_c = 10.0
inlet_high_c = 40.0

[analyzers.verification]
reference_c = 62.0
sd_c = 0.5

[analyzers.prediction]
kind = "blend"
index = "power"
components = [
  { flash_c = "base-flash", share = "base-share" },
  { flash_c = 52.0, share = 0.3 }, # second
  { flash_c = 40.0, share = "light-share" },
]

[[analyzers.streams]]
number = 1
product = "gas-oil"
expected_c = 62.0

[analyzers.streams.rules.air_flow]
enabled = false
because = "no sensor"

[[analyzers.streams]]
number = 2
product = "marine"

[analyzers.streams.prediction]
kind = "distillation"
t10_c = "t10"
"""

SECOND = "  { flash_c = 52.0, share = 0.3 }, # second\n"
CONSTANT = """components = [
  { flash_c = 75.0, share = 0.6 },
  { flash_c = 52.0, share = 0.3 },
  { flash_c = 40.0, share = 0.1 },
]
"""
OF_INPUTS = GOOD[GOOD.index("components = [") : GOOD.index("[[analyzers.streams]]\nnumber = 1")]
BLEND = "analyzers[0].prediction.components"


def mistakes(tmp_path: Path, text: str) -> list[tuple[int, str, str]]:
    """Line, key and problem of every mistake."""
    path = tmp_path / "site.toml"
    path.write_text(text, "utf-8")
    try:
        checked_site(path)
    except ConfigurationError as error:
        return [(m.line, m.key, m.problem) for m in error.mistakes]
    return []


@pytest.mark.parametrize(
    ("old", "new"),
    [
        ("Larkwater", "Larkwater"),
        (OF_INPUTS, CONSTANT),
        # At the edges: reference and expectation at the end of the range, a share of 0 and 1.
        ("reference_c = 62.0", "reference_c = 25.0"),
        ("expected_c = 62.0", "expected_c = 125.0"),
        ("share = 0.3 }, # second", "share = 0.0 }, # second"),
        ("share = 0.3 }, # second", "share = 1.0 }, # second"),
        ("flash_c = 52.0", "flash_c = 600.0"),
        ('t10_c = "t10"', "t10_c = 65.0\ncorrelation = 'linear'"),
        ("minimum_c = 61.0", "minimum_c = 60.0"),
        ("minimum_c = 61.0", "strict_minimum = false"),
        ('specification = "en-590"', 'specification = "en-590"\nstrict_minimum = true'),
        (
            'specification = "en-590"',
            'specification = "en-590"\nstrict_minimum = false\nminimum_c = 55.5',
        ),
        ('specification = "en-590"', "minimum_c = 40.0\nstrict_minimum = false"),
    ],
)
def test_what_is_right(tmp_path: Path, old: str, new: str) -> None:
    """The base of the table, and what stands just within."""
    assert GOOD.count(old) == 1
    assert mistakes(tmp_path, GOOD.replace(old, new)) == []


@pytest.mark.parametrize(
    ("old", "new", "line", "key", "says"),
    [
        (
            '"en-590"',
            '"en-509"',
            '"en-509"',
            "products.gas-oil.specification",
            "there is no specification 'en-509'; did you mean 'en-590'?",
        ),
        (
            "minimum_c = 61.0",
            "minimum_c = 59.9",
            "59.9",
            "products.marine.minimum_c",
            "below the limit of the specification (ISO 8217, 60 °C)",
        ),
        (
            '"en-590"',
            '"en-590"\nstrict_minimum = false',
            "strict_minimum",
            "products.gas-oil.strict_minimum",
            "(EN 590, 55 °C) asks for more than its limit",
        ),
        (
            '"en-590"',
            '"en-590"\nminimum_c = 55\nstrict_minimum = false',
            "strict_minimum",
            "products.gas-oil.strict_minimum",
            "asks for more than its limit",
        ),
        (
            'method = "iso-2719-a"',
            'method = "iso-2719"',
            'method = "iso-2719"',
            "products.marine.method",
            "there is no method 'iso-2719'; there are: iso-2719-a, ",
        ),
        (
            'method = "d93-a"',
            'method = "d93"',
            'method = "d93"',
            "analyzers[0].method",
            "there is no method 'd93'; there are: d93-a, ",
        ),
        (
            "inlet_low_c = 10.0",
            "inlet_low_c = 40.0",
            "inlet_low_c",
            "analyzers[0].inlet_low_c",
            "must be below inlet_high_c (40), not 40",
        ),
        (
            "reference_c = 62.0",
            "reference_c = 130.0",
            "reference_c",
            "analyzers[0].verification.reference_c",
            "within the analyzer's range, 25 to 125, not 130",
        ),
        (
            "expected_c = 62.0",
            "expected_c = 24.0",
            "expected_c",
            "analyzers[0].streams[0].expected_c",
            "within the analyzer's range, 25 to 125, not 24",
        ),
        (
            'number = 2\nproduct = "marine"',
            'number = 1 # again\nproduct = "marine"',
            "# again",
            "analyzers[0].streams[1].number",
            "1 is analyzers[0].streams[0] already",
        ),
        (
            'product = "marine"',
            'product = "marin"',
            '"marin"',
            "analyzers[0].streams[1].product",
            "there is no [products.marin]; did you mean 'marine'?",
        ),
        (
            'because = "no sensor"',
            'because = " "',
            'because = " "',
            "analyzers[0].streams[0].rules.air_flow.because",
            "say in one sentence why air_flow is turned off",
        ),
        (
            "streams.rules.air_flow",
            "streams.rules.air_flo",
            "rules.air_flo]",
            "analyzers[0].streams[0].rules.air_flo",
            "did you mean 'air_flow'?",
        ),
        (
            'kind = "distillation"\nt10_c = "t10"',
            'kind = "distillation" # bare',
            "[analyzers.streams.prediction]",
            "analyzers[0].streams[1].prediction.t10_c",
            'is missing; kind = "distillation" needs it',
        ),
        (
            't10_c = "t10"',
            't10_c = "t11"',
            "t11",
            "analyzers[0].streams[1].prediction.t10_c",
            "there is no [[inputs]] with id = \"t11\"; did you mean 't10'?",
        ),
        (
            't10_c = "t10"',
            't10_c = "light-share"',
            "t10_c",
            "analyzers[0].streams[1].prediction.t10_c",
            'needs an input in one of K, degC, degF; light-share has unit = "percent"',
        ),
        (
            't10_c = "t10"',
            "t10_c = 64.9",
            "t10_c",
            "analyzers[0].streams[1].prediction.t10_c",
            "must be from 65 to 320 °C, not 64.9 °C",
        ),
        (
            't10_c = "t10"',
            't10_c = "t10"\nindex = "power" # no',
            "# no",
            "analyzers[0].streams[1].prediction.index",
            'means nothing with kind = "distillation"',
        ),
        (
            'kind = "distillation"\nt10_c = "t10"',
            'kind = "value" # bare',
            "[analyzers.streams.prediction]",
            "analyzers[0].streams[1].prediction.value",
            'is missing; kind = "value" needs it',
        ),
        (
            'kind = "distillation"\nt10_c = "t10"',
            'kind = "value"\nvalue = "base-share"',
            'value = "base-share"',
            "analyzers[0].streams[1].prediction.value",
            "needs an input in one of K, degC, degF",
        ),
        (
            OF_INPUTS,
            "components = []\n",
            "components",
            BLEND,
            'is missing; kind = "blend" needs it',
        ),
        (
            OF_INPUTS,
            "components = [{ flash_c = 60.0, share = 1.0 }]\n",
            "components",
            BLEND,
            "a blend has at least 2 components, not 1",
        ),
        (
            OF_INPUTS,
            CONSTANT.replace("share = 0.1", "share = 0.09"),
            "components",
            BLEND,
            "the shares must add up to 1, not to 0.99",
        ),
        (
            "share = 0.3 }, # second",
            "share = 0.7 },\n { flash_c = 60.0, share = 0.31 }, # second",
            "components",
            BLEND,
            "the constant shares alone add up to 1.01, above 1",
        ),
        (
            "share = 0.3 }, # second",
            "share = 30.0 }, # second",
            "# second",
            f"{BLEND}[1].share",
            "must be a volume fraction from 0 to 1, not 30",
        ),
        (
            "share = 0.3 }, # second",
            "share = -0.1 }, # second",
            "# second",
            f"{BLEND}[1].share",
            "must be a volume fraction from 0 to 1, not -0.1",
        ),
        (
            'share = "light-share"',
            'share = "base-flash"',
            'share = "base-flash"',
            f"{BLEND}[2].share",
            'needs an input in one of fraction, percent; base-flash has unit = "degC"',
        ),
        (
            'flash_c = "base-flash"',
            'flash_c = "base-fash"',
            "base-fash",
            f"{BLEND}[0].flash_c",
            "did you mean 'base-flash'?",
        ),
        (
            "flash_c = 52.0",
            "flash_c = 601.0",
            "# second",
            f"{BLEND}[1].flash_c",
            "must be from -100 to 600 °C, not 601 °C",
        ),
    ],
)
def test_one_mistake_with_its_place(
    tmp_path: Path, old: str, new: str, line: str, key: str, says: str
) -> None:
    """Line, key, and what would be right."""
    assert GOOD.count(old) == 1
    text = GOOD.replace(old, new)
    [(number, found_key, problem)] = mistakes(tmp_path, text)
    assert found_key == key
    assert says in problem
    assert line in text.splitlines()[number - 1]


@pytest.mark.parametrize(
    ("role", "says"),
    [
        ("", "needs the role stream in the map"),
        (
            '[roles.stream]\ntable = "input"\naddress = 9\ntype = "string"\nlength = 4\n',
            "the map reads the role stream as a text",
        ),
    ],
)
def test_streams_are_told_apart_by_a_number(tmp_path: Path, role: str, says: str) -> None:
    """Without one, the settings of the streams would never hold, in silence."""
    (tmp_path / "cup.toml").write_text(
        '[map]\nname = "cup"\nprotocol = "modbus"\naddressing = "zero_based"\n'
        '[roles.flash_point]\ntable = "input"\naddress = 0\ntype = "float32"\norder = "abcd"\n'
        'unit = "degC"\n[roles.cycle_number]\ntable = "input"\naddress = 2\ntype = "uint16"\n'
        + role
    )
    text = GOOD.replace("examples:bench-cup.toml", "cup.toml")
    [(_, key, problem)] = mistakes(tmp_path, text)
    assert key == "analyzers[0].streams"
    assert says in problem
