"""Which holds give way when units are wanted elsewhere, and who is told."""

from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import replace
from datetime import timedelta
from typing import Any

from service.core.cover.pick_list import PickRow, pick_rows
from service.core.cover.shelf import assign_units
from service.core.cover.units import Claim, most_needed, units_needed
from service.errors import Taken
from service.operations.cases.lookup import OPEN_STATUSES
from service.operations.cover.requirements import check_requirements
from service.operations.holds.holds import (
    claim_of,
    held_needed,
    hold_cases,
    key_of,
    part_of,
    ready_cases,
    release_holds,
    tell_case,
    update_held,
)
from service.operations.holds.sets import leaving_copy_holds, unserved_copy_holds
from service.operations.planner import planner_of
from service.operations.work import Unit
from service.storage.queries import holds, stock
from service.storage.tables import BY_HAND, IN_TRAY, Hold, Item, Location, Lot, SurgicalCase


def release_and_notify(unit: Unit, lost: Iterable[Hold], why: str) -> list[SurgicalCase]:
    """Release holds and tell their cases; gives the cases."""
    gone = list(lost)
    release_holds(unit, gone, why)
    losers = [unit.session.get_one(SurgicalCase, hold.case_id) for hold in gone]
    unique = list({case.id: case for case in losers}.values())
    for case in unique:
        tell_case(unit, case, "lost a pack", why)
    return unique


def claim_fits(unit: Unit, lot_id: int, location_id: int, new: Claim | None = None) -> bool:
    """Tell whether there are units enough for every hold in one place, and for a new claim."""
    there = planner_of(unit).quantity_at(lot_id, location_id)
    return most_needed(_claims(unit, lot_id, location_id, new)) <= there


def release_conflicting_holds(  # noqa: PLR0917 - whose units, where, what for
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
        if (
            other.id != case.id
            and not hold.is_set
            and _in_the_way(_claim(unit, hold), claims, there)
        ):
            losing.append(hold)
    return release_and_notify(unit, losing, why)


def update_kept_holds(unit: Unit, case: SurgicalCase) -> list[SurgicalCase]:
    """Bring what a case keeps, on its tray or by hand, to its list day and time and to its plan.

    Units on its tray are its own: whoever counted on them in between gives way. What was promised
    by hand and is others' on the new day is given up instead.

    Returns
    -------
    list of SurgicalCase
        The cases that lost something; they have been told.
    """
    day = unit.local(case.starts_at).date()
    losers: list[SurgicalCase] = []
    changed = _count_as_planned(unit, case)
    for hold in planner_of(unit).holds_in_force(case_id=case.id):
        if hold.role not in {IN_TRAY, BY_HAND}:
            continue
        until = case.ends_at + _turnaround(unit, hold)
        then = (case.list_id, case.starts_at, until)
        is_moved = (hold.list_id, hold.from_at) != then[:2]
        if (hold.list_id, hold.from_at, hold.until_at) == then and hold.id not in changed:
            continue
        if unit.session.get_one(Location, hold.location_id).kind == "reprocessing":
            # It has been opened: when it is sterile again does not hang on the case any more.
            continue
        hold.from_at, hold.until_at = case.starts_at, until
        hold.list_date, hold.list_id = day, case.list_id
        hold.share_group = None
        unit.session.flush()
        why = "was moved" if is_moved else "was planned with packs already on its tray"
        losers += _settle_in(unit, case, hold, f"case {case.reference} {why}")
    return list({loser.id: loser for loser in losers}.values())


def _count_as_planned(unit: Unit, case: SurgicalCase) -> set[int | None]:
    """Have the holds on a case's tray say what its plan does with them; gives those that changed.

    Packs that are planned for first use are gone, planned sets are opened; what stands by goes
    back as it is. What no line asks for stays as it was.
    """
    kept = [
        hold
        for hold in planner_of(unit).holds_in_force(case_id=case.id, role=IN_TRAY)
        if unit.session.get_one(Location, hold.location_id).kind == "theatre"
    ]
    if not kept:
        return set()
    # What lies on the tray may be used for good, whatever it was brought for.
    claims = [
        replace(claim, stays=not claim.is_set, share_group=None)
        if claim.on_tray and claim.case == case.reference
        else claim
        for claim in planner_of(unit).claims
    ]
    checked = check_requirements(unit, ready_cases(unit, [case]), claims)
    rows = {row.parcel.key: row for one in checked.values() for row in pick_rows(one)}
    changed: set[int | None] = set()
    for key in {key_of(hold) for hold in kept} & rows.keys():
        own = [hold for hold in kept if key_of(hold) == key]
        # What a case that has begun was to use may have been opened.
        changed |= _use_as_planned(unit, own, rows[key], has_begun=case.status == "in_theatre")
    return changed


def _use_as_planned(
    unit: Unit, own: Sequence[Hold], row: PickRow, *, has_begun: bool
) -> set[int | None]:
    """Divide holds on units of one parcel into what is used for good and what stands by."""
    left = {True: row.for_good, False: row.quantity - row.for_good}
    changed = set()
    for hold in sorted(own, key=_is_for_good, reverse=True):
        rest = hold.quantity
        for for_good in (True, False):
            number = min(left[for_good], rest)
            left[for_good] -= number
            rest -= number
            if number and for_good != _is_for_good(hold) and (for_good or not has_begun):
                part = part_of(unit, hold, number)
                part.stays, part.is_opened = for_good and not part.is_set, for_good and part.is_set
                changed.add(part.id)
    return changed


def _is_for_good(hold: Hold) -> bool:
    return hold.is_opened if hold.is_set else hold.stays


def _turnaround(unit: Unit, hold: Hold) -> timedelta:
    """Return how long an opened set is away after its case; nothing for anything else."""
    if not hold.is_opened:
        return timedelta()
    item_id = unit.session.get_one(Lot, hold.lot_id).item_id
    return timedelta(minutes=unit.session.get_one(Item, item_id).turnaround_minutes or 0)


def release_before_tray(
    unit: Unit, case: SurgicalCase, lot_id: int, location_id: int, why: str
) -> list[SurgicalCase]:
    """Release holds on units on a case's tray that begin before the case has done with them.

    What lies on a tray serves others when it is back from there: a case that goes first has to
    have another, or the two would wait for each other.

    Returns
    -------
    list of SurgicalCase
        The cases that lost something; they have been told.
    """
    if unit.session.get_one(Location, location_id).kind != "theatre":
        return []
    rows = planner_of(unit).holds_in_force(lot_id=lot_id, location_id=location_id)
    back = max((hold.until_at for hold in rows if hold.case_id == case.id), default=unit.now)
    early = [hold for hold in rows if hold.case_id != case.id and hold.from_at < back]
    return release_and_notify(unit, early, why)


def _settle_in(unit: Unit, case: SurgicalCase, hold: Hold, why: str) -> list[SurgicalCase]:
    lot_id, place = hold.lot_id, hold.location_id
    early = release_before_tray(unit, case, lot_id, place, why)
    if hold.is_set:
        short = unserved_copy_holds(unit, lot_id, place, own=case.id)
        others = [one for one in short if one.case_id != case.id]
        return [*early, *release_and_notify(unit, others, why)]
    if hold.role == BY_HAND and not claim_fits(unit, lot_id, place):
        release_holds(unit, [hold], "its units are reserved for other cases on the new day")
        tell_case(
            unit,
            case,
            "lost a pack",
            "units reserved by hand are reserved for other cases on the new day",
        )
        return []
    losers = release_conflicting_holds(unit, case, lot_id, place, why, None)
    update_held(unit, [(lot_id, place)])
    return [*early, *losers]


def _claims(
    unit: Unit, lot_id: int, location_id: int, new: Claim | None, without: Iterable[Hold] = ()
) -> list[Claim]:
    gone = {hold.id for hold in without}
    rows = planner_of(unit).holds_in_force(lot_id=lot_id, location_id=location_id, is_set=False)
    claims = [_claim(unit, hold) for hold in rows if hold.id not in gone]
    return claims if new is None else [*claims, new]


def _claim(unit: Unit, hold: Hold) -> Claim:
    """Return a hold as it is today: a case that is still open keeps what it has."""
    return claim_of(hold, unit.zone, planner_of(unit).used_on(hold.list_date))


def _in_the_way(held: Claim, claims: Sequence[Claim], there: int) -> bool:
    """Tell whether a hold counts on a day on which there are too few units."""
    days = {claim.list_date for claim in claims}
    return any(units_needed(claims, day) > there for day in days if held.needs_units_on(day))


def move_with_holds(
    unit: Unit,
    movement: dict[str, Any],
    *,
    follow: bool,
    own: int | None = None,
    role: str | None = None,
    why: str | None = None,
) -> list[str]:
    """Write one movement to the ledger; holds follow the units, or are released.

    Parameters
    ----------
    movement
        Columns of the ledger's line.
    follow
        Whether holds go with the units; otherwise those on the units that leave are released.
    own
        The case whose units leave first; then, as without one, go those that are promised least.
    role
        What the case's own holds that go with its units are from then on.
    why
        What cases that lose a hold are told; the movement's reason without it.

    Returns
    -------
    list of str
        The cases that lost a hold, in order of start; other units have been looked for.
    """
    lot_id, quantity = movement["lot_id"], movement["quantity"]
    origin, target = movement.get("from_location_id"), movement.get("to_location_id")
    losers: list[SurgicalCase] = []
    why = why or str(movement["reason"] or movement["kind"])
    if origin is not None:
        leaving = _leaving(unit, lot_id, origin, quantity, own)
        if follow and target is not None:
            _relocate(leaving, target, own, role)
        else:
            losers = release_and_notify(unit, leaving, why)
    places = [place for place in (origin, target) if place is not None]
    held = held_needed(unit, [(lot_id, place) for place in places])
    stock.post_movements(unit.session, [movement], held)
    if origin is not None:
        copies = leaving_copy_holds(unit, movement)
        if follow and target is not None:
            _relocate(copies, target, own, role)
            copies = unserved_copy_holds(unit, lot_id, target, own=movement.get("case_id"))
            losers += release_and_notify(unit, copies, why)
        else:
            losers += release_and_notify(unit, copies, why)
    return rehold_cases(unit, losers)


def _relocate(leaving: list[Hold], target: int, own: int | None, role: str | None) -> None:
    for hold in leaving:
        hold.location_id = target
        if role is not None and hold.case_id == own:
            hold.role = role


def _leaving(
    unit: Unit, lot_id: int, location_id: int, quantity: int, case_id: int | None
) -> list[Hold]:
    """Choose the units that leave and give the holds on them, split where only some units go."""
    rows = planner_of(unit).holds_in_force(lot_id=lot_id, location_id=location_id, is_set=False)
    claims = [_claim(unit, hold) for hold in rows]
    there = planner_of(unit).quantity_at(lot_id, location_id)
    units = assign_units(claims, min(there, most_needed(claims)))
    mine = [any(rows[index].case_id == case_id for index in one) for one in units]
    # The case's own units first, then units nobody counts on, then those needed last.
    first = [min(rows[index].from_at for index in one) for one in units]
    order = sorted(range(len(units)), key=lambda place: first[place], reverse=True)
    order.sort(key=lambda place: not mine[place])
    unclaimed = there - len(units)
    later = max(quantity - sum(mine) - unclaimed, 0)
    order = order[: min(quantity, sum(mine)) + later]
    counts = Counter(index for place in order for index in units[place])
    return [part_of(unit, rows[index], count) for index, count in sorted(counts.items())]


def rehold_cases(unit: Unit, losers: Iterable[SurgicalCase]) -> list[str]:
    """Look for other units for cases that lost some; gives the cases in order of start."""
    found = sorted(losers, key=lambda case: (case.starts_at, case.reference))
    names = list(dict.fromkeys(case.reference for case in found))
    if names:
        hold_cases(unit, names, "another pack was searched for")
    return names


def rehold_changed_cases(unit: Unit, references: Iterable[str], why: str) -> None:
    """Hold anew what cases ask for after they were changed; what they keep goes with them."""
    names = list(references)
    rows = [planner_of(unit).find_case(name) for name in names]
    losers = [
        loser
        for row in rows
        if row is not None and row.status in OPEN_STATUSES
        for loser in update_kept_holds(unit, row)
    ]
    hold_cases(unit, names, why)
    rehold_cases(unit, [loser for loser in losers if loser.reference not in names])


def taken_error(unit: Unit, lot: Lot, origin: Location) -> Taken:
    """Say who holds units, case by case with list and theatre."""
    found = holds.of_units(unit.session, lot.id or 0, origin.id or 0)
    who = {case.reference: f"{row.list_date} {row.theatre}" for _, case, row in found}
    names = "; ".join(f"case {case}, list {where}" for case, where in who.items())
    return Taken(
        f"These units are reserved: {names}. Reassign them for an urgent case, or change the plan "
        "that reserves them.",
        facts={"held_by": [{"case": case, "list": where} for case, where in who.items()]},
    )
