"""An order as it goes out, without anything of where it is kept."""

from dataclasses import dataclass, field
from datetime import date


@dataclass(frozen=True, slots=True)
class Party:
    """Who orders, or who delivers; what is not known is empty.

    Parameters
    ----------
    endpoint_id, endpoint_scheme
        Electronic address and the code of its scheme (list Electronic Address Scheme).
    country
        ISO 3166-1, two letters.
    """

    name: str
    endpoint_id: str = ""
    endpoint_scheme: str = ""
    country: str = ""


@dataclass(frozen=True, slots=True)
class PaperUse:
    """Consigned units that were used in a case, which a bill-only line pays for."""

    lot: str
    serial: str
    quantity: int
    case: str


@dataclass(frozen=True, slots=True)
class PaperLine:
    """Units of one item; a price in minor units, ``None`` where it is not known."""

    ref: str
    gtin: str | None
    description: str
    quantity: int
    pack_quantity: int
    unit_price_minor: int | None
    due: date | None
    uses: tuple[PaperUse, ...] = field(default=())


@dataclass(frozen=True, slots=True)
class OrderPaper:
    """One order; ``issued`` is the day it was sent, or ``None`` for what has not been sent."""

    reference: str
    kind: str
    issued: date | None
    currency: str | None
    buyer: Party
    seller: Party
    lines: tuple[PaperLine, ...]
    note: str = ""
    return_by: date | None = None
