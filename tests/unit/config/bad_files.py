"""A good site file and register map, and a table of small edits that each make one mistake.

Each row says what the loader must answer: the file, the line, the key and a piece of the sentence.
`python -m edgeflash check` must give the same for every row, with exit code 2 and no traceback.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

GOOD_SITE = """\
# An invented depot.
[site]
name = "Windmill Quay depot"
state_dir = "state"

[history]
folder = "history"
flush_s = 60

[journal]
keep_days = 30

[opcua]
host = "127.0.0.1"
port = 4840
temperature_unit = "degC"

[[modbus]]
host = "0.0.0.0"
port = 5020
order = "cdab"
allow = ["10.20.0.11", "10.20.1.0/24"]

[[modbus]]
host = "0.0.0.0"
port = 5021
temperature_unit = "degF"

[products.gas-oil]
minimum_c = 55.0
strict_minimum = true
source = "contract of the depot"

[[analyzers]]
id = "kestrel-1"
number = 1
description = "blender header A"
map = "maps/cup.toml"
host = "10.20.0.21"
port = 502
unit_id = 1
poll_s = 1.0
backoff_first_s = 1.0
backoff_max_s = 30.0
product = "gas-oil"
expected_c = 62.0
range_low_c = 25.0
range_high_c = 125.0
basis = "recomputed"
analyzer_corrects_barometer = false
correction = "celsius_kpa"
hold_s = 900.0

[analyzers.rules.sample_flow]
enabled = false
because = "the flow switch is read by the control system itself"

[[analyzers]]
id = "kestrel-2"
number = 2
map = "maps/cup.toml"
host = "kestrel-2.depot.example"
product = "gas-oil"
analyzer_corrects_barometer = true

[analyzers.rules.cycle_too_long.parameters]
"""

GOOD_MAP = """\
[map]
name = "cup, firmware 3"
protocol = "modbus"
addressing = "one_based"
order = "abcd"
max_registers = 100
max_gap = 8
forbidden = [
  { table = "input", first = 500, last = 519 },
  { table = "holding", first = 1, last = 99 },
]

[roles.cycle_number]
table = "input"
address = 1
type = "uint32"
wraps_at = 999999
first = 1

[roles.result_time]
table = "input"
address = 20
type = "split_time"
parts = ["year", "month", "day", "hour", "minute", "second"]

[roles.flash_point]
table = "input"
address = 10
type = "float32"
order = "cdab"
unit = "degC"
unavailable = ["nan", -9999]

[roles.phase]
table = "input"
address = 3
type = "uint16"
values = { 0 = "idle", 3 = "heat", 5 = "purge" }

[roles.ignition_seen]
table = "input"
address = 4
type = "bool"
bit = 0

[roles.fault_bits]
table = "input"
address = 5
type = "uint16"

[roles.fault_bits.bits]
0 = { name = "heater_fault", category = "failure" }
1 = { name = "sample_flow_low", category = "out_of_specification" }

[roles.sample_temperature]
table = "input"
address = 6
type = "int16"
scale = 0.01
offset = -40.0
unit = "degC"
unavailable = [-32768]

[roles.cell_pressure]
table = "input"
address = 7
type = "int16"
unit = "kPa"

[roles.barometric_pressure]
table = "input"
address = 8
type = "uint16"
scale = 0.1
unit = "hPa"

[roles.stream]
table = "holding"
address = 100
type = "string"
length = 8

[roles.alive]
table = "discrete"
address = 1
type = "bool"

[roles.trace_length]
table = "input"
address = 1000
type = "uint16"

[roles.trace_time]
table = "input"
address = 1001
type = "uint16"
count = 512
scale = 0.01
unit = "s"

[roles.trace_temperature]
table = "input"
address = 2001
type = "int16"
count = 512
scale = 0.01
unit = "degC"

[roles.trace_pressure]
table = "input"
address = 3001
type = "int16"
count = 512
scale = 0.01
unit = "kPa"

[roles.recent_number]
table = "holding"
address = 400
type = "uint32"
count = 16
stride = 8

[roles.recent_time]
table = "holding"
address = 402
type = "uint32"
count = 16
stride = 8
unit = "epoch_s"

[roles.recent_flash_point]
table = "holding"
address = 404
type = "float32"
count = 16
stride = 8
unit = "degF"
"""

PULSE_INTERVAL = """[roles.pulse_interval]
table = "input"
address = 4000
type = "uint16"
unit = "ms"

"""
PULSE_PRESSURE = """[roles.pulse_pressure]
table = "input"
address = 4010
type = "int16"
count = 64
scale = 0.01
unit = "kPa"

"""

SITE, MAP = "site.toml", "maps/cup.toml"
SECOND = 'id = "kestrel-2"'
CORRECTS = "analyzer_corrects_barometer = true"


@dataclass(frozen=True, slots=True)
class Row:
    """One edit and the one mistake it makes.

    edits: (old, new) pairs; each old stands once in the file. line: a number, or a piece of the
    edited file that stands on one line only. in_file: the file blamed, when it is not the edited
    one (then a text `line` is looked up there).
    """

    name: str
    file: str
    edits: tuple[tuple[str, str], ...]
    line: int | str
    key: str
    says: str
    in_file: str | None = None

    @property
    def blamed(self) -> str:
        """The file the mistake is in."""
        return self.in_file or self.file

    def texts(self) -> dict[str, str]:
        """The files of this row."""
        texts = {SITE: GOOD_SITE, MAP: GOOD_MAP}
        for old, new in self.edits:
            assert texts[self.file].count(old) == 1, (self.name, old)
            texts[self.file] = texts[self.file].replace(old, new)
        return texts

    def write(self, folder: Path) -> Path:
        """Writes the files; the site file's path."""
        for name, text in self.texts().items():
            path = folder / name
            path.parent.mkdir(exist_ok=True)
            path.write_text(text, encoding="utf-8")
        return folder / SITE

    def expected_line(self) -> int:
        """Number of the line the mistake must be on."""
        if isinstance(self.line, int):
            return self.line
        lines = self.texts()[self.blamed].splitlines()
        found = [n for n, text in enumerate(lines, start=1) if self.line in text]
        assert len(found) == 1, (self.name, self.line, found)
        return found[0]


def _site(name: str, old: str, new: str, line: int | str, key: str, says: str) -> Row:
    return Row(name, SITE, ((old, new),), line, key, says)


def _map(name: str, old: str, new: str, line: int | str, key: str, says: str) -> Row:
    return Row(name, MAP, ((old, new),), line, key, says)


def _role(name: str, role: str, old: str, new: str, line: str, key: str, says: str) -> Row:
    """An edit within one role's table; `line` is a piece of it after the edit."""
    start = GOOD_MAP.index(f"[roles.{role}]")
    end = GOOD_MAP.find("\n\n", start)
    before = GOOD_MAP[start : end if end > 0 else None]
    assert before.count(old) == 1, (name, old)
    after = before.replace(old, new)
    found = [n for n, text in enumerate(after.splitlines()) if line in text]
    assert len(found) == 1, (name, line)
    number = GOOD_MAP.count("\n", 0, start) + 1 + found[0]
    return Row(name, MAP, ((before, after),), number, f"roles.{role}{key}", says)


SITE_ROWS = (
    _site("toml without equals sign", "port = 4840", "port 4840", "port 4840", "(file)",
          "not valid TOML: expected '=' after a key in a key/value pair, at column 6"),
    _site("toml key twice", "port = 4840", "port = 4840\nport = 4841", "port = 4841", "(file)",
          "this key stands here for the second time"),
    _site("toml string without end", 'name = "Windmill Quay depot"', 'name = "Windmill Quay',
          'name = "Windmill Quay', "(file)", "the text in quotes does not end on its line"),
    _site("nested too deeply", 'allow = ["10.20.0.11", "10.20.1.0/24"]',
          "allow = " + "[" * 5000 + "]" * 5000, 1, "(file)", "nested too deeply"),
    _site("key of too many parts", "port = 4840", "port" + ".a" * 100 + " = 4840", 1, "(file)",
          "nested too deeply"),
    _site("toml table twice", "[journal]", "[history] # again", "# again", "(file)",
          "this table stands here for the second time"),
    _site("unknown key", "port = 4840", "prot = 4840", "prot = 4840", "opcua.prot",
          "unknown key 'prot'; did you mean 'port'?"),
    _site("unknown key far from all", "port = 4840", "zzz = 4840", "zzz", "opcua.zzz",
          "known here: host, port"),
    _site("required key misspelt", 'host = "10.20.0.21"', 'hots = "10.20.0.21"', "hots",
          "analyzers[0].hots", "did you mean 'host'?"),
    _site("unknown table", "[journal]", "[jurnal]", "[jurnal]", "jurnal",
          "did you mean 'journal'?"),
    _site("only outlet tables misspelt", "[opcua]", "[opc_ua]", "[opc_ua]", "opc_ua",
          "did you mean 'opcua'?"),
    _site("quoted number", "port = 4840", 'port = "4840"', 'port = "4840"', "opcua.port",
          'must be a whole number from 0 to 65535, not "4840" (without quotes)'),
    _site("port too large", "port = 4840", "port = 70000", "port = 70000", "opcua.port",
          "must be a whole number from 0 to 65535, not 70000"),
    _site("fraction for a whole number", "unit_id = 1", "unit_id = 1.5", "unit_id",
          "analyzers[0].unit_id", "must be a whole number from 0 to 255, not 1.5"),
    _site("number for a truth value", "analyzer_corrects_barometer = false",
          "analyzer_corrects_barometer = 0", "barometer = 0",
          "analyzers[0].analyzer_corrects_barometer", "must be true or false, not 0"),
    _site("truth value for a number", "poll_s = 1.0", "poll_s = true", "poll_s",
          "analyzers[0].poll_s", "must be a number from 0.01 to 86400, not true"),
    _site("not a number", "hold_s = 900.0", "hold_s = nan", "hold_s", "analyzers[0].hold_s",
          "must be a number above 0 and at most 86400, not nan"),
    _site("infinite", "range_high_c = 125.0", "range_high_c = inf", "range_high_c",
          "analyzers[0].range_high_c", "from -100 to 600, not inf"),
    _site("zero where more is needed", "flush_s = 60", "flush_s = 0", "flush_s",
          "history.flush_s", "from 0.01 to 86400, not 0"),
    _site("number for a text", 'name = "Windmill Quay depot"', "name = 7", "name = 7",
          "site.name", "must be text in quotes of 1 to 80 characters, not 7"),
    _site("date for a text", 'name = "Windmill Quay depot"', "name = 2031-05-01", "name = 2031",
          "site.name", "not a date or time"),
    _site("empty name", 'name = "Windmill Quay depot"', 'name = ""', 'name = ""', "site.name",
          'not ""'),
    _site("table for a number", "port = 4840", "port.tcp = 4840", "port.tcp", "opcua.port",
          "must be a whole number from 0 to 65535, not a table"),
    Row("one table where a list belongs", SITE,
        ((GOOD_SITE[GOOD_SITE.index("[[modbus]]\nhost") : GOOD_SITE.index("[products")],
          "[modbus]\nport = 5020\n"),), "[modbus]", "modbus",
        "must be a list of tables, [[modbus]], not a table"),
    _site("list where one table belongs", "[opcua]", "[[opcua]]", "[[opcua]]", "opcua",
          "must be one table, [opcua], not a list of tables"),
    _site("unknown choice", 'order = "cdab"', 'order = "cadb"', "cadb", "modbus[0].order",
          'must be one of "abcd", "cdab", "badc", "dcba", not "cadb"'),
    _site("unknown unit", 'temperature_unit = "degF"', 'temperature_unit = "F"',
          'temperature_unit = "F"', "modbus[1].temperature_unit", 'one of "degC", "degF"'),
    _site("bad identifier", 'id = "kestrel-1"', 'id = "Kestrel 1"', "Kestrel 1",
          "analyzers[0].id", "lower-case letters, digits and hyphens"),
    _site("bad product name", "[products.gas-oil]\nminimum", "[products.gas-oil]\n"
          "[products.Jet_A]\nminimum", "Jet_A", "products.Jet_A",
          "the name 'Jet_A' must be lower-case letters"),
    Row("missing key", SITE, ((f"[[analyzers]]\n{SECOND}", f"[[analyzers]] # two\n{SECOND}"),
        ("number = 2\n", "")), "# two", "analyzers[1].number",
          "is missing; give a whole number from 1 to 200"),
    Row("missing barometer statement", SITE, ((f"[[analyzers]]\n{SECOND}",
        f"[[analyzers]] # two\n{SECOND}"), (f"\n{CORRECTS}", "")), "# two",
          "analyzers[1].analyzer_corrects_barometer", "is missing; give true or false"),
    _site("no site table", '[site]\nname = "Windmill Quay depot"\nstate_dir = "state"\n', "", 1,
          "site", "is missing; give one table, [site]"),
    _site("id twice", SECOND, 'id = "kestrel-1" # again', "# again", "analyzers[1].id",
          "kestrel-1 belongs to analyzers[0] already"),
    _site("number twice", "number = 2", "number = 1 # again", "# again", "analyzers[1].number",
          "1 belongs to analyzers[0] already"),
    _site("number beyond the blocks", "number = 2", "number = 201", "201", "analyzers[1].number",
          "from 1 to 200, not 201"),
    _site("port twice", "port = 5021", "port = 5020 # again", "# again", "modbus[1].port",
          "5020 is taken by modbus[0] on 0.0.0.0 already"),
    _site("port twice over the wildcard", "port = 5021", "port = 4840 # again", "# again",
          "modbus[1].port", "4840 is taken by opcua on 127.0.0.1 already"),
    _site("open endpoint for nobody", "[opcua]\n",
          "[opcua]\nallow_open_endpoint = true\nanonymous = false\n", "anonymous = false",
          "opcua.anonymous", "allow_open_endpoint = false"),
    _site("deprecated policy", "[opcua]\n", '[opcua]\npolicies = ["Basic128Rsa15"]\n',
          "Basic128Rsa15", "opcua.policies[0]", "Basic256Sha256"),
    _site("host with a scheme", 'host = "10.20.0.21"', 'host = "tcp://10.20.0.21"', "tcp://",
          "analyzers[0].host", 'is no host: write the name or the address alone'),
    _site("host with a port", 'host = "10.20.0.21"', 'host = "10.20.0.21:502"', "21:502",
          "analyzers[0].host", "is no host"),
    _site("no such address", 'host = "10.20.0.21"', 'host = "10.20.0.321"', "0.321",
          "analyzers[0].host", "four numbers from 0 to 255"),
    _site("wildcard as analyzer", 'host = "10.20.0.21"', 'host = "0.0.0.0" # all', "# all",
          "analyzers[0].host", "is no analyzer's address"),
    Row("no way of linking", SITE, (("[[analyzers]]\nid = \"kestrel-1\"",
        "[[analyzers]] # first\nid = \"kestrel-1\""), ('host = "10.20.0.21"\n', "")), "# first",
        "analyzers[0].host", "is missing; give host (Modbus TCP)"),
    _site("empty host", 'host = "10.20.0.21"', 'host = ""', 'host = ""', "analyzers[0].host",
          "is empty; write the name or the address alone"),
    _site("host name with a space", "kestrel-2.depot.example", "kestrel 2", "kestrel 2",
          "analyzers[1].host", "is no host"),
    _site("host name with a dollar", "kestrel-2.depot.example", "kestrel$2", "kestrel$2",
          "analyzers[1].host", "letters, digits and hyphens"),
    _site("allow is no address", '"10.20.0.11", ', '"dcs-1",\n', "dcs-1", "modbus[0].allow[0]",
          "is no IP address or network"),
    _site("allow with host bits", '"10.20.1.0/24"', '\n"10.20.1.7/24"', "10.20.1.7/24",
          "modbus[0].allow[1]", 'write "10.20.1.0/24" for the whole network'),
    _site("allow not a list", '["10.20.0.11", "10.20.1.0/24"]', '"10.20.0.11"', "allow",
          "modbus[0].allow", "must be a list; each element is text in quotes"),
    _site("unknown product", 'product = "gas-oil"\nexpected_c', 'product = "gas-oli"\nexpected_c',
          "gas-oli", "analyzers[0].product",
          "there is no [products.gas-oli]; did you mean 'gas-oil'?"),
    _site("range upside down", "range_low_c = 25.0", "range_low_c = 130.0", "range_low_c",
          "analyzers[0].range_low_c", "must be below range_high_c (125), not 130"),
    _site("expected outside the range", "expected_c = 62.0", "expected_c = 20.0", "expected_c",
          "analyzers[0].expected_c", "within the analyzer's range, 25 to 125, not 20"),
    _site("backoff upside down", "backoff_first_s = 1.0", "backoff_first_s = 31.0",
          "backoff_first_s", "analyzers[0].backoff_first_s",
          "must be at most backoff_max_s (30), not 31"),
    _site("hold shorter than poll", "hold_s = 900.0", "hold_s = 0.5", "hold_s",
          "analyzers[0].hold_s", "must be at least poll_s (1), not 0.5"),
    _site("corrected twice", CORRECTS, f'{CORRECTS}\ncorrection = "celsius_mmhg"',
          "celsius_mmhg", "analyzers[1].correction", "must not be corrected twice"),
    _site("rule off without a reason",
          'because = "the flow switch is read by the control system itself"\n', "",
          "[analyzers.rules.sample_flow]", "analyzers[0].rules.sample_flow.because",
          "is missing; say in one sentence why"),
    _site("rule off with a blank reason",
          'because = "the flow switch is read by the control system itself"', 'because = " "',
          'because = " "', "analyzers[0].rules.sample_flow.because", "is missing"),
    _site("severity of a rule", "enabled = false", 'severity = "ignore"', "severity",
          "analyzers[0].rules.sample_flow.severity",
          'must be one of "note", "doubt", "reject", not "ignore"'),
    _site("unknown rule", "[analyzers.rules.sample_flow]",
          "[analyzers.rules.sample_flw]", "sample_flw]",
          "analyzers[0].rules.sample_flw", "sample_flow"),
    _site("unknown parameter", "[analyzers.rules.cycle_too_long.parameters]",
          "[analyzers.rules.cycle_too_long.parameters]\nlongst_s = 3", "longst_s",
          "analyzers[1].rules.cycle_too_long.parameters.longst_s", "has no parameter 'longst_s'"),
    _site("parameter as text", "[analyzers.rules.cycle_too_long.parameters]",
          '[analyzers.rules.cycle_too_long.parameters]\nlongest_s = "3"', 'longest_s = "3"',
          "analyzers[1].rules.cycle_too_long.parameters.longest_s",
          'must be a number, not "3" (without quotes)'),
    _site("no such map", 'map = "maps/cup.toml"\nhost = "10.20', 'map = "maps/cpu.toml"\n'
          'host = "10.20', "cpu.toml", "analyzers[0].map", "there is no such file"),
    _site("map is a folder", 'map = "maps/cup.toml"\nhost = "10.20', 'map = "maps"\n'
          'host = "10.20', 'map = "maps"', "analyzers[0].map", "this is a folder"),
    _site("no such example map", 'map = "maps/cup.toml"\nhost = "10.20',
          'map = "examples:cup.toml"\nhost = "10.20', "examples:cup", "analyzers[0].map",
          "it brings bench-cup-opcua.toml, bench-cup.toml"),
    Row("no outlet", SITE,
        ((GOOD_SITE[GOOD_SITE.index("[opcua]") : GOOD_SITE.index("[products")], ""),), 1,
        "opcua", "nothing reaches the control system"),
    Row("no analyzers", SITE, ((GOOD_SITE[GOOD_SITE.index("[[analyzers]]") :], ""),), 1,
        "analyzers", "is missing; give a list of tables, [[analyzers]]"),
    Row("empty list of analyzers", SITE,
        ((GOOD_SITE[GOOD_SITE.index("[[analyzers]]") :], ""), ("# An invented depot.",
        "analyzers = []")), "analyzers = []", "analyzers", "is empty; give a list of tables"),
)  # fmt: skip

MAP_ROWS = (
    _map("map not toml", "max_gap = 8", "max_gap = 08", "max_gap", "(file)", "not valid TOML"),
    _map("addressing not said", 'addressing = "one_based"\n', "", "[map]", "map.addressing",
         'is missing; give one of "zero_based", "one_based"'),
    _map("unknown addressing", '"one_based"', '"from_one"', "from_one", "map.addressing",
         'must be one of "zero_based", "one_based", not "from_one"'),
    _map("unknown protocol", 'protocol = "modbus"', 'protocol = "profibus"', "protocol",
         "map.protocol", 'must be one of "modbus", "opcua", not "profibus"'),
    _map("reads too large", "max_registers = 100", "max_registers = 126", "max_registers",
         "map.max_registers", "from 1 to 125, not 126"),
    _map("no map table", "[map]", "[mapp]", "[mapp]", "mapp", "did you mean 'map'?"),
    _map("unknown role", "[roles.barometric_pressure]", "[roles.barometer_pressure]",
         "barometer_pressure", "roles.barometer_pressure",
         "unknown role 'barometer_pressure'; did you mean 'barometric_pressure'?"),
    _map("flash point misspelt", "[roles.flash_point]", "[roles.flash_pont]", "flash_pont",
         "roles.flash_pont", "did you mean 'flash_point'?"),
    Row("no flash point", MAP,
        ((GOOD_MAP[GOOD_MAP.index("[roles.flash_point]") : GOOD_MAP.index("[roles.phase]")], ""),),
        "[roles.cycle_number]", "roles.flash_point", "every map needs this role"),
    Row("no cycle number and no time", MAP,
        ((GOOD_MAP[GOOD_MAP.index("[roles.cycle_number]") : GOOD_MAP.index("[roles.flash_")], ""),),
        "[roles.flash_point]", "roles.cycle_number", "this role or result_time"),
    _map("forbidden upside down", "first = 500, last = 519", "first = 500, last = 419",
         "last = 419", "map.forbidden[0].last", "must not lie before first (500), and is 419"),
    _map("forbidden at zero, one-based", "first = 1, last = 99", "first = 0, last = 99",
         "first = 0", "map.forbidden[1].first", "whose first register is 1"),
    _role("role is no table", "alive", '[roles.alive]\ntable = "discrete"\naddress = 1\n'
          'type = "bool"', "[[roles.alive]]", "[[roles.alive]]", "",
          "must be one table, [roles.alive], not a list of tables"),
    _role("unknown key in a role", "alive", "address = 1", "adress = 1", "adress", ".adress",
          "did you mean 'address'?"),
    _role("unknown register table", "alive", '"discrete"', '"discreet"', "discreet", ".table",
          'must be one of "coil", "discrete", "input", "holding", not "discreet"'),
    _role("unknown type", "flash_point", '"float32"', '"float"', '"float"', ".type",
          'must be one of "bool", "int16"'),
    _role("negative address", "alive", "address = 1", "address = -1", "address", ".address",
          "from 0 to 65536, not -1"),
    _role("address zero, one-based", "alive", "address = 1", "address = 0", "address",
          ".address", "one_based, whose first register is 1"),
    _role("past the end", "trace_pressure", "address = 3001", "address = 65026", "address",
          ".address", "ends at register 65537; the last one there can be is 65536"),
    _role("into a forbidden stretch", "barometric_pressure", "address = 8", "address = 510",
          "address", ".address", "map.forbidden[0] says never to read"),
    _role("block over a forbidden stretch", "trace_time", "address = 1001", "address = 100",
          "address", ".address", "registers 100 to 611 reach into 500 to 519"),
    _role("flash point as text", "flash_point", '"float32"', '"string"', '"string"', ".type",
          "flash_point is a temperature: must be one of"),
    _role("counter as float", "cycle_number", '"uint32"', '"float32"', '"float32"', ".type",
          "cycle_number is a whole number that counts"),
    _role("ignition as number", "ignition_seen", '"bool"', '"uint16"', '"uint16"', ".type",
          'ignition_seen is one bit: must be "bool", not "uint16"'),
    _role("time as float32", "recent_time", '"uint32"', '"float32"', '"float32"', ".type",
          "recent_time is a time stamp"),
    _role("number in a bit table", "cell_pressure", '"input"', '"coil"', '"coil"', ".table",
          'a coil is a single bit and cannot hold "int16"'),
    _role("bit not said", "ignition_seen", "\nbit = 0", "", "[roles.ignition_seen]", ".bit",
          "is missing; say which bit of the register"),
    _role("bit out of the register", "ignition_seen", "bit = 0", "bit = 16", "bit = 16", ".bit",
          "from 0 to 15, not 16"),
    _role("bit of a discrete input", "alive", 'type = "bool"', 'type = "bool"\nbit = 3', "bit = 3",
          ".bit", "a discrete is one bit already"),
    _role("bit of a number", "phase", 'type = "uint16"', 'type = "uint16"\nbit = 3', "bit = 3",
          ".bit", 'belongs to type "bool" only'),
    _role("text without length", "stream", "\nlength = 8", "", "[roles.stream]", ".length",
          "is missing; give how many registers the text takes"),
    _role("length of a number", "phase", 'type = "uint16"', 'type = "uint16"\nlength = 1',
          "length", ".length", 'belongs to type "string" only'),
    _role("text longer than a read", "stream", "length = 8", "length = 101", "length", ".length",
          "takes 101 registers, and this analyzer answers 100 at once"),
    _role("split time without parts", "result_time",
          '\nparts = ["year", "month", "day", "hour", "minute", "second"]', "",
          "[roles.result_time]", ".parts", "the order of its registers"),
    _role("part twice", "result_time", '"second"]', '"minute"]', "parts", ".parts",
          'names "minute" more than once'),
    _role("two years", "result_time", '"second"]', '"second", "year_from_2000"]', "parts",
          ".parts", 'one of "year" and "year_from_2000"'),
    _role("no day", "result_time", '"day", ', "", "parts", ".parts", 'lacks "day"'),
    _role("unknown part", "result_time", '"second"]', '"seconds"]', "parts", ".parts[5]",
          'not "seconds"'),
    _role("parts of a number", "phase", 'type = "uint16"', 'type = "uint16"\nparts = ["year"]',
          "parts", ".parts", 'belongs to type "split_time" only'),
    _role("phase without values", "phase",
          '\nvalues = { 0 = "idle", 3 = "heat", 5 = "purge" }', "", "[roles.phase]", ".values",
          "is missing; give what each number means"),
    _role("phase with no value at all", "phase", '{ 0 = "idle", 3 = "heat", 5 = "purge" }', "{}",
          "values", ".values", "is empty; give what each number means"),
    _role("unknown phase", "phase", '"purge"', '"purging"', "values", ".values.5",
          'must be one of "idle", "clean"'),
    _role("phase value no number", "phase", "5 =", "five =", "values", ".values.five",
          "the key 'five' must be a whole number"),
    _role("phase value that cannot be", "phase", "5 =", "70000 =", "values", ".values.70000",
          "a uint16 never holds 70000, only 0 to 65535"),
    _role("values elsewhere", "barometric_pressure", "scale = 0.1",
          'scale = 0.1\nvalues = { 0 = "idle" }', "values", ".values",
          "belongs to the role phase only"),
    Row("fault without bits", MAP,
        ((GOOD_MAP[GOOD_MAP.index("[roles.fault_bits.bits]") : GOOD_MAP.index("[roles.sample_t")],
          ""),), "[roles.fault_bits]", "roles.fault_bits.bits", "is missing; give the name"),
    _role("result bits elsewhere", "cell_pressure", 'type = "int16"',
          'type = "int16"\nof = "result"', "of =", ".of", "belongs to the role fault_bits only"),
    _role("bits elsewhere", "cell_pressure", 'type = "int16"',
          'type = "int16"\nbits = { 0 = { name = "low", category = "failure" } }', "bits",
          ".bits", "belongs to the role fault_bits only"),
    _map("fault bit beyond the register", '1 = { name = "sample', '16 = { name = "sample',
         "16 = {", "roles.fault_bits.bits.16", "a uint16 has the bits 0 to 15"),
    _map("fault bit beyond all", '1 = { name = "sample', '32 = { name = "sample', "32 = {",
         "roles.fault_bits.bits.32", "the key '32' must be a whole number from 0 to 31"),
    _map("fault name twice", '"sample_flow_low"', '"heater_fault"',
         '"heater_fault", category = "out', "roles.fault_bits.bits.1.name",
         "is the name of bit 0 already"),
    _map("fault name with capitals", '"heater_fault"', '"Heater fault"', "Heater",
         "roles.fault_bits.bits.0.name", "lower-case letters, digits and underscores"),
    _map("unknown category", 'category = "failure"', 'category = "broken"', "broken",
         "roles.fault_bits.bits.0.category", 'not "broken"'),
    _map("fault that is fine", 'category = "failure"', 'category = "ok"', '"ok"',
         "roles.fault_bits.bits.0.category", 'must be one of "failure"'),
    _role("no unit", "flash_point", '\nunit = "degC"', "", "[roles.flash_point]", ".unit",
          'is missing; give one of "degC", "degF", "K"'),
    _role("unit of something else", "flash_point", 'unit = "degC"', 'unit = "kPa"', "unit",
          ".unit", '"kPa" is no unit of a temperature: must be one of "degC", "degF", "K"'),
    _role("unit nobody knows", "cell_pressure", '"kPa"', '"kpa"', "unit", ".unit",
          '"kpa" is no unit of a pressure'),
    _role("time without unit", "recent_time", '\nunit = "epoch_s"', "", "[roles.recent_time]",
          ".unit", 'give one of "epoch_s", "epoch_ms"'),
    _role("unit of a counter", "cycle_number", "first = 1", 'first = 1\nunit = "s"', "unit",
          ".unit", "cycle_number has no unit"),
    _role("count of a single value", "cell_pressure", 'unit = "kPa"', 'unit = "kPa"\ncount = 4',
          "count", ".count", "cell_pressure is a single value"),
    _role("array without count", "trace_time", "\ncount = 512", "", "[roles.trace_time]",
          ".count", "is missing; say how many elements"),
    _role("arrays of two lengths", "trace_pressure", "count = 512", "count = 511", "count",
          ".count", "must be 512, as in trace_temperature, not 511"),
    _role("first array shorter", "trace_temperature", "count = 512", "count = 511", "count",
          ".count", "must be 512, as in trace_pressure, not 511"),
    _role("ring of two lengths", "recent_time", "count = 16", "count = 15", "count", ".count",
          "must be 16, as in recent_number, not 15"),
    _role("stride too short", "recent_flash_point", "stride = 8", "stride = 1", "stride",
          ".stride", "must be 2 or more, the registers of one element, not 1"),
    _role("stride of a single value", "cell_pressure", 'unit = "kPa"', 'unit = "kPa"\nstride = 4',
          "stride", ".stride", "distance between the elements of an array"),
    Row("trace without pressure", MAP,
        ((GOOD_MAP[GOOD_MAP.index("[roles.trace_p") : GOOD_MAP.index("[roles.recent_n")], ""),),
        "[roles.cycle_number]", "roles.trace_pressure", "trace_length is of no use without it"),
    Row("trace without time", MAP,
        ((GOOD_MAP[GOOD_MAP.index("[roles.trace_time") : GOOD_MAP.index("[roles.trace_temp")],
          ""),), "[roles.cycle_number]", "roles.trace_time", "or trace_interval"),
    _map("pulse without samples", "[roles.recent_number]", PULSE_INTERVAL + "[roles.recent_number]",
         "[roles.cycle_number]", "roles.pulse_pressure",
         "is missing; pulse_interval is of no use without it"),
    _map("pulse without interval", "[roles.recent_number]",
         PULSE_PRESSURE + "[roles.recent_number]", "[roles.cycle_number]", "roles.pulse_interval",
         "is missing; pulse_pressure is of no use without it"),
    _map("pulse without count", "[roles.recent_number]",
         PULSE_INTERVAL + PULSE_PRESSURE.replace("count = 64\n", "") + "[roles.recent_number]",
         "[roles.pulse_pressure]", "roles.pulse_pressure.count",
         "is missing; say how many elements the array has"),
    _map("interval of a pulse as an array", "[roles.recent_number]",
         PULSE_INTERVAL.replace("unit", "count = 8\nunit") + PULSE_PRESSURE
         + "[roles.recent_number]",
         "count = 8", "roles.pulse_interval.count",
         "pulse_interval is a single value: take this line out"),
    Row("ring without numbers", MAP,
        ((GOOD_MAP[GOOD_MAP.index("[roles.recent_n") : GOOD_MAP.index("[roles.recent_time")],
          ""),), "[roles.cycle_number]", "roles.recent_number",
        "recent_time is of no use without it"),
    _role("shifted by one register", "cell_pressure", 'address = 7\ntype = "int16"',
          'address = 9\ntype = "float32"', "address", ".address",
          "register 10 is part of flash_point already (registers 10 to 11)"),
    Row("value grown over its neighbours", MAP,
        (('type = "int16"\nscale = 0.01\noffset', 'type = "int64"\nscale = 0.01\noffset'),),
        "address = 7", "roles.cell_pressure.address",
        "register 7 is part of sample_temperature already (registers 6 to 9)"),
    _role("value inside a text", "recent_number", "address = 400", "address = 104", "address",
          ".address", "register 104 is part of stream already (registers 100 to 107)"),
    _role("fields of a ring run together", "recent_flash_point", "address = 404",
          "address = 403", "address", ".address", "register 403 is part of recent_time already"),
    _role("array inside an array", "trace_pressure", "address = 3001", "address = 2100",
          "address", ".address", "register 2100 is part of trace_temperature already"),
    _role("sentinel of a float in an integer", "sample_temperature", "[-32768]", '["nan"]',
          "unavailable", ".unavailable[0]", "an int16 never holds nan, only -32768 to 32767"),
    _role("sentinel too large", "sample_temperature", "[-32768]", "[-32768, 65536]",
          "unavailable", ".unavailable[1]", "never holds 65536"),
    _role("sentinel with a fraction", "sample_temperature", "[-32768]", "[-999.9]",
          "unavailable", ".unavailable[0]", "never holds -999.9"),
    _role("sentinel no float32 can be", "flash_point", "-9999]", "1e39]", "unavailable",
          ".unavailable[1]", "a float32 never holds 1e+39"),
    _role("sentinel of no kind", "flash_point", '"nan"', '"none"', "unavailable",
          ".unavailable[0]", 'must be a number or "nan", not "none"'),
    _role("sentinel nan without quotes", "flash_point", '"nan"', "nan", "unavailable",
          ".unavailable[0]", 'must be a number or "nan", not nan'),
    _role("sentinel of a text", "stream", "length = 8", "length = 8\nunavailable = [0]",
          "unavailable", ".unavailable", 'belongs to numbers, not to type "string"'),
    _role("scale of nothing", "sample_temperature", "scale = 0.01", "scale = 0", "scale",
          ".scale", "must not be 0"),
    _role("scaled text", "stream", "length = 8", "length = 8\nscale = 2", "scale", ".scale",
          "stream as string is taken as it is"),
    _role("shifted counter", "cycle_number", "first = 1", "first = 1\noffset = 5", "offset",
          ".offset", "cycle_number as uint32 is taken as it is"),
    _role("scaled bit", "ignition_seen", "bit = 0", "bit = 0\nscale = 2", "scale", ".scale",
          "ignition_seen as bool is taken as it is"),
    _role("wraps beyond the type", "cycle_number", "999999", "4294967296", "wraps_at",
          ".wraps_at", "must be at most 4294967295, the largest uint32"),
    _role("first not below the wrap", "cycle_number", "first = 1", "first = 999999", "first",
          ".first", "must be below the highest number (999999)"),
    _role("wrap of another role", "phase", 'type = "uint16"', 'type = "uint16"\nwraps_at = 9',
          "wraps_at", ".wraps_at", "belongs to the role cycle_number only"),
)  # fmt: skip

CROSS_ROWS = (
    Row("correction without a barometer", MAP,
        ((GOOD_MAP[GOOD_MAP.index("[roles.barometric") : GOOD_MAP.index("[roles.stream")], ""),),
        34, "analyzers[0].barometer_kpa", 'or correction = "none"', in_file=SITE),
    Row("recomputed without any trace", MAP,
        ((GOOD_MAP[GOOD_MAP.index("[roles.cell_p") : GOOD_MAP.index("[roles.barometric")], ""),
         (GOOD_MAP[GOOD_MAP.index("[roles.trace_l") : GOOD_MAP.index("[roles.recent_n")], "")),
        "basis", "analyzers[0].basis", '"recomputed" needs a trace', in_file=SITE),
)  # fmt: skip

ROWS = (*SITE_ROWS, *MAP_ROWS, *CROSS_ROWS)
