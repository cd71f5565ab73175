"""Scans: gather what is known of a scanned pack, and say what to do with it."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from sqlalchemy import Row

from service.core.catalogue import ItemFacts, describe_size
from service.core.scans import (
    CaseFacts,
    ExpectedLine,
    HoldingCase,
    PackLabel,
    RecordedUnits,
    ScannedPack,
    Verdict,
    judge_pack,
)
from service.exchange.labels.scan import Scan
from service.operations.cases.lookup import require_case
from service.operations.catalogue import code_of, facts_of, read_code, require_item
from service.operations.cover.check import check_case
from service.operations.planner import planner_of
from service.operations.recalls.notices import recall_sentences
from service.operations.stock_units import tray_case
from service.operations.work import CAUTION, Unit
from service.schemas.cover import CaseCheckOut, PickLineOut
from service.schemas.trays import (
    FillsOut,
    HolderOut,
    NamedPackBody,
    ScanBody,
    ScannedItem,
    ScannedPlace,
    ScanOut,
)
from service.storage.tables import Item, Lot, OperatingList, SurgicalCase


@dataclass(frozen=True, slots=True)
class _PackRows:
    """The rows about one pack: its lots, their units, trays and holds."""

    lots: Sequence[Lot] = ()
    units: Sequence[Row[Any]] = ()
    trays: Sequence[Row[Any]] = ()
    holds: Sequence[Row[Any]] = ()


def scan_pack(unit: Unit, body: ScanBody) -> ScanOut:
    """Say what a scanned pack is and whether it is the right one; nothing is changed.

    Raises
    ------
    NotFound
        When there is no such case.
    BadInput
        When the case is cancelled or past: nothing is picked for it.
    """
    case = None if body.case is None else require_case(unit, body.case)
    scan = read_code(unit, body.raw, body.second)
    code = code_of(scan)
    item = (
        None
        if code is None
        else planner_of(unit).item_of_code(code, scan.lot or "", scan.serial or "")
    )
    return _told(unit, scan, item, case)


def scan_named_pack(unit: Unit, body: NamedPackBody) -> ScanOut:
    """Say the same of a pack whose REF and lot or serial were read by eye and typed in.

    Raises
    ------
    NotFound
        When there is no such case.
    BadInput
        When there is no such item, or the case is cancelled or past.
    """
    case = None if body.case is None else require_case(unit, body.case)
    item = require_item(unit, body.ref, "/ref")
    scan = Scan("unknown", body.ref, lot=body.lot, serial=body.serial)
    return _told(unit, scan, item, case)


def _told(unit: Unit, scan: Scan, item: Item | None, case: SurgicalCase | None) -> ScanOut:
    found = _find(unit, scan, item)
    check = check_case(unit, case.reference) if case is not None and item is not None else None
    pack = _pack(unit, scan, item, found, _ScanCase(case, check))
    return _answer(scan, pack, found, judge_pack(pack))


def _find(unit: Unit, scan: Scan, item: Item | None) -> _PackRows:
    if item is None or item.id is None or not (scan.lot or scan.serial):
        return _PackRows()
    planner = planner_of(unit)
    lots = planner.lots_of(item.id, scan.lot or "", scan.serial or "")
    ids = [lot.id for lot in lots if lot.id is not None]
    return _PackRows(lots, planner.lying_here(ids), planner.packs_on(ids), planner.holds_on(ids))


@dataclass(frozen=True, slots=True)
class _ScanCase:
    """The case the pack was scanned for, with its check."""

    case: SurgicalCase | None = None
    check: CaseCheckOut | None = None


def _pack(
    unit: Unit, scan: Scan, item: Item | None, found: _PackRows, asked: _ScanCase
) -> ScannedPack:
    label = PackLabel(
        scan.problem, scan.needs_primary, scan.lot or "", scan.serial or "", scan.use_by
    )
    if item is None:
        return ScannedPack(unit.today, label)
    recall, doubt = recall_sentences(unit, item, _printed(label, found.lots))
    return ScannedPack(
        unit.today,
        label,
        facts_of(item),
        _record(item, found, asked) if found.lots else None,
        recall,
        doubt,
        _case_facts(unit, item, found.lots, asked),
    )


def _printed(label: PackLabel, lots: Sequence[Lot]) -> tuple[str, str]:
    """Return lot and serial of the pack: from its label, or else from the one record it can be."""
    (lot, serial) = (lots[0].lot_number, lots[0].serial) if len(lots) == 1 else ("", "")
    return label.lot or lot, label.serial or serial


def _record(item: Item, found: _PackRows, asked: _ScanCase) -> RecordedUnits:
    own = asked.case.id if asked.case is not None else None
    usable = [row for row in found.units if row.kind not in {"quarantine", "transit"}]
    expected = _picked_by(item.ref, found.lots, asked.check)
    own_holds = [row for row in found.holds if row.case_id == own]
    return RecordedUnits(
        use_by=tuple(sorted({lot.use_by for lot in found.lots if lot.use_by is not None})),
        is_sterile=all(lot.sterility == "sterile" for lot in found.lots),
        usable=sum(row.quantity for row in usable),
        quarantined=sum(row.quantity for row in found.units if row.kind == "quarantine"),
        in_transit=sum(row.quantity for row in found.units if row.kind == "transit"),
        free=_free(found, asked.case),
        taken=sum(row.taken for row in found.trays if row.case_id == own),
        expected=max(expected, sum(row.quantity for row in own_holds)),
        is_promised=bool(expected or own_holds),
        return_by=tuple(sorted({lot.return_by for lot in found.lots if lot.return_by is not None})),
        tray_of=_others_tray(item, usable, asked.case),
        holders=tuple(_holders(found, asked.case)),
    )


def _others_tray(item: Item, rows: Sequence[Row[Any]], case: SurgicalCase | None) -> str | None:
    """Name another case that has all the units on its tray; nothing is taken from there."""
    trays = [tray_case(row.kind, row.shelf, item.kind) for row in rows]
    own = None if case is None else case.reference
    return None if any(tray in {None, own} for tray in trays) else next(iter(trays), None)


def _picked_by(ref: str, lots: Sequence[Lot], check: CaseCheckOut | None) -> int:
    """Count the units of these lots that the pick list names; two items may share a lot's name."""
    names = {(lot.lot_number, lot.serial, lot.ownership) for lot in lots}
    rows = check.pick_list if check is not None else []
    return sum(
        row.quantity
        for row in rows
        if row.ref == ref and (row.lot, row.serial, row.ownership) in names
    )


def _free(found: _PackRows, case: SurgicalCase | None) -> int:
    """Count the units that are promised to nobody and lie on no tray.

    What the case holds itself is told apart by its holds, so it need not be added here.

    Units of a set are promised for a span of time and not in the balance, so the spans that meet
    this case's own are counted.
    """
    free: int = 0
    for row in found.units:
        if row.kind == "shelf":
            free += row.quantity - row.held
        elif row.kind == "theatre":
            free += max(0, row.quantity - max(row.held, _on_trays(found, row.lot_id)))
    if case is None:
        return free
    others = [row for row in found.holds if row.case_id != case.id and row.is_set]
    away = sum(row.quantity for row in others if _meets(row, case.starts_at, case.ends_at))
    return int(free - away)


def _meets(row: Row[Any], starts: datetime, ends: datetime) -> bool:
    return bool(row.from_at < ends and row.until_at > starts)


def _on_trays(found: _PackRows, lot_id: int) -> int:
    return sum(int(row.open) for row in found.trays if row.lot_id == lot_id)


def _holders(found: _PackRows, case: SurgicalCase | None) -> Iterator[HoldingCase]:
    own = None if case is None else case.id
    rows = [*found.holds, *(row for row in found.trays if row.open > 0)]
    for row in sorted(rows, key=lambda one: (one.list_date, one.reference)):
        if row.case_id != own:
            yield HoldingCase(row.reference, row.list_date, row.theatre)


def _case_facts(unit: Unit, item: Item, lots: Sequence[Lot], asked: _ScanCase) -> CaseFacts | None:
    case, check = asked.case, asked.check
    if case is None or check is None:
        return None
    names = {(lot.lot_number, lot.serial) for lot in lots}
    lines = [line for construct in check.constructs for line in construct.lines] + check.near

    def far(line: PickLineOut) -> tuple[bool, bool]:
        is_picked = any((pick.lot, pick.serial) in names for pick in line.picks)
        return item.ref not in line.refs, not is_picked

    facts = planner_of(unit).catalogue.by_ref
    wanted = tuple(
        ExpectedLine(
            line.role,
            line.label,
            line.place,
            line.why,
            tuple(facts[ref] for ref in line.refs),
        )
        for line in sorted(lines, key=far)
    )
    operating_list = unit.session.get_one(OperatingList, case.list_id)
    no_list = "" if check.constructs else check.says
    return CaseFacts(case.reference, operating_list.list_date, case.side, wanted, no_list)


def _answer(scan: Scan, pack: ScannedPack, found: _PackRows, verdict: Verdict) -> ScanOut:
    item = pack.item
    holders = {
        (one.case, one.list_date): one for one in (pack.record.holders if pack.record else ())
    }
    return ScanOut(
        kind=scan.kind,
        verdict=verdict.verdict,
        says=verdict.says,
        what_to_do=verdict.what_to_do,
        item=None if item is None else _item_out(item),
        lot=pack.label.lot,
        serial=pack.label.serial,
        use_by=pack.use_by,
        case=None if pack.case is None else pack.case.case,
        fills=None if verdict.fills is None else FillsOut.model_validate(verdict.fills),
        comes_from=[ScannedPlace.model_validate(row) for row in found.units],
        held_for=[HolderOut.model_validate(one) for one in holders.values()],
        caution=CAUTION,
    )


def _item_out(item: ItemFacts) -> ScannedItem:
    return ScannedItem(
        ref=item.ref,
        kind=item.kind,
        system=item.system,
        description=item.description,
        size=describe_size(item),
    )
