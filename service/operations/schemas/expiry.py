"""What expires, what it is worth and where it could still be used."""

from datetime import date

from service.operations.schemas.base import Out

__all__ = ["ExpiringOut", "ExpiringUnits", "FirstUse", "Worth"]


class FirstUse(Out):
    """The first coming case that could take the units."""

    case: str
    list_date: date
    theatre: str
    label: str


class ExpiringUnits(Out):
    """Units of one lot at one place; ``value_minor`` is ``None`` where no price is known."""

    ref: str
    description: str
    lot: str
    serial: str
    use_by: date
    days_left: int
    is_expired: bool
    ownership: str
    store: str
    shelf: str
    location_kind: str
    quantity: int
    held: int
    unit_price_minor: int | None
    value_minor: int | None
    currency: str | None
    first_use: FirstUse | None


class Worth(Out):
    """What units with a known price are worth, in one currency."""

    currency: str
    value_minor: int


class ExpiringOut(Out):
    """Everything that expires within some days, what has expired already first."""

    today: date
    days: int
    until: date
    units: list[ExpiringUnits]
    worth: list[Worth]
    without_price: int
