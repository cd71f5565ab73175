"""Units that turn up: whether they may lie where people would count on them."""

from collections import defaultdict
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

from sqlalchemy import Row

from service.core.missing_units import ComingOrGoing, missing_units
from service.core.recalls import comparable
from service.operations.work import Unit
from service.storage.queries import unfit

#: Item, lot and serial in the form in which they compare, whoever owns the units.
PackName = tuple[int, str, str]


def pack_name(item_id: int, lot_number: str, serial: str) -> PackName:
    """Return what a pack is called, however lot and serial are written."""
    return item_id, comparable(lot_number), comparable(serial)


@dataclass(slots=True)
class UnfitUnits:
    """Units of one name that must not be used, or are somewhere else for certain.

    Parameters
    ----------
    missing
        Where units went missing last, by the kind of the place: ``quarantine``, ``reprocessing``;
        ``theatre`` for a serial that has been used up in a case.
    lying
        Rows of ``lying_unfit``.
    """

    missing: dict[str, str] = field(default_factory=dict)
    lying: list[Row[Any]] = field(default_factory=list)


NONE_UNFIT = UnfitUnits()


def unfit_units(
    unit: Unit, item_ids: Collection[int] | None = None
) -> Mapping[PackName, UnfitUnits]:
    """Return by name the units that must not turn up elsewhere as if they were usable.

    What was missing at another site counts, too: a unit can be carried there.

    Parameters
    ----------
    item_ids
        Of these items only; ``None`` for all.
    """
    found: dict[PackName, UnfitUnits] = defaultdict(UnfitUnits)
    for row in unfit.lying_unfit(unit.session, unit.site_id, item_ids):
        found[row.item_id, row.lot_key, row.serial_key].lying.append(row)
    lines: dict[tuple[PackName, str], list[Row[Any]]] = defaultdict(list)
    for row in unfit.coming_and_going(unit.session, item_ids):
        name = (row.item_id, row.lot_key, row.serial_key)
        lines[name, row.kind].append(row)
        if row.kind == "quarantine" and row.came:
            # A serial that was used up and is found all the same is looked at in quarantine.
            lines[name, "theatre"].append(row)
    for (name, kind), rows in lines.items():
        if missing_units(_changes(rows)):
            gone = [row for row in rows if not row.came and row.kind == kind]
            found[name].missing[kind] = _where(unit, gone[-1])
    return found


def _changes(rows: Sequence[Row[Any]]) -> list[ComingOrGoing]:
    return [
        ComingOrGoing(row.seq, row.quantity if row.came else -row.quantity, row.corrects_seq)
        for row in rows
    ]


def _where(unit: Unit, row: Row[Any]) -> str:
    return f"{row.store}, {row.shelf}" if row.site_id == unit.site_id else "another site"


def turns_up_unfit(
    unit: Unit, found: UnfitUnits, kind: str, place_id: int | None, *, is_delivery: bool = False
) -> str | None:
    """Say why units may not turn up in a place as if nothing had happened to them.

    Parameters
    ----------
    found
        Of the units' name.
    kind, place_id
        Of the place; one that is not stored yet has no key.
    is_delivery
        Whether they come from outside: then they are other units than those that lie here, unless
        a serial says that they are the same.

    Returns
    -------
    str or None
        ``None`` where they may: in quarantine what may have been there, where sets are reprocessed
        and in transit anything.
    """
    if kind in {"reprocessing", "transit"}:
        return None
    if "reprocessing" in found.missing:
        return (
            f"units of this lot were last recorded as missing at {found.missing['reprocessing']}: "
            "count them there, and scan them out of sterilisation from there"
        )
    lying = [row for row in found.lying if row.id != place_id]
    if is_delivery:
        lying = [row for row in lying if row.serial_key]
    elif kind == "quarantine":
        lying = [row for row in lying if row.kind in {"reprocessing", "theatre", "transit"}]
    else:
        lying = [row for row in lying if row.kind != "shelf"]
    if lying:
        return _is_elsewhere(unit, lying[0])
    if kind != "quarantine" and found.missing:
        missing, where = next(iter(sorted(found.missing.items())))
        was = "last recorded as missing" if missing == "quarantine" else "used up in a case"
        return (
            f"units of this lot were {was} at {where}: receive them into quarantine, and release "
            "them from there when they may be used"
        )
    return None


#: What to do instead, by the kind of the place where the books have the units.
_INSTEAD = {
    "shelf": "move them from there",
    "quarantine": "release them from there when they may be used",
    "reprocessing": "scan them out of sterilisation from there",
    "theatre": "record on the page of the case what happened to them",
    "transit": "receive them on the Transfers page",
}


def _is_elsewhere(unit: Unit, row: Row[Any]) -> str:
    instead = _INSTEAD[row.kind] if row.site_id == unit.site_id else "request a transfer"
    where = f"{_where(unit, row)} has {row.quantity} of this lot in the records"
    return f"{where}, and these may be the same: {instead}"
