"""Product limits as data, with source and origin, and the decisions a limit allows. Pure.

A minimum that is "from memory" is a convenience: compare it with the specification you own. What
holds is your contract and the local code.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from enum import StrEnum

from edgeflash.config.site import Product
from edgeflash.errors import UsageError
from edgeflash.flash.method import FROM_MEMORY, READ_SECONDARY
from edgeflash.flash.methods import METHODS

DECISION_FACTOR = 0.59
"""ISO 4259-2: 1.645 / 2.77, as the standard prints it. One result, 95 %."""


class UnknownSpecificationError(UsageError):
    """A product names a specification that is not in the table."""

    def __init__(self, name: str) -> None:
        super().__init__(f"there is no specification '{name}'; `edgeflash products` lists them all")
        self.name = name


@dataclass(frozen=True, slots=True)
class Specification:
    """The flash point minimum of one grade. strict: the limit itself fails.

    method: id of the method that decides; others may be allowed beside it. origin: of the limit.
    """

    id: str
    grade: str
    minimum_c: float
    method: str
    source: str
    strict: bool = False
    edition: str = "edition not checked"
    origin: str = FROM_MEMORY

    @property
    def source_text(self) -> str:
        """Source, edition and origin in one line."""
        return f"{self.source}, {self.edition} ({self.origin})"


_D396, _D975, _ISO_8217 = "ASTM D396", "ASTM D975", "ISO 8217"

_ALL = (
    Specification("d975-1d", "diesel No. 1-D", 38.0, "d93-a", _D975),
    Specification("d975-2d", "diesel No. 2-D", 52.0, "d93-a", _D975),
    Specification("d975-4d", "diesel No. 4-D", 55.0, "d93-a", _D975),
    Specification("d7467", "diesel B6 to B20", 52.0, "d93-a", "ASTM D7467"),
    Specification("en-590", "diesel", 55.0, "iso-2719-a", "EN 590", strict=True),
    Specification("en-15940", "paraffinic diesel", 55.0, "iso-2719-a", "EN 15940", strict=True),
    Specification("d1655", "jet fuel A, A-1", 38.0, "d56", "ASTM D1655"),
    Specification(
        "defstan-91-091",
        "jet fuel A-1",
        38.0,
        "iso-13736",  # IP 170 is the referee; the same Abel cup (from memory)
        "DEF STAN 91-091",
        origin=READ_SECONDARY,
    ),
    Specification("d3699", "kerosine 1-K, 2-K", 38.0, "d56", "ASTM D3699"),
    Specification("d396-1", "fuel oil No. 1", 38.0, "d93-a", _D396),
    Specification("d396-2", "fuel oil No. 2", 38.0, "d93-a", _D396),
    Specification("d396-4-light", "fuel oil No. 4 (Light)", 38.0, "d93-a", _D396),
    Specification("d396-4", "fuel oil No. 4", 55.0, "d93-b-residual", _D396),
    Specification("d396-5", "fuel oil No. 5", 55.0, "d93-b-residual", _D396),
    Specification("d396-6", "fuel oil No. 6", 60.0, "d93-b-residual", _D396),
    Specification("iso-8217-distillate", "marine distillate", 60.0, "iso-2719-a", _ISO_8217),
    Specification("iso-8217-dmx", "marine distillate DMX", 43.0, "iso-2719-a", _ISO_8217),
    Specification("iso-8217-residual", "marine residual", 60.0, "iso-2719-b", _ISO_8217),
    Specification("solas", "fuel aboard ship", 60.0, "iso-2719-a", "SOLAS II-2 regulation 4"),
    Specification(
        "solas-emergency",
        "fuel of emergency generators",
        43.0,
        "iso-2719-a",
        "SOLAS II-2 regulation 4",
    ),
    # Alcohol control besides: methanol at most 0.2 %, or a flash point of 130 °C (from memory).
    Specification("d6751", "biodiesel B100", 93.0, "d93-c", "ASTM D6751"),
    Specification("en-14214", "FAME", 101.0, "iso-2719-c", "EN 14214"),
    Specification("jp-8", "military jet fuel JP-8", 38.0, "d56", "military specification"),
    Specification("jp-5", "military jet fuel JP-5", 60.0, "d93-a", "military specification"),
)

SPECIFICATIONS: Mapping[str, Specification] = {one.id: one for one in _ALL}
"""By our own ids, as the site file names them."""


def resolved(product: Product) -> Product:
    """The product with what its specification says where the site file says nothing.

    Raises UnknownSpecificationError.
    """
    if product.specification is None:
        return product
    specification = SPECIFICATIONS.get(product.specification)
    if specification is None:
        raise UnknownSpecificationError(product.specification)
    given = {
        "minimum_c": product.minimum_c,
        "strict_minimum": product.strict_minimum,
        "method": product.method,
        "source": product.source or None,
    }
    told = {
        "minimum_c": specification.minimum_c,
        "strict_minimum": specification.strict,
        "method": specification.method,
        "source": specification.source_text,
    }
    return product.model_copy(
        update={key: told[key] for key, value in given.items() if value is None}
    )


class Acceptance(StrEnum):
    """What one single result proves against a minimum (ISO 4259-2)."""

    SUPPLIER_SURE = "supplier sure"
    UNPROVEN = "unproven"
    RECIPIENT_MAY_REJECT = "recipient may reject"


@dataclass(frozen=True, slots=True)
class DecisionLimits:
    """A result below reject_below_c fails for sure; one at or above sure_from_c is sure to meet."""

    reject_below_c: float
    sure_from_c: float

    def of(self, value_c: float) -> Acceptance:
        """What a result proves."""
        if value_c < self.reject_below_c:
            return Acceptance.RECIPIENT_MAY_REJECT
        if value_c >= self.sure_from_c:
            return Acceptance.SUPPLIER_SURE
        return Acceptance.UNPROVEN


def decision_limits(minimum_c: float, reproducibility_c: float) -> DecisionLimits:
    """Between which results neither side has proven its case; R is that at the limit.

    minimum ∓ 0.59·R. The recipient's side is read in excerpts of ISO 4259-2; the supplier's side
    mirrors it (from memory).
    """
    half_c = DECISION_FACTOR * reproducibility_c
    return DecisionLimits(minimum_c - half_c, minimum_c + half_c)


def decision_limits_of(specification: Specification) -> DecisionLimits | None:
    """The same for a specification and its method; None where R is not known at the limit."""
    r_c = METHODS[specification.method].reproducibility_c(specification.minimum_c)
    return None if r_c is None else decision_limits(specification.minimum_c, r_c)
