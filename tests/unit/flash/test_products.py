"""Product limits and what one result proves against them."""

from __future__ import annotations

import pytest

from edgeflash.config.site import Product
from edgeflash.errors import UsageError
from edgeflash.flash.method import FROM_MEMORY, READ_SECONDARY
from edgeflash.flash.methods import METHODS
from edgeflash.flash.products import (
    SPECIFICATIONS,
    Acceptance,
    UnknownSpecificationError,
    decision_limits,
    decision_limits_of,
    resolved,
)

LIMITS = {
    # id: minimum °C, the limit itself fails, method. All from memory but DEF STAN 91-091.
    "d975-1d": (38.0, False, "d93-a"),
    "d975-2d": (52.0, False, "d93-a"),
    "d975-4d": (55.0, False, "d93-a"),
    "d7467": (52.0, False, "d93-a"),
    "en-590": (55.0, True, "iso-2719-a"),
    "en-15940": (55.0, True, "iso-2719-a"),
    "d1655": (38.0, False, "d56"),
    "defstan-91-091": (38.0, False, "iso-13736"),
    "d3699": (38.0, False, "d56"),
    "d396-1": (38.0, False, "d93-a"),
    "d396-2": (38.0, False, "d93-a"),
    "d396-4-light": (38.0, False, "d93-a"),
    "d396-4": (55.0, False, "d93-b-residual"),
    "d396-5": (55.0, False, "d93-b-residual"),
    "d396-6": (60.0, False, "d93-b-residual"),
    "iso-8217-distillate": (60.0, False, "iso-2719-a"),
    "iso-8217-dmx": (43.0, False, "iso-2719-a"),
    "iso-8217-residual": (60.0, False, "iso-2719-b"),
    "solas": (60.0, False, "iso-2719-a"),
    "solas-emergency": (43.0, False, "iso-2719-a"),
    "d6751": (93.0, False, "d93-c"),
    "en-14214": (101.0, False, "iso-2719-c"),
    "jp-8": (38.0, False, "d56"),
    "jp-5": (60.0, False, "d93-a"),
}


def test_the_limits() -> None:
    """Each specification's minimum, whether it is exclusive, and its method."""
    assert {
        key: (one.minimum_c, one.strict, one.method) for key, one in SPECIFICATIONS.items()
    } == LIMITS
    assert all(one.id == key and one.method in METHODS for key, one in SPECIFICATIONS.items())


def test_the_origin_of_each_limit_is_told() -> None:
    """Only one was found in print, and that at second hand."""
    origins = {key: one.origin for key, one in SPECIFICATIONS.items()}
    assert origins.pop("defstan-91-091") == READ_SECONDARY
    assert set(origins.values()) == {FROM_MEMORY}
    assert SPECIFICATIONS["en-590"].source_text == "EN 590, edition not checked (from memory)"


def test_a_specification_fills_what_the_site_leaves_out() -> None:
    """Limit, exclusiveness, method and source."""
    product = resolved(Product(specification="en-590", sd_c=0.8, number=7))
    assert (product.minimum_c, product.strict_minimum, product.method) == (55.0, True, "iso-2719-a")
    assert product.source == "EN 590, edition not checked (from memory)"
    assert (product.sd_c, product.number, product.specification) == (0.8, 7, "en-590")


def test_the_site_has_the_last_word() -> None:
    """What stands in the site file stays."""
    own = Product(
        specification="en-590",
        minimum_c=58.0,
        strict_minimum=False,
        method="d93-a",
        source="contract",
    )
    assert resolved(own) == own
    partly = resolved(Product(specification="en-590", minimum_c=58.0))
    assert (partly.minimum_c, partly.strict_minimum) == (58.0, True)


def test_without_a_specification_nothing_is_added() -> None:
    """Nothing is guessed."""
    product = Product(minimum_c=61.0)
    assert resolved(product) is product
    assert resolved(Product()).minimum_c is None


def test_an_unknown_specification_is_refused() -> None:
    """Never silently without a limit."""
    with pytest.raises(UnknownSpecificationError, match="no specification 'en-591'") as caught:
        resolved(Product(specification="en-591"))
    assert isinstance(caught.value, UsageError)
    assert caught.value.name == "en-591"


@pytest.mark.parametrize(
    ("specification", "reject_below_c", "sure_from_c"),
    [
        # ISO 4259-2: limit ∓ 0.59·R at the limit; hand arithmetic on R (from memory).
        ("d975-1d", 36.41, 39.59),
        ("d975-2d", 49.82, 54.18),
        ("en-590", 52.70, 57.30),
        ("iso-8217-distillate", 57.49, 62.51),
        ("iso-8217-residual", 56.46, 63.54),
    ],
)
def test_decision_limits(specification: str, reject_below_c: float, sure_from_c: float) -> None:
    """The worked values."""
    limits = decision_limits_of(SPECIFICATIONS[specification])
    assert limits is not None
    assert limits.reject_below_c == pytest.approx(reject_below_c, abs=0.0051)
    assert limits.sure_from_c == pytest.approx(sure_from_c, abs=0.0051)


def test_every_specification_has_its_decision_limits() -> None:
    """R is known at every limit of the table."""
    assert all(decision_limits_of(one) is not None for one in SPECIFICATIONS.values())


@pytest.mark.parametrize(
    ("value_c", "proves"),
    [
        (56.45, Acceptance.RECIPIENT_MAY_REJECT),
        (56.46, Acceptance.UNPROVEN),
        (60.0, Acceptance.UNPROVEN),
        (63.53, Acceptance.UNPROVEN),
        (63.54, Acceptance.SUPPLIER_SURE),
    ],
)
def test_what_one_result_proves(value_c: float, proves: Acceptance) -> None:
    """ISO 4259-2: reject only below, sure at or above; residual fuel, 60 °C, R = 6."""
    assert decision_limits(60.0, 6.0).of(value_c) is proves
