"""What expires soon, what it is worth, and the first coming case that could use it."""

from collections import defaultdict
from collections.abc import Iterator, Mapping, Sequence
from datetime import timedelta
from typing import Any

from sqlalchemy import Row

from service.core.requirements import Line
from service.core.units import Claim, StockUnits, unusable_reason
from service.operations.planner import planner_of
from service.operations.preparing import Prepared, prepare
from service.operations.schemas.expiry import ExpiringOut, ExpiringUnits, FirstUse, Worth
from service.operations.stock_units import units_of
from service.operations.unit import Unit
from service.storage.queries import expiry

__all__ = ["expiring"]

#: How far ahead lists are looked through for a case that could use what expires.
_DAYS_OF_LISTS = 14


def expiring(unit: Unit, days: int) -> ExpiringOut:
    """Give what expires within some days of the site's date, already expired first.

    Parameters
    ----------
    days
        0 to some thousands; a lot whose last day is ``days`` from today is still in.
    """
    until = unit.today + timedelta(days=days)
    rows = expiry.expiring(unit.session, unit.site_id, until)
    chances = _chances(unit) if rows else {}
    blocked = planner_of(unit).recalled
    claims = _claims(unit) if rows else {}
    units = [_out(unit, row, _first_use(units_of(row, blocked), chances, claims)) for row in rows]
    worth: dict[str, int] = defaultdict(int)
    for one in units:
        if one.value_minor is not None and one.currency is not None:
            worth[one.currency] += one.value_minor
    return ExpiringOut(
        today=unit.today,
        days=days,
        until=until,
        units=units,
        worth=[Worth(currency=name, value_minor=sum_) for name, sum_ in sorted(worth.items())],
        without_price=sum(one.quantity for one in units if one.value_minor is None),
    )


def _chances(unit: Unit) -> dict[str, list[FirstUse]]:
    """Give the coming cases that could take an item, by its REF, in order of start."""
    last = unit.today + timedelta(days=_DAYS_OF_LISTS)
    found: dict[str, list[FirstUse]] = defaultdict(list)
    for one in prepare(unit, last):
        labels: dict[str, str] = {}
        for line in _lines(one):
            for ref in line.refs:
                labels.setdefault(ref, line.label)
        for ref, label in labels.items():
            found[ref].append(
                FirstUse(
                    case=one.row.reference,
                    list_date=one.operating_list.list_date,
                    theatre=one.operating_list.theatre,
                    label=label,
                )
            )
    return found


def _lines(one: Prepared) -> Iterator[Line]:
    if one.case is not None:
        for construct in one.case.constructs:
            yield from construct.lines
        yield from one.case.near


def _claims(unit: Unit) -> dict[str, list[Claim]]:
    """Give the promises in force by units; sets are away for spans of time and left out."""
    found: dict[str, list[Claim]] = defaultdict(list)
    for claim in planner_of(unit).claims:
        if not claim.is_set:
            found[claim.key].append(claim)
    return found


def _out(unit: Unit, row: Row[Any], first_use: FirstUse | None) -> ExpiringUnits:
    price, currency = row.unit_price_minor, row.currency
    # An amount without its currency is no value, and an unknown price is not zero.
    value = None if price is None or currency is None else price * row.quantity
    facts = {
        **row._asdict(),
        "lot": row.lot_number,
        "days_left": (row.use_by - unit.today).days,
        "is_expired": row.use_by < unit.today,
        "value_minor": value,
        "first_use": first_use,
    }
    return ExpiringUnits.model_validate(facts)


def _first_use(
    units: StockUnits,
    chances: Mapping[str, Sequence[FirstUse]],
    claims: Mapping[str, Sequence[Claim]],
) -> FirstUse | None:
    """Give the first case the units count for, and are not all promised to others on its day."""
    own = claims.get(units.key, ())
    return next(
        (
            one
            for one in chances.get(units.ref, ())
            if unusable_reason(units, one.list_date, case=one.case, claims=own) is None
        ),
        None,
    )
