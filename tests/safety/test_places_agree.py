"""Check, scan, tray and the page of sets say the same of each copy, over every case of the demo."""

from datetime import timedelta

import pytest

from service.operations.cases.lookup import get_case
from service.operations.cover.check import check_case, check_day
from service.operations.stock.sets import list_sets
from service.operations.trays import trays
from service.operations.trays.scans import scan_named_pack
from service.operations.work import Unit, Work
from service.schemas.cover import CaseCheckOut, PickRowOut
from service.schemas.stock import SetCopy
from service.schemas.trays import NamedPackBody, PackBody, PackOutcomeBody
from tests.conftest import NOW

#: seed_data/lists.csv: the first case of the first list day.
FIRST = "HAR-0711"


def _cases(unit: Unit, days_ahead: int = 14) -> list[str]:
    days = [NOW.date() + timedelta(days=ahead) for ahead in range(1, days_ahead + 1)]
    return [
        case.case
        for day in days
        for one in check_day(unit, day).lists
        for case in one.cases
        if case.constructs
    ]


def _verdict(unit: Unit, case: str, row: PickRowOut) -> str:
    pack = NamedPackBody(ref=row.ref, lot=row.lot or None, serial=row.serial or None, case=case)
    return scan_named_pack(unit, pack).verdict


def _is_awaited(check: CaseCheckOut, row: PickRowOut) -> bool:
    return any((one.ref, one.name) == (row.ref, row.serial or row.lot) for one in check.expects)


def _contradictions(unit: Unit, days_ahead: int = 14) -> list[str]:
    """Compare what is said of each copy in four places, for the cases of some days."""
    copies = {(copy.ref, copy.serial): copy for one in list_sets(unit).sets for copy in one.copies}
    found = []
    for name in _cases(unit, days_ahead):
        check = check_case(unit, name)
        for row in check.pick_list:
            verdict, copy = _verdict(unit, name, row), copies.get((row.ref, row.serial))
            found += [
                f"{name}, {row.ref} {row.lot or row.serial}: {what}"
                for what in _of_row(check, row, verdict, copy)
            ]
        found += _of_tray(unit, check)
    return found


def _of_row(check: CaseCheckOut, row: PickRowOut, verdict: str, copy: SetCopy | None) -> list[str]:
    """Say how the check's word on a copy of the pick list differs from the others'."""
    awaited, on_tray = _is_awaited(check, row), row.shelf == check.case
    said = []
    may_be = {"right", "already_scanned"}
    if row.shared_with:
        # It stands ready for both; in a hand it is the other's until that one has gone by.
        may_be.add("held_for_another_case")
    if not awaited and verdict not in may_be:
        said.append(f"the check counts on it, the scan says {verdict}")
    if on_tray != (verdict == "already_scanned"):
        said.append(f"it is said to lie on {row.shelf}, the scan says {verdict}")
    if copy is None:
        return said
    if (copy.store, copy.shelf) != (row.store, row.shelf):
        said.append(f"it lies at {row.shelf} and, among the sets, at {copy.shelf}")
    if not copy.is_ready and not awaited and not on_tray:
        said.append(f"the check counts on it, the sets say {copy.state}")
    return said


def _of_tray(unit: Unit, check: CaseCheckOut) -> list[str]:
    """Say which open packs of the tray the check puts elsewhere."""
    rows = {(row.ref, row.lot, row.serial): row.shelf for row in check.pick_list}
    return [
        f"{check.case}: {pack.ref} lies on the tray and, says the check, on {shelf}"
        for pack in trays.tray_of(unit, check.case).packs
        if pack.open
        and (shelf := rows.get((pack.ref, pack.lot, pack.serial))) not in {None, check.case}
    ]


def _bring_everything(unit: Unit) -> None:
    """Bring what the first case's pick list names to its tray."""
    for row in check_case(unit, FIRST).pick_list:
        facts = row.model_dump(include={"ref", "ownership", "quantity"})
        place = {"store": row.store, "shelf": row.shelf}
        body = {**facts, "lot": row.lot or None, "serial": row.serial or None, "at": place}
        trays.pick_pack(unit, FIRST, PackBody.model_validate(body))


def _open_the_sets(unit: Unit) -> None:
    """Start the first case and send its sets to be reprocessed."""
    trays.set_status(unit, FIRST, "in_theatre", get_case(unit, FIRST).version)
    for pack in trays.tray_of(unit, FIRST).packs:
        if pack.reusable:
            facts = pack.model_dump(include={"ref", "ownership"})
            body = {**facts, "lot": pack.lot or None, "serial": pack.serial or None}
            body["fate"] = "reprocess"
            trays.record_pack_outcome(unit, FIRST, PackOutcomeBody.model_validate(body))


def test_the_places_agree_on_every_copy_of_every_demo_case(demo_work: Work) -> None:
    assert len(demo_work.read(_cases)) > 40
    assert demo_work.read(_contradictions) == []


def test_they_agree_when_a_tray_is_filled_and_when_its_sets_are_away(demo_work: Work) -> None:
    demo_work.write(_bring_everything)
    assert demo_work.read(lambda unit: _contradictions(unit, 3)) == []
    demo_work.write(_open_the_sets)
    assert demo_work.read(lambda unit: _contradictions(unit, 3)) == []


def test_a_contradiction_would_be_seen(demo_work: Work, monkeypatch: pytest.MonkeyPatch) -> None:
    """The control: one place that tells a copy of a set otherwise."""
    true = list_sets

    def told_otherwise(unit: Unit) -> object:
        out = true(unit)
        for one in out.sets:
            for copy in one.copies:
                copy.is_ready = False
        return out

    monkeypatch.setattr("tests.safety.test_places_agree.list_sets", told_otherwise)
    assert demo_work.read(lambda unit: _contradictions(unit, 1)) != []
