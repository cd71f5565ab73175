"""Holds: units promised to cases by revisions of their plans.

A case's holds are made by the same check that people read, so that what is promised is what is
shown. The promised part of every balance follows its holds in the same transaction.
"""

from collections import Counter
from collections.abc import Collection, Iterable, Iterator, Mapping, Sequence
from dataclasses import replace
from datetime import date, timedelta, tzinfo
from itertools import chain

from service.core.constructs.kit_lines import KitLine
from service.core.cover.pick_list import pick_rows
from service.core.cover.results import CaseCheck, CaseToCheck, LineCheck
from service.core.cover.sharing import stays
from service.core.cover.units import Claim, day_after_midnight, most_needed
from service.operations.cases.confirmation import reopen_if_cover_lost
from service.operations.cases.lookup import OPEN_STATUSES
from service.operations.cover.requirements import (
    CaseRequirements,
    case_requirements,
    check_input,
    check_requirements,
    check_until,
)
from service.operations.planner import planner_of
from service.operations.stock_units import read_stock_units
from service.operations.work import Unit
from service.storage.queries import holds
from service.storage.tables import BY_HAND, IN_TRAY, CaseEvent, Hold, SurgicalCase

Key = tuple[int, int]


def hold_cases(unit: Unit, references: Collection[str], why: str = "planned again") -> None:
    """Release what these cases hold and hold anew what their plans ask for, earliest case first.

    What lies on a case's tray, and what was promised to it by hand, stays with it. What has gone to
    another case's tray stays promised while nothing else is free. Cases without a plan, closed,
    cancelled or past ones get nothing new. What only stands by for another case goes to one that
    is planned with it; the other is told, and looks for what is left.
    """
    rows = [planner_of(unit).find_case(name) for name in dict.fromkeys(references)]
    wanted = [row for row in rows if row is not None and row.status in OPEN_STATUSES]
    old = [hold for row in wanted for hold in planner_of(unit).holds_in_force(case_id=row.id)]
    old = [hold for hold in old if hold.role not in {IN_TRAY, BY_HAND}]
    keys = {(hold.lot_id, hold.location_id) for hold in old if not hold.is_set}
    waiting = _on_other_trays(unit, wanted, [hold for hold in old if not hold.is_set])
    ids = {hold.id for hold in waiting}
    holds.release(unit.session, [hold for hold in old if hold.id not in ids], unit.now, why)
    if wanted:
        checked, new = _hold_anew(unit, wanted)
        _release_unpicked(unit, waiting, checked.values(), why)
        keys |= new
        refs = {
            ref
            for line in _short_as_planned(checked.values())
            if line.gap is not None and line.gap.because == "promised"
            for ref in line.line.refs
        }
        if refs:
            keys |= _take_over_standing_by(unit, wanted, refs)
    update_held(unit, keys)


def hold_instead(unit: Unit, waiting: Sequence[Hold], why: str) -> None:
    """Hold what is free for cases that wait for something on another case's tray.

    Everything else they hold stays. What lies on a tray is lost when it is opened and not before,
    so that no confirmation is reopened.
    """
    found = {hold.case_id: unit.session.get_one(SurgicalCase, hold.case_id) for hold in waiting}
    rows = [row for row in found.values() if row.status in OPEN_STATUSES]
    if not rows:
        return
    ids = {row.id for row in rows}
    old = [one for one in waiting if one.case_id in ids and one.role not in {IN_TRAY, BY_HAND}]
    holds.release(unit.session, [hold for hold in old if hold.is_set], unit.now, why)
    packs = [hold for hold in old if not hold.is_set]
    checked, keys = _hold_anew(unit, rows, may_reopen=False)
    _release_unpicked(unit, packs, checked.values(), why)
    update_held(unit, keys | {(hold.lot_id, hold.location_id) for hold in packs})


def _on_other_trays(unit: Unit, wanted: Sequence[SurgicalCase], old: Sequence[Hold]) -> list[Hold]:
    """Return which holds of cases are on packs on another case's tray, for the list they are on."""
    if not old:
        return []
    ready = {(one.row.id, one.row.list_id): one for one in ready_cases(unit, wanted)}
    parcels = {one.key: one for one in check_input(unit, list(ready.values()), ()).parcels}
    found = [
        (hold, ready.get((hold.case_id, hold.list_id)), parcels.get(key_of(hold))) for hold in old
    ]
    return [
        hold
        for hold, one, parcel in found
        if one is not None and parcel is not None
        if parcel.is_on_another_tray(one.row.reference)
    ]


def _release_unpicked(
    unit: Unit, waiting: Sequence[Hold], checked: Iterable[CaseCheck], why: str
) -> None:
    """Release what cases were promised on others' trays and have found elsewhere."""
    left: Counter[tuple[str, str]] = Counter()
    for result in checked if waiting else ():
        for row in pick_rows(result):
            left[result.case.case, row.parcel.key] = row.quantity
    for hold in waiting:
        key = (unit.session.get_one(SurgicalCase, hold.case_id).reference, key_of(hold))
        spare = hold.quantity - min(left[key], hold.quantity)
        left[key] -= hold.quantity - spare
        if spare:
            holds.release(unit.session, [part_of(unit, hold, spare)], unit.now, why)


def part_of(unit: Unit, hold: Hold, quantity: int) -> Hold:
    """Return a hold on some of a hold's units, cut off it; or the hold itself when it is all."""
    if quantity >= hold.quantity:
        return hold
    hold.quantity -= quantity
    part = Hold(**{**hold.model_dump(exclude={"id"}), "quantity": quantity})
    unit.session.add(part)
    unit.session.flush()
    return part


def key_of(hold: Hold) -> str:
    """Return the key of the units that a hold is on, as stock and claims have it."""
    return f"{hold.lot_id}@{hold.location_id}"


def _short_as_planned(checked: Iterable[CaseCheck]) -> list[LineCheck]:
    """Return the lines cases are planned with for first use that lack something."""
    lines = (line for one in checked for line in one.constructs[0].lines)
    return [line for line in lines if stays(line.line) and line.gap is not None]


def _take_over_standing_by(
    unit: Unit, wanted: Sequence[SurgicalCase], refs: Collection[str]
) -> set[Key]:
    """Let what stands by for other cases go, where these are planned with it; gives where.

    Nothing is let go unless more of what is planned is then there.
    """
    named = {row.reference for row in wanted}
    # Nothing is taken from another case's tray.
    parcels = read_stock_units(unit, refs)
    keys = {parcel.key for parcel in parcels if parcel.tray_of in {None, *named}}
    claims = planner_of(unit).claims
    standing = [
        claim
        for claim in claims
        if claim.key in keys
        and claim.case not in named
        and not (claim.stays or claim.is_set or claim.on_tray)
    ]
    found = [planner_of(unit).find_case(name) for name in sorted({one.case for one in standing})]
    rows = [row for row in found if row is not None and row.status in OPEN_STATUSES]
    ready = ready_cases(unit, [*wanted, *rows])
    others = [one.row for one in ready if one.case is not None and one.row.reference not in named]
    standing = [one for one in standing if one.case in {row.reference for row in others}]
    if not standing:
        return set()
    before = check_requirements(unit, ready, claims)
    kept = [claim for claim in claims if claim not in standing]
    after = check_requirements(unit, ready, kept)
    if _missing_as_planned(after) >= _missing_as_planned(before):
        return set()
    why = f"now reserved for {', '.join(sorted(named))}"
    old = [
        hold
        for row in others
        for hold in planner_of(unit).holds_in_force(case_id=row.id, stays=False, is_set=False)
        if hold.role != IN_TRAY and key_of(hold) in keys
    ]
    holds.release(unit.session, old, unit.now, why)
    checked, new = _hold_anew(unit, [*wanted, *others])
    for row in others:
        if _found(checked[row.reference]) < _found(before[row.reference]):
            tell_case(unit, row, "lost a pack", why)
    return {*new, *((hold.lot_id, hold.location_id) for hold in old)}


def ready_cases(unit: Unit, wanted: Collection[SurgicalCase]) -> list[CaseRequirements]:
    """Return what cases ask for that are not past."""
    last = max(unit.local(row.starts_at).date() for row in wanted)
    named = {row.reference for row in wanted}
    return [
        one
        for one in case_requirements(unit, max(last, unit.today), only=named)
        if one.operating_list.list_date >= unit.today
    ]


def _missing_as_planned(checked: Mapping[str, CaseCheck]) -> int:
    lines = _short_as_planned(checked.values())
    return sum(line.line.quantity - line.found for line in lines)


def _found(result: CaseCheck) -> int:
    lines = chain(result.near, *(one.lines for one in result.constructs))
    return sum(line.found for line in lines)


def _hold_anew(
    unit: Unit, wanted: Collection[SurgicalCase], *, may_reopen: bool = True
) -> tuple[dict[str, CaseCheck], set[Key]]:
    """Hold what the plans of cases ask for; gives their checks, and where is held anew."""
    ready = ready_cases(unit, wanted)
    before = planner_of(unit).claims
    known: Counter[Claim] = Counter()
    for claim in before:
        known[_kind_of(claim)] += claim.quantity
    checked = check_requirements(unit, ready, before)
    keys: set[Key] = set()
    for one in ready:
        result = checked.get(one.row.reference)
        if result is None:
            continue
        new = [hold for claim in result.claims for hold in _new_holds(unit, one, claim, known)]
        holds.add(unit.session, new)
        keys |= {(hold.lot_id, hold.location_id) for hold in new}
        if may_reopen:
            reopen_if_cover_lost(unit, one.row.id or 0, result)
    return checked, keys


def _kind_of(claim: Claim) -> Claim:
    """Return what two claims have in common when they are the same promise, of however many."""
    return replace(claim, quantity=0, share_group=None)


def _new_holds(
    unit: Unit, one: CaseRequirements, claim: Claim, known: Counter[Claim]
) -> list[Hold]:
    """Return what a claim has beyond the holds there were, and join it to its share group."""
    if "@" not in claim.key:
        # A pack already used in the case is promised to nobody any more; one in transit, not yet.
        return []
    old = min(known[_kind_of(claim)], claim.quantity)
    known[_kind_of(claim)] -= old
    if claim.share_group is not None:
        _join_group(unit, claim)
    if claim.quantity == old:
        return []
    return [_hold(unit, one, replace(claim, quantity=claim.quantity - old))]


def _hold(unit: Unit, one: CaseRequirements, claim: Claim) -> Hold:
    lot, _, place = claim.key.partition("@")
    return Hold(
        case_id=one.row.id or 0,
        plan_id=one.plan.id if one.plan else None,
        lot_id=int(lot),
        location_id=int(place),
        quantity=claim.quantity,
        list_date=one.operating_list.list_date,
        list_id=one.operating_list.id or 0,
        stays=claim.stays,
        is_set=claim.is_set,
        is_opened=claim.is_opened,
        from_at=claim.starts or one.row.starts_at,
        until_at=claim.until or one.row.ends_at,
        share_group=claim.share_group,
        made_at=unit.now,
        actor=unit.actor,
    )


def _join_group(unit: Unit, claim: Claim) -> None:
    """Put the donor's hold into the group that a claim on its units has made."""
    lot, _, place = claim.key.partition("@")
    donor = (claim.share_group or "").partition(" ")[2]
    row = planner_of(unit).find_case(donor)
    if row is None or donor == claim.case:
        return
    where = {"case_id": row.id, "lot_id": int(lot), "location_id": int(place), "stays": False}
    own = [
        hold
        for hold in planner_of(unit).holds_in_force(**where)
        if hold.share_group in {None, claim.share_group}
    ]
    joined = 0
    # As many as the claim lies on: the donor may keep others for itself alone.
    for hold in sorted(own, key=lambda hold: hold.share_group is None):
        if joined >= claim.quantity:
            break
        hold.share_group = claim.share_group
        joined += hold.quantity


#: How far ahead cases are looked at that may have waited for an item.
_AHEAD = timedelta(days=14)


def hold_waiting(unit: Unit, ref: str, why: str) -> None:
    """Look again for the coming cases of two weeks that ask for an item of which there is news."""
    hold_lacking(unit, [one.row.reference for one in waiting_for(unit, {ref})], why)


def hold_lacking(unit: Unit, references: Iterable[str], why: str) -> None:
    """Hold anew what those of some cases ask for that lack something.

    Who is covered by what is reserved for it keeps it, also where an earlier case lacks the same.
    """
    rows = [planner_of(unit).find_case(name) for name in dict.fromkeys(references)]
    wanted = [row for row in rows if row is not None and row.status in OPEN_STATUSES]
    if not wanted:
        return
    known: Counter[Claim] = Counter()
    for claim in planner_of(unit).claims:
        known[_kind_of(claim)] += claim.quantity
    checked = check_requirements(unit, ready_cases(unit, wanted), planner_of(unit).claims)
    kept = {name for name, result in checked.items() if _is_covered_by(known, result)}
    hold_cases(unit, [row.reference for row in wanted if row.reference not in kept], why)


def _is_covered_by(known: Mapping[Claim, int], result: CaseCheck) -> bool:
    """Tell whether a case is covered without condition by what it holds."""
    asked: Counter[Claim] = Counter()
    for claim in result.claims:
        # A pack already used in the case is promised to nobody any more.
        if "@" in claim.key:
            asked[_kind_of(claim)] += claim.quantity
    return (
        all(one.state == "covered" for one in result.constructs)
        and all(line.gap is None for line in result.near)
        and all(known[kind] >= quantity for kind, quantity in asked.items())
    )


def recheck_cases(unit: Unit, wanted: Iterable[CaseRequirements]) -> None:
    """Check coming cases of two weeks as they stand, and reopen confirmations that hold no longer.

    Nothing is held anew.
    """
    checked = check_until(unit, unit.today + _AHEAD)
    for one in wanted:
        if one.row.reference in checked:
            reopen_if_cover_lost(unit, one.row.id or 0, checked[one.row.reference])


def waiting_for(unit: Unit, refs: Collection[str]) -> list[CaseRequirements]:
    """Return the coming cases of two weeks that ask for some items."""
    return [
        one
        for one in case_requirements(unit, unit.today + _AHEAD)
        if one.case is not None
        and any(not refs_of.isdisjoint(refs) for refs_of in map(_refs_of, _lines_of(one.case)))
    ]


def _refs_of(line: KitLine) -> frozenset[str]:
    return frozenset(line.refs)


def _lines_of(case: CaseToCheck) -> Iterator[KitLine]:
    for construct in case.constructs:
        yield from construct.lines
    yield from case.near


def release_case(unit: Unit, case: SurgicalCase, why: str, *, keeps_sets: bool) -> None:
    """Release everything a case holds.

    Parameters
    ----------
    keeps_sets
        But for sets it has opened, or may have, that are not sterile yet.
    """
    found = planner_of(unit).holds_in_force(case_id=case.id)
    release_holds(
        unit,
        [hold for hold in found if not (keeps_sets and hold.is_set and hold.role == IN_TRAY)],
        why,
    )


def release_holds(unit: Unit, old: Sequence[Hold], why: str) -> None:
    """Release holds and bring the balances along."""
    holds.release(unit.session, old, unit.now, why)
    update_held(unit, {(hold.lot_id, hold.location_id) for hold in old if not hold.is_set})


def release_units(unit: Unit, lot_id: int, location_id: int, why: str) -> list[str]:
    """Release every hold on units of a lot in one place, and tell the cases that lose them.

    Returns
    -------
    list of str
        The cases, in order of start.
    """
    found = holds.of_units(unit.session, lot_id, location_id)
    release_holds(unit, [hold for hold, _, _ in found], why)
    names = list(dict.fromkeys(case.reference for _, case, _ in found))
    for _, case, _ in found:
        tell_case(unit, case, "lost a pack", why)
    return names


def tell_case(unit: Unit, case: SurgicalCase, kind: str, says: str) -> None:
    """Reopen a case: note what happened to it, for whoever confirmed it, and raise its version."""
    unit.session.add(
        CaseEvent(case_id=case.id or 0, at=unit.now, kind=kind, says=says, actor=unit.actor)
    )
    case.version += 1
    unit.session.info.setdefault("cases", set()).add(case.reference)


def update_held(unit: Unit, keys: Iterable[Key]) -> None:
    """Bring the promised part of balances to what their holds need."""
    holds.set_held(unit.session, held_needed(unit, keys))


def held_needed(unit: Unit, keys: Iterable[Key]) -> dict[Key, int]:
    """Return how many units their holds need, by lot and location."""
    unit.session.flush()
    wanted = set(keys)
    if len({lot for lot, _ in wanted}) == 1:
        found = {
            (lot, place): planner_of(unit).holds_in_force(
                lot_id=lot, location_id=place, is_set=False
            )
            for lot, place in wanted
        }
    else:
        found = holds.held_by_keys(unit.session, wanted)
    zone = unit.zone
    return {
        key: most_needed([claim_of(hold, zone) for hold in rows]) for key, rows in found.items()
    }


def claim_of(hold: Hold, zone: tzinfo, used_on: date | None = None) -> Claim:
    """Return a hold on units as the planner sees it, its parcel left out.

    Without the day it is used on it is as planned: balances are kept without regard to the clock.
    """
    return Claim(
        case=str(hold.case_id),
        key="",
        quantity=hold.quantity,
        list_date=hold.list_date,
        operating_list=str(hold.list_id),
        stays=hold.stays,
        share_group=hold.share_group,
        last_day=day_after_midnight(hold.list_date, hold.until_at, zone, used_on),
    )
