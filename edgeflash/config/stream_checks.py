"""Checks of what an analyzer measures: its streams, their products, its check sample."""

from __future__ import annotations

from collections.abc import Iterator

from edgeflash.config.expectations import nearest
from edgeflash.config.prediction_checks import prediction_problems
from edgeflash.config.problems import Problem, key_text
from edgeflash.config.site import Analyzer, RuleTuning, SiteFile
from edgeflash.config.toml_positions import KeyPath
from edgeflash.model import Role


def sample_problems(
    path: KeyPath, analyzer: Analyzer, file: SiteFile, roles: frozenset[Role]
) -> Iterator[Problem]:
    """What is wrong with what one analyzer measures. roles: of its map."""
    low_c, high_c = analyzer.inlet_low_c, analyzer.inlet_high_c
    if low_c is not None and high_c is not None and low_c >= high_c:
        why = f"must be below inlet_high_c ({high_c:g}), not {low_c:g}"
        yield Problem((*path, "inlet_low_c"), why, ((*path, "inlet_high_c"),))
    if analyzer.verification is not None:
        key: KeyPath = (*path, "verification", "reference_c")
        yield from in_range_problems(key, analyzer.verification.reference_c, path, analyzer)
    if analyzer.prediction is not None:
        yield from prediction_problems((*path, "prediction"), analyzer.prediction, file)
    yield from _stream_problems(path, analyzer, file, roles)


def in_range_problems(
    key: KeyPath, value_c: float | None, path: KeyPath, analyzer: Analyzer
) -> Iterator[Problem]:
    """A temperature that the analyzer cannot measure. path: of the analyzer's table."""
    low_c, high_c = analyzer.range_low_c, analyzer.range_high_c
    if value_c is not None and not low_c <= value_c <= high_c:
        why = f"must lie within the analyzer's range, {low_c:g} to {high_c:g}, not {value_c:g}"
        yield Problem(key, why, ((*path, "range_low_c"), (*path, "range_high_c")))


def product_problems(key: KeyPath, name: str | None, file: SiteFile) -> Iterator[Problem]:
    """A product that is not declared."""
    if name is not None and name not in file.products:
        why = f"there is no [products.{name}]{nearest(name, file.products)}"
        yield Problem(key, why, (("products", name),))


def tuning_problems(path: KeyPath, rules: dict[str, RuleTuning]) -> Iterator[Problem]:
    """A rule that is off without a reason. path: of the table that has `rules`."""
    for name, tuning in rules.items():
        if not tuning.enabled and not tuning.because.strip():
            why = f"is missing; say in one sentence why {name} is turned off here"
            rule: KeyPath = (*path, "rules", name)
            yield Problem((*rule, "because"), why, ((*rule, "enabled"),))


def _stream_problems(
    path: KeyPath, analyzer: Analyzer, file: SiteFile, roles: frozenset[Role]
) -> Iterator[Problem]:
    if analyzer.streams and Role.STREAM not in roles:
        why = "needs the role stream in the map: else nobody knows which stream is measured"
        yield Problem((*path, "streams"), why, ((*path, "map"),))
    seen: dict[int, int] = {}
    for place, stream in enumerate(analyzer.streams):
        one: KeyPath = (*path, "streams", place)
        if stream.number in seen:
            other: KeyPath = (*path, "streams", seen[stream.number])
            why = f"{stream.number} is {key_text(other)} already; each stream has its own"
            yield Problem((*one, "number"), why, ((*other, "number"),))
        seen.setdefault(stream.number, place)
        yield from product_problems((*one, "product"), stream.product, file)
        yield from in_range_problems((*one, "expected_c"), stream.expected_c, path, analyzer)
        if stream.prediction is not None:
            yield from prediction_problems((*one, "prediction"), stream.prediction, file)
        yield from tuning_problems(one, stream.rules)
