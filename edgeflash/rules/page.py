"""The rule catalogue as a page of the documentation. Pure.

To refresh the page: `python -m edgeflash.rules.page > docs/rules.md`.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence

from edgeflash.model import Severity
from edgeflash.rules.catalogue import RULES, VERSION
from edgeflash.rules.rule import Family, Rule, TraceUse
from edgeflash.trust import Quality

_ALWAYS = ", ".join(f"`{rule.name}`" for rule in RULES if rule.always)

_INTRODUCTION = f"""\
# Rules

Catalogue version {VERSION}. Made from the catalogue in the code; do not edit by hand. Refresh with
`python -m edgeflash.rules.page > docs/rules.md`.

A **cycle rule** looks at one finished cycle. What it finds is recorded with the cycle, and the
worst finding is the verdict: a *note* leaves the cycle accepted, a *doubt* makes it doubtful, a
*reject* makes it rejected. A **present rule** looks at this moment (link, silence, maintenance); it
judges no cycle, but what it finds changes what is published while it lasts.

The code is the number in the point `reason_code`. Codes are never used again. How the qualities
are spelled in each outlet: [quality table](points.md#quality).

What a finding does to the published flash point:

- A doubtful cycle shows its own value with the quality under *Doubtful value*.
- After a rejected cycle the last accepted value is held as
  {Quality.LAST_USABLE.value.opcua_name} until `hold_s` after that value was made; then there is no
  value, with the quality under *No value*. With `on_reject = "bad"` there is no value at once.
- While a present rule speaks, the value is held with the quality under *Held value*, for as long
  and then as above. Its reason goes before that of a cycle; of several, the lowest code counts.

The site file can change every parameter for one analyzer, lower the severity of a rule, or switch
the rule off with a reason. Always in force: {_ALWAYS}.
"""

_FAMILIES = {
    Family.SIGNAL: "Signal: can the reading itself be trusted?",
    Family.CYCLE: "Cycle: is this a complete, new, ordinary measurement of the product?",
    Family.IGNITION: "Ignition: was there a flash, and does the reported temperature belong to it?",
    Family.TEMPERATURE: "Temperature: was the sample heated as planned, within the range?",
    Family.FLUIDS: "Fluids: sample, air, and the transducer that watches the cell",
    Family.PROCESS: "Process: does the value fit what came before it?",
    Family.PROOF: "Proof: do the check samples still prove the analyzer?",
}


def markdown_table(header: Sequence[str], body: Iterable[Sequence[str]]) -> str:
    """A Markdown table; a bar or line break in a cell cannot break out of it."""
    lines = [header, ["---"] * len(header), *body]
    cells = ([c.replace("|", "\\|").replace("\n", " ") for c in line] for line in lines)
    return "\n".join(f"| {' | '.join(line)} |" for line in cells)


def rules_page(rules: Sequence[Rule] = RULES) -> str:
    """The whole page, with a line feed at its end."""
    return "\n\n".join(_parts(rules)) + "\n"


def _parts(rules: Sequence[Rule]) -> Iterator[str]:
    yield _INTRODUCTION.strip()
    yield "## All rules"
    yield markdown_table(
        ("Code", "Rule", "What it says", "Looks at", "Worst"),
        (
            (str(r.code), f"[{r.name}](#{_anchor(r)})", r.sentence, _looks_at(r), r.severity.value)
            for r in rules
        ),
    )
    for family, title in _FAMILIES.items():
        own = [r for r in rules if r.family is family]
        if own:
            yield f"## {title}"
        for rule in own:
            yield from _rule_parts(rule)


def _anchor(rule: Rule) -> str:
    """The name that Markdown readers give to the rule's heading."""
    return f"{rule.code}-{rule.name}"


def _looks_at(rule: Rule) -> str:
    return "cycle" if rule.on_cycle is not None else "present"


def _rule_parts(rule: Rule) -> Iterator[str]:
    yield f"### {rule.code} {rule.name}"
    yield rule.sentence
    facts = [
        f"Looks at: {_looks_at(rule)}",
        f"Worst severity: {rule.severity.value}",
        f"NE 107 category: {rule.category.value.replace('_', ' ')}",
        f"Needs: {_needs(rule)}",
    ]
    if rule.severity is not Severity.NOTE:
        shown = "Doubtful value" if rule.on_cycle is not None else "Held value"
        facts += [
            f"{shown}: {_quality(rule.shown_as)}",
            f"No value: {_quality(rule.without_value)}",
        ]
    if rule.always:
        facts.append(f"Always in force: {rule.always}")
    if rule.low_flash:
        facts.append(
            "Evidence of a possible low flash point: raises the alarm, whatever the verdict"
        )
    yield "\n".join(f"- {fact}" for fact in facts)
    if rule.parameters:
        yield markdown_table(
            ("Parameter", "Default", "Unit", "Meaning", "Where the default comes from"),
            (
                (f"`{p.name}`", f"{p.default:g}", p.unit, p.meaning, p.origin)
                for p in rule.parameters
            ),
        )


def _needs(rule: Rule) -> str:
    roles = ", ".join(f"`{role.value}`" for role in rule.needs)
    match rule.trace:
        case TraceUse.NEEDED:
            roles = f"{roles}, a trace" if roles else "a trace"
        case TraceUse.INSTEAD:
            roles = f"{roles}, or a trace"
    keys = ", ".join(f"`{key}`" for key in rule.keys)
    needed = [*([roles] if roles else []), *([f"{keys} in the site file"] if keys else [])]
    return "; ".join(needed) or "nothing beyond the required roles"


def _quality(quality: Quality) -> str:
    return f"{quality.value.opcua_name} ({quality.value.modbus} in Modbus)"


if __name__ == "__main__":
    print(rules_page(), end="")
