"""Rows of stock and deliveries as the units that core judges."""

from collections import Counter
from collections.abc import Callable, Collection, Mapping
from dataclasses import replace
from datetime import date, datetime, timedelta
from typing import Any

from sqlalchemy import Row

from service.core.catalogue import INSTRUMENT_SET_KINDS
from service.core.cover.units import IN_DOUBT, StockUnits, unusable_reason, unusable_reasons
from service.core.recalls import is_named, may_be_named
from service.operations.planner import planner_of
from service.operations.work import Unit
from service.storage.tables import Item, Location, Lot, Recall

AWAY_WITH = "away with "


#: What stands in place of a case for a set that is away and with none.
REPROCESSING = "reprocessing"


#: Why units count for no new case, said beside them; who has them goes in the braces.
_IN_A_WORD = {
    "recalled": "recalled",
    "expires": "expired",
    "quarantined": "in quarantine",
    "unsterile": "not sterile",
    "return_due": "due back",
    "promised": "on the tray of {}",
    "instrument_set_in_use": AWAY_WITH + "{}",
    "not_here_yet": "in transit",
}


#: Stands for the site that has sent units, where only their place is known.
ANOTHER_SITE = "another site"


def units_of(row: Row[Any], recalled: Collection[int]) -> StockUnits:
    """Make the units of a row that has the columns of ``stock_rows``.

    Parameters
    ----------
    recalled
        The lots that a recall in force names.
    """
    return StockUnits(
        key=f"{row.lot_id}@{row.location_id}",
        ref=row.ref,
        quantity=row.quantity,
        lot=row.lot_number,
        serial=row.serial,
        store=row.store,
        shelf=row.shelf,
        use_by=row.use_by,
        ownership=row.ownership,
        return_by=row.return_by,
        blocked=_blocked(
            row.location_kind, row.kind, row.sterility, is_recalled=row.lot_id in recalled
        ),
        tray_of=tray_case(row.location_kind, row.shelf, row.kind),
        away_with=_set_away(row.location_kind, row.shelf, row.kind),
        in_reprocessing=row.location_kind == "reprocessing",
        sent_from=ANOTHER_SITE if row.location_kind == "transit" else "",
    )


def _set_away(place: str, shelf: str, kind: str) -> str:
    """Name the case a set is with, or that it is being reprocessed; empty on a shelf."""
    if kind not in INSTRUMENT_SET_KINDS or place not in {"theatre", "reprocessing"}:
        return ""
    return shelf if place == "theatre" else REPROCESSING


def units_at(
    item: Item, lot: Lot, place: Location, quantity: int, *, is_recalled: bool
) -> StockUnits:
    """Make the units of a lot at a place."""
    return StockUnits(
        key=f"{lot.id}@{place.id}",
        ref=item.ref,
        quantity=quantity,
        lot=lot.lot_number,
        serial=lot.serial,
        store=place.store,
        shelf=place.shelf,
        use_by=lot.use_by,
        ownership=lot.ownership,
        return_by=lot.return_by,
        blocked=_blocked(place.kind, item.kind, lot.sterility, is_recalled=is_recalled),
        tray_of=tray_case(place.kind, place.shelf, item.kind),
        away_with=_set_away(place.kind, place.shelf, item.kind),
        in_reprocessing=place.kind == "reprocessing",
        sent_from=ANOTHER_SITE if place.kind == "transit" else "",
    )


def units_due(row: Row[Any]) -> StockUnits:
    """Make the units of a row of ``deliveries_due``: they are on their way."""
    return StockUnits(
        key=f"due {row.id}",
        ref=row.ref,
        quantity=row.quantity,
        lot=f"delivery {row.reference}",
        ownership=row.ownership,
        return_by=row.return_by,
        due_at=row.due_at,
        usable_from=row.usable_from,
    )


def units_sent(row: Row[Any], now: datetime) -> StockUnits:
    """Make the units of a row of ``units_in_transit``: another site has sent them.

    What should have come by now may come at any moment, and not before now.
    """
    due = row.expected_at
    return StockUnits(
        # No lot at a place: units in transit are promised to nobody.
        key=f"transfer {row.transfer_id}",
        ref=row.ref,
        quantity=row.quantity,
        lot=row.lot_number,
        serial=row.serial,
        store=row.store,
        shelf=row.shelf,
        use_by=row.use_by,
        ownership=row.ownership,
        return_by=row.return_by,
        blocked=_blocked("transit", row.kind, row.sterility, is_recalled=row.recalled),
        due_at=due,
        back_at=None if due is None else max(due, now),
        sent_from=row.sent_from,
    )


def why_not_usable(row: Row[Any], recalled: Collection[int], today: date) -> str:
    """Say why units in one place count for no new case; empty when they do.

    Parameters
    ----------
    row
        A row of ``stock_rows``.
    recalled
        The lots that a recall in force names.
    """
    reason = unusable_reason(units_of(row, recalled), today)
    if reason is None:
        return ""
    return _IN_A_WORD[reason.because].format(", ".join(reason.cases))


#: Why a pack must not be used at all, whoever has it.
_UNFIT = frozenset({"recalled", "expires", "quarantined", "unsterile"})


def why_unfit(row: Row[Any], today: date) -> str:
    """Say why a pack of a tray must not be used; empty when it may.

    Parameters
    ----------
    row
        A row of ``trays.of_case``.
    """
    blocked = _blocked("theatre", row.kind, row.sterility, is_recalled=row.is_recalled)
    units = StockUnits("tray", row.ref, 1, row.lot_number, use_by=row.use_by, blocked=blocked)
    found = (reason.because for reason in unusable_reasons(units, today))
    return ", ".join(_IN_A_WORD[because] for because in found if because in _UNFIT)


def sets_that_count(
    unit: Unit, day: date, counts_away: Callable[[Row[Any]], bool] = lambda _row: False
) -> dict[str, int]:
    """Count the copies of each instrument set in the house that count on a day, by reference.

    Parameters
    ----------
    counts_away
        Whether a copy that is with a case or being reprocessed counts, too; none does by itself.
    """
    planner = planner_of(unit)
    found: Counter[str] = Counter()
    for row in planner.stock_of(planner.catalogue.turnarounds.keys()):
        units = units_of(row, planner.recalled)
        if units.away_with:
            if not counts_away(row):
                continue
            units = replace(units, away_with="")
        if unusable_reason(units, day) is None:
            found[row.ref] += row.quantity
    return found


def sets_of_day(unit: Unit, day: date, starts: Mapping[str, datetime]) -> dict[str, int]:
    """Count the copies of each set for the cases of a day, by reference.

    A copy that is away counts when one of these cases has or had it, or when it can be back
    before the first of them starts.

    Parameters
    ----------
    starts
        When each case of the day starts, by reference.
    """
    first = min(starts.values(), default=None)

    def counts(row: Row[Any]) -> bool:
        units = with_return(unit, units_of(row, planner_of(unit).recalled))
        if units.away_with in starts:
            return True
        return first is not None and units.back_at is not None and units.back_at <= first

    return sets_that_count(unit, day, counts)


def sets_back_later(
    unit: Unit, day: date, starts: Mapping[str, datetime]
) -> dict[str, list[tuple[datetime, str]]]:
    """Say when copies that do not count from the first case of a day can be back on it.

    Parameters
    ----------
    starts
        When each case of the day starts, by reference.

    Returns
    -------
    dict of str to list of (datetime, str)
        The moment and the case that had the copy, by reference of the set.
    """
    planner, first = planner_of(unit), min(starts.values(), default=None)
    found: dict[str, list[tuple[datetime, str]]] = {}
    for row in planner.stock_of(planner.catalogue.turnarounds.keys()):
        units = with_return(unit, units_of(row, planner.recalled))
        back = units.back_at
        if first is None or back is None or back <= first or units.away_with in starts:
            continue
        there = replace(units, away_with="")
        if unit.local(back).date() == day and unusable_reason(there, day) is None:
            found.setdefault(units.ref, []).extend([(back, units.away_with)] * units.quantity)
    return found


def _blocked(place: str, kind: str, sterility: str, *, is_recalled: bool) -> tuple[str, ...]:
    # A set that is being reprocessed is away and can be back; nothing else comes back from there
    # by itself, such as what the catalogue no longer calls a set.
    is_dirty = place == "reprocessing" and kind not in INSTRUMENT_SET_KINDS
    found = {
        "recalled": is_recalled,
        "quarantined": place == "quarantine",
        "unsterile": sterility != "sterile" or is_dirty,
    }
    return tuple(word for word, applies in found.items() if applies)


def tray_case(place: str, shelf: str, kind: str) -> str | None:
    """Name the case on whose tray units lie: a tray's place is named after its case.

    A set comes back, so that it is told apart from packs, which may stay in the patient.
    """
    return shelf if place == "theatre" and kind not in INSTRUMENT_SET_KINDS else None


def read_stock_units(unit: Unit, refs: Collection[str] | None = None) -> list[StockUnits]:
    """Return everything there is and everything on its way, as the planner sees it.

    Parameters
    ----------
    refs
        Only what has one of these references, so that a check does not read a whole store.
    """
    planner = planner_of(unit)
    rows, coming = planner.stock_of(refs), planner.deliveries
    here = [row for row in rows if row.location_kind != "transit"]
    # Nobody asks about transfers while nothing is in transit.
    sent = planner.in_transit if len(here) < len(rows) else ()
    return [
        *(with_return(unit, _units_lying(row)) for row in here),
        *(units_due(row) for row in coming if refs is None or row.ref in refs),
        *(units_sent(row, unit.now) for row in sent if refs is None or row.ref in refs),
    ]


def _units_lying(row: Row[Any]) -> StockUnits:
    """Make the units of a row of ``units_lying``; says whether a recall only may name them."""
    units = units_of(row, {row.lot_id} if row.recalled else ())
    if row.recalled and not row.is_named:
        return replace(units, blocked=(*units.blocked, IN_DOUBT))
    return units


def with_return(unit: Unit, units: StockUnits) -> StockUnits:
    """Add when a set that is away can be back, and after whom.

    A case that is still open after its planned end keeps what is on its tray, and the time goes
    on; so it does for what was due out of reprocessing and has not come. Of a set on the tray of a
    case that counts on nothing any more, nobody can say.
    """
    if not units.away_with:
        return units
    planner = planner_of(unit)
    case = None if units.in_reprocessing else planner.find_case(units.away_with)
    if case is not None and case.status == "in_theatre":
        brought = sum(
            line.quantity
            for line in planner.sets_in_theatre
            if (line.case_id, line.kind) == (case.id, "pick")
            and units.key.startswith(f"{line.lot_id}@")
        )
        if brought < units.quantity:
            # It was put off after it had begun: nobody has said whether its set was opened.
            return replace(units, in_reprocessing=True)
    mine = [one for one in planner.claims if one.key == units.key and one.on_tray]
    last = max(mine, key=lambda one: one.until or unit.now, default=None)
    if last is None or last.until is None:
        return units
    is_with_case = units.away_with == last.case
    minutes = planner.catalogue.turnarounds.get(units.ref, 0)
    still = timedelta(minutes=minutes if is_with_case and last.is_opened else 0)
    return replace(units, away_with=last.case, back_at=max(last.until, unit.now + still))


def active_recall(
    unit: Unit, item_id: int, supplier: str, lot_number: str, serial: str
) -> Recall | None:
    """Return the oldest recall in force that names units about to be held, or may name them.

    Parameters
    ----------
    item_id, supplier
        The item and its supplier as the catalogue has them.
    lot_number, serial
        Of the units; empty when they have none: what a recall then says of it is in doubt, and
        counts until somebody has looked.
    """
    found = planner_of(unit).recalls_on(item_id, supplier)
    return next((one for one in found if recall_may_name(one, lot_number, serial)), None)


def naming_recall(
    unit: Unit, item_id: int, supplier: str, lot_number: str, serial: str
) -> Recall | None:
    """Return the oldest recall in force that names units about to come in for certain.

    Parameters
    ----------
    item_id, supplier, lot_number, serial
        As for ``active_recall``.
    """
    found = planner_of(unit).recalls_on(item_id, supplier)
    return next((one for one in found if recall_names(one, lot_number, serial)), None)


def recall_names(recall: Recall, lot_number: str, serial: str) -> bool:
    """Tell whether a recall on an item names a pack of it for certain."""
    return is_named(((recall.lot_number, lot_number), (recall.serial, serial)))


def recall_may_name(recall: Recall, lot_number: str, serial: str) -> bool:
    """Tell whether a recall on an item names a pack of it, or what is not known may hide it."""
    return may_be_named(((recall.lot_number, lot_number), (recall.serial, serial)))
