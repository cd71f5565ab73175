"""What becomes of holds when the units they lie on go elsewhere.

A balance may never promise more than it has, not for a moment: holds leave a place before the
units do, and count at the new place after the units have come.
"""

from collections import Counter
from collections.abc import Iterable
from typing import Any

from service.core.shelf import assign_units
from service.core.units import most_needed
from service.operations.copies import copies_leave, copies_short
from service.operations.giving_way import give_up, redate
from service.operations.holds import OPEN_STATUSES, claim_of, hold_cases, update_held
from service.operations.planner import planner_of
from service.operations.unit import Unit
from service.storage.queries import stock
from service.storage.tables import Hold, SurgicalCase

__all__ = ["post_with_holds", "rehold", "replan"]


def post_with_holds(
    unit: Unit,
    movement: dict[str, Any],
    *,
    follow: bool,
    own: int | None = None,
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
            _relocate(leaving, target)
        else:
            losers = give_up(unit, leaving, why)
        update_held(unit, [(lot_id, origin)])
    stock.post(unit.session, [movement])
    if origin is not None:
        copies = copies_leave(unit, movement)
        if follow and target is not None:
            _relocate(copies, target)
            copies = copies_short(unit, lot_id, target, own=movement.get("case_id"))
            losers += give_up(unit, copies, why)
        else:
            losers += give_up(unit, copies, why)
    if target is not None:
        update_held(unit, [(lot_id, target)])
    return rehold(unit, losers)


def _relocate(leaving: list[Hold], target: int) -> None:
    for hold in leaving:
        hold.location_id = target


def _leaving(
    unit: Unit, lot_id: int, location_id: int, quantity: int, case_id: int | None
) -> list[Hold]:
    """Choose the units that leave and give the holds on them, split where only some units go."""
    rows = planner_of(unit).holds_in_force(lot_id=lot_id, location_id=location_id, is_set=False)
    claims = [claim_of(hold) for hold in rows]
    there = planner_of(unit).quantity_at(lot_id, location_id)
    units = assign_units(claims, min(there, most_needed(claims)))
    mine = [any(rows[index].case_id == case_id for index in one) for one in units]
    # The case's own units first, then units nobody counts on, then those needed last.
    order = sorted(
        range(len(units)),
        key=lambda place: (not mine[place], -claims[units[place][0]].list_date.toordinal()),
    )
    unclaimed = there - len(units)
    later = max(quantity - sum(mine) - unclaimed, 0)
    order = order[: min(quantity, sum(mine)) + later]
    counts = Counter(index for place in order for index in units[place])
    return [_part(unit, rows[index], count) for index, count in sorted(counts.items())]


def _part(unit: Unit, hold: Hold, quantity: int) -> Hold:
    """Give a hold on some of a hold's units, cut off it; or the hold itself when it is all."""
    if quantity >= hold.quantity:
        return hold
    hold.quantity -= quantity
    part = Hold(**{**hold.model_dump(exclude={"id"}), "quantity": quantity})
    unit.session.add(part)
    unit.session.flush()
    return part


def rehold(unit: Unit, losers: Iterable[SurgicalCase]) -> list[str]:
    """Look for other units for cases that lost some; gives the cases in order of start."""
    found = sorted(losers, key=lambda case: (case.starts_at, case.reference))
    names = list(dict.fromkeys(case.reference for case in found))
    if names:
        hold_cases(unit, names, "another pack was looked for")
    return names


def replan(unit: Unit, references: Iterable[str], why: str) -> None:
    """Hold anew what cases ask for after they were changed; what they keep goes with them."""
    names = list(references)
    rows = [planner_of(unit).find_case(name) for name in names]
    losers = [
        loser
        for row in rows
        if row is not None and row.status in OPEN_STATUSES
        for loser in redate(unit, row)
    ]
    hold_cases(unit, names, why)
    rehold(unit, [loser for loser in losers if loser.reference not in names])
