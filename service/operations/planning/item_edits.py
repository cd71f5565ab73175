"""Edits to catalogue lines that units, plans and recalls rest on: whom they change, and the check.

An edit is refused with the list of what rests on the line until who makes it has seen that list.
Then the cases on it are checked again: what they hold is chosen anew, and confirmations reopen.
"""

from collections.abc import Collection, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, replace
from datetime import date, timedelta
from itertools import chain
from typing import Any

from service.core.recalls import comparable
from service.errors import BadInput, Conflict, FieldFault
from service.operations.cases.lookup import OPEN_STATUSES
from service.operations.catalogue import change_item, require_item
from service.operations.cover.requirements import case_requirements
from service.operations.holds.conflicts import rehold_changed_cases
from service.operations.holds.holds import tell_case
from service.operations.holds.sets import shift_turnaround
from service.operations.planner import planner_of
from service.operations.work import Unit, fingerprint_of, here_of
from service.schemas.catalogue import ItemBody, ItemOut
from service.storage.queries import stock
from service.storage.tables import Item, Site

#: What is matched, sized, sterilised or recalled by: an edit of any other column changes no case.
WEIGHTY = (
    *("kind", "system", "supplier", "side", "length_mm", "diameter_mm", "angle_deg"),
    *("screw_type", "head_design", "thread", "thread_length_mm", "holes", "barrel_mm"),
    *("bow_radius_mm", "supplied_sterile", "reusable", "turnaround_minutes"),
)


@dataclass(frozen=True, slots=True)
class ItemEdit:
    """A line that is about to be changed, what of it in words, and how much longer it is away."""

    item: Item
    says: str
    longer_away: timedelta = timedelta()


def weighty_edit(item: Item, facts: Mapping[str, Any]) -> ItemEdit | None:
    """Return an edit that may change cases, or ``None`` when it changes none.

    Parameters
    ----------
    facts
        The columns as they shall be.
    """
    changed = [
        f"{name} from {getattr(item, name)} to {facts[name]}"
        for name in WEIGHTY
        if name in facts and getattr(item, name) != facts[name]
    ]
    if not changed:
        return None
    before, after = item.turnaround_minutes, facts.get("turnaround_minutes")
    longer = timedelta(minutes=after - before) if before and after else timedelta()
    return ItemEdit(item, f"{item.ref}: {', '.join(changed)}", longer)


def supplier_fault(unit: Unit, item: Item, supplier: object) -> str | None:
    """Say why a supplier must stay: a recall in force names the units by it."""
    if comparable(str(supplier)) == comparable(item.supplier):
        return None
    for recall in planner_of(unit).recalls_on(item.id or 0, item.supplier):
        if recall.supplier:
            return (
                f"recall {recall.notice} identifies these units by supplier; lift the recall first"
            )
    return None


def edit_item(
    unit: Unit, ref: str, body: ItemBody, version: int, acknowledged: str = ""
) -> ItemOut:
    """Change a catalogue line, and check the cases again that rest on it.

    Parameters
    ----------
    acknowledged
        What the refusal gave that showed whom the change touches; empty before it was shown.

    Raises
    ------
    Conflict
        When cases or units rest on the line and who asks has not seen which.
    """
    item = require_item(unit, ref)
    fault = supplier_fault(unit, item, body.supplier)
    if fault is not None:
        raise BadInput("Nothing was saved.", faults=[FieldFault("/supplier", fault)])
    edit = weighty_edit(item, body.model_dump())
    if edit is None:
        return change_item(unit, ref, body, version)
    edits = Edits(unit, [edit], acknowledged)
    out = change_item(unit, ref, body, version)
    edits.check_again()
    return out


class Edits:
    """Edits that are made together: whom they touch is found before they are made.

    Raises
    ------
    Conflict
        When cases or units rest on the lines and who asks has not seen which.
    """

    def __init__(self, unit: Unit, edits: Sequence[ItemEdit], acknowledged: str) -> None:
        self._unit = unit
        self._edits = edits
        self._refs = {one.item.ref for one in edits}
        # At every site: all of them have the one catalogue.
        others = stock.other_sites(unit.session, unit.site_id)
        self._touched = {unit.site_id: resting_on(unit, self._refs)}
        for site in others:
            with at_site(unit, site) as there:
                self._touched[there.site_id] = resting_on(there, self._refs)
        self._others = others
        self._require_seen(acknowledged)

    def _require_seen(self, acknowledged: str) -> None:
        own = self._touched[self._unit.site_id]
        rests = [*(f"case {name}" for name in sorted(own.cases)), *own.units]
        for site in self._others:
            there = self._touched[site.id or 0]
            if there.cases or there.units:
                rests.append(
                    f"{site.name}: {len(there.cases)} cases, units in {len(there.units)} locations"
                )
        if not rests:
            return
        changes = [one.says for one in self._edits]
        seen = fingerprint_of(*changes, *rests)
        if acknowledged != seen:
            raise Conflict(
                f"{'; '.join(changes)}. This affects: {'; '.join(rests)}. Nothing was saved: "
                "confirm that you have read this, and these cases are checked again.",
                facts={"changes": changes, "rests_on": rests, "acknowledge": seen},
            )

    def check_again(self) -> None:
        """Hold anew what the cases ask for that rested on the lines, or do so now."""
        self._check_at(self._unit)
        for site in self._others:
            with at_site(self._unit, site) as there:
                self._check_at(there)

    def _check_at(self, unit: Unit) -> None:
        unit.session.flush()
        cases = self._touched[unit.site_id].cases | resting_on(unit, self._refs).cases
        for edit in self._edits:
            shift_turnaround(unit, edit.item, edit.longer_away)
        says = f"The catalogue was changed: {'; '.join(one.says for one in self._edits)}."
        for name in sorted(cases):
            case = planner_of(unit).find_case(name)
            if case is not None and case.status in OPEN_STATUSES:
                tell_case(unit, case, "catalogue", says)
        rehold_changed_cases(unit, sorted(cases), says)


@dataclass(frozen=True, slots=True)
class RestingOn:
    """What rests on catalogue lines at one site."""

    cases: frozenset[str]
    units: tuple[str, ...]


def resting_on(unit: Unit, refs: Collection[str]) -> RestingOn:
    """Find the coming cases that ask for items or count on units of them, and the units."""
    rows = planner_of(unit).stock_of(refs)
    keys = {f"{row.lot_id}@{row.location_id}" for row in rows}
    cases = {claim.case for claim in planner_of(unit).claims if claim.key in keys}
    for one in case_requirements(unit, date.max):
        if one.case is None:
            continue
        lines = chain(one.case.near, *(construct.lines for construct in one.case.constructs))
        if any(ref in refs for line in lines for ref in line.refs):
            cases.add(one.row.reference)
    places = (f"{row.quantity} of {row.ref} at {row.store}, {row.shelf}" for row in rows)
    return RestingOn(frozenset(cases), tuple(dict.fromkeys(places)))


@contextmanager
def at_site(unit: Unit, site: Site) -> Iterator[Unit]:
    """Give the same transaction at another site; what the planner has read is each site's own."""
    unit.session.info.pop("planner", None)
    try:
        yield replace(unit, here=here_of(site))
    finally:
        unit.session.info.pop("planner", None)
