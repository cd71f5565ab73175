"""Which holds give way when units are wanted elsewhere, and who is told."""

from collections.abc import Iterable

from service.core.units import Claim, most_needed, units_needed
from service.operations.copies import copies_short
from service.operations.holds import (
    BY_HAND,
    IN_TRAY,
    claim_of,
    release_holds,
    tell_case,
    update_held,
)
from service.operations.planner import planner_of
from service.operations.unit import Unit
from service.storage.queries import holds
from service.storage.tables import Hold, SurgicalCase

__all__ = ["fits", "give_up", "make_room", "redate"]


def give_up(unit: Unit, lost: Iterable[Hold], why: str) -> list[SurgicalCase]:
    """Release holds and tell their cases; gives the cases."""
    gone = list(lost)
    release_holds(unit, gone, why)
    losers = [unit.session.get_one(SurgicalCase, hold.case_id) for hold in gone]
    unique = list({case.id: case for case in losers}.values())
    for case in unique:
        tell_case(unit, case, "lost a pack", why)
    return unique


def fits(unit: Unit, lot_id: int, location_id: int, new: Claim | None = None) -> bool:
    """Tell whether there are units enough for every hold in one place, and for a new claim."""
    there = planner_of(unit).quantity_at(lot_id, location_id)
    return most_needed(_claims(unit, lot_id, location_id, new)) <= there


def make_room(  # noqa: PLR0917 - whose units, where, what for
    unit: Unit, case: SurgicalCase, lot_id: int, location_id: int, why: str, new: Claim | None
) -> list[SurgicalCase]:
    """Release other cases' holds until there are units enough: the last list day's go first.

    Returns
    -------
    list of SurgicalCase
        The cases that lost something, each once; they have been told.
    """
    there = planner_of(unit).quantity_at(lot_id, location_id)
    losing: list[Hold] = []
    for hold, other, _ in reversed(holds.of_units(unit.session, lot_id, location_id)):
        claims = _claims(unit, lot_id, location_id, new, without=losing)
        if most_needed(claims) <= there:
            break
        if other.id != case.id and not hold.is_set and _in_the_way(hold, claims, there):
            losing.append(hold)
    return give_up(unit, losing, why)


def redate(unit: Unit, case: SurgicalCase) -> list[SurgicalCase]:
    """Bring what a case keeps, on its tray or by hand, to its list day and time.

    Units on its tray are its own: whoever counted on them in between gives way. What was promised
    by hand and is others' on the new day is given up instead.

    Returns
    -------
    list of SurgicalCase
        The cases that lost something; they have been told.
    """
    day = unit.local(case.starts_at).date()
    losers: list[SurgicalCase] = []
    for hold in planner_of(unit).holds_in_force(case_id=case.id):
        if hold.role not in {IN_TRAY, BY_HAND} or (hold.list_id, hold.from_at) == (
            case.list_id,
            case.starts_at,
        ):
            continue
        hold.until_at = case.starts_at + (hold.until_at - hold.from_at)
        hold.from_at, hold.list_date, hold.list_id = case.starts_at, day, case.list_id
        hold.share_group = None
        unit.session.flush()
        losers += _settle_in(unit, case, hold)
    return list({loser.id: loser for loser in losers}.values())


def _settle_in(unit: Unit, case: SurgicalCase, hold: Hold) -> list[SurgicalCase]:
    lot_id, place, why = hold.lot_id, hold.location_id, f"case {case.reference} was moved"
    if hold.is_set:
        short = copies_short(unit, lot_id, place, own=case.id)
        return give_up(unit, [one for one in short if one.case_id != case.id], why)
    if hold.role == BY_HAND and not fits(unit, lot_id, place):
        release_holds(unit, [hold], "its units are others' on the new day")
        tell_case(unit, case, "lost a pack", "units promised by hand are others' on the new day")
        return []
    losers = make_room(unit, case, lot_id, place, why, None)
    update_held(unit, [(lot_id, place)])
    return losers


def _claims(
    unit: Unit, lot_id: int, location_id: int, new: Claim | None, without: Iterable[Hold] = ()
) -> list[Claim]:
    gone = {hold.id for hold in without}
    rows = planner_of(unit).holds_in_force(lot_id=lot_id, location_id=location_id, is_set=False)
    claims = [claim_of(hold) for hold in rows if hold.id not in gone]
    return claims if new is None else [*claims, new]


def _in_the_way(hold: Hold, claims: Iterable[Claim], there: int) -> bool:
    """Tell whether a hold counts on a day on which there are too few units."""
    all_claims = list(claims)
    days = {claim.list_date for claim in all_claims if claim.list_date >= hold.list_date}
    return any(
        units_needed(all_claims, day) > there for day in days if hold.stays or day == hold.list_date
    )
