"""Recalls in the demo hospital: one call says where every unit is and clears the shelves.

Expected places and quantities are lines of seed_data/stock.csv and seed_data/usage.csv, read here
by hand or with the csv module; nothing is a value our own report gave.
"""

import csv
from collections import Counter

import pytest
from sqlalchemy import select
from sqlmodel import col

from service.errors import BadInput, Conflict, Duplicate, NotFound
from service.operations.backup import verify
from service.operations.planner import planner_of
from service.operations.recalls.notices import get_recall, list_recalls
from service.operations.recalls.start import lift_recall, start_recall
from service.operations.stock_units import naming_recall
from service.operations.work import Unit, Work
from service.schemas.recalls import LiftBody, RecallBody, RecallReport
from service.storage.queries import stock
from service.storage.tables import Balance, CaseEvent, Hold, Item, Location
from tests.operations.trays.packs import SEED, case_row, hold, lot_id, place_id, put_on_tray

LAG = ("FAL-L-110", "F28L0031")


HOME = ("Consignment store", "F-02-1")


def recall(work: Work, **facts: object) -> RecallReport:
    body = RecallBody.model_validate(
        {"notice": "FSN-1", "reason": "cracks", "quarantine": True, **facts}
    )
    return work.write(lambda unit: start_recall(unit, body), "storekeeper")


def rows(name: str) -> list[dict[str, str]]:
    with (SEED / name).open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


def shelves(report: RecallReport) -> list[tuple[str, str, str, int]]:
    return [(one.lot, one.store, one.shelf, one.quantity) for one in report.on_shelves]


def _recalled(unit: Unit) -> set[int]:
    return set(planner_of(unit).recalled)


def test_a_recall_of_a_lot_finds_it_on_its_shelf(demo_work: Work) -> None:
    report = recall(demo_work, lot="F28L0031", quarantine=False)
    assert shelves(report) == [("F28L0031", *HOME, 3)]
    assert (report.in_quarantine, report.moved) == ([], 0)
    assert report.says.startswith("3 on shelves")


def test_one_call_moves_every_unit_to_quarantine(demo_work: Work) -> None:
    report = recall(demo_work, ref="FAL-L-120")
    # Five lots with one unit each in stock.csv.
    assert report.moved == 5
    assert report.on_shelves == []
    assert Counter(one.quantity for one in report.in_quarantine) == {1: 5}
    assert demo_work.read(verify).disagree == [], "the ledger and the balances agree"


def test_a_lot_is_found_whatever_the_case_of_its_letters(demo_work: Work) -> None:
    assert len(recall(demo_work, lot="f28l0031", quarantine=False).on_shelves) == 1


def test_a_recall_of_a_supplier_finds_everything_of_it(demo_work: Work) -> None:
    supplier = "Fallowmere Demo Supply"
    refs = {row["ref"] for row in rows("catalogue.csv") if row["supplier"] == supplier}
    expected = Counter[str]()
    for row in rows("stock.csv"):
        if row["ref"] in refs:
            expected[row["ref"]] += int(row["quantity"])
    found = Counter[str]()
    report = recall(demo_work, supplier=supplier.lower(), quarantine=False)
    # Whatever the demo did with its stock since: each unit counted in is in one of these places.
    for one in report.on_shelves + report.in_quarantine + report.in_theatre:
        found[one.ref] += one.quantity
    for gone in report.gone:
        found[gone.ref] += gone.quantity
    for used in report.used:
        if used.source == "ledger":
            found[used.ref] += used.quantity
    assert found == expected


def test_the_cases_that_used_a_lot_before_the_ledger_are_named(demo_work: Work) -> None:
    used = rows("usage.csv")[0]
    report = recall(demo_work, ref=used["ref"], lot=used["lot"], quarantine=False)
    expected = [
        (row["case_reference"], row["outcome"], int(row["quantity"]))
        for row in rows("usage.csv")
        if (row["ref"], row["lot"]) == (used["ref"], used["lot"])
    ]
    assert [(one.case, one.outcome, one.quantity) for one in report.used] == expected
    assert {one.source for one in report.used} == {"history"}


def test_a_use_whose_lot_nobody_wrote_down_is_listed_as_not_known(demo_work: Work) -> None:
    # The history keeps no serials, so a recall by serial cannot be answered from it.
    ref = rows("usage.csv")[0]["ref"]
    total = sum(int(row["quantity"]) for row in rows("usage.csv") if row["ref"] == ref)
    report = recall(demo_work, ref=ref, serial="S1", quarantine=False)
    assert report.used == []
    assert sum(one.quantity for one in report.cannot_tell_used) == total
    assert sum(one.quantity for one in report.cannot_tell) == sum(
        int(row["quantity"]) for row in rows("stock.csv") if row["ref"] == ref
    )
    assert "check by hand" in report.says


def test_units_implanted_wasted_and_returned_are_read_from_the_ledger(demo_work: Work) -> None:
    def use(unit: Unit) -> None:
        lot, place = lot_id(unit, *LAG), place_id(unit, *HOME)
        for kind, case in (("implant", "HAR-0711"), ("waste", "HAR-0711"), ("loan_out", None)):
            line = {
                "at": unit.now,
                "kind": kind,
                "lot_id": lot,
                "from_location_id": place,
                "quantity": 1,
                "actor": "test",
            }
            if case is not None:
                line["case_id"] = case_row(unit, case).id
            stock.post_movements(unit.session, [line])

    demo_work.write(use)
    report = recall(demo_work, lot="F28L0031")
    assert [(one.case, one.outcome, one.quantity, one.source) for one in report.used] == [
        ("HAR-0711", "implanted", 1, "ledger"),
        ("HAR-0711", "wasted", 1, "ledger"),
    ]
    assert [(one.kind, one.quantity) for one in report.gone] == [("loan_out", 1)]
    assert (report.on_shelves, report.in_quarantine, report.moved) == ([], [], 0)


def test_a_movement_that_was_taken_back_is_no_use(demo_work: Work) -> None:
    def use_and_take_back(unit: Unit) -> None:
        line = {"at": unit.now, "kind": "implant", "lot_id": lot_id(unit, *LAG), "quantity": 1}
        line |= {"actor": "test", "case_id": case_row(unit, "HAR-0711").id}
        place = place_id(unit, *HOME)
        stock.post_movements(unit.session, [{**line, "from_location_id": place}])
        back = {"to_location_id": place, "corrects_seq": stock.last_seq(unit.session)}
        stock.post_movements(unit.session, [{**line, **back}])

    demo_work.write(use_and_take_back)
    assert recall(demo_work, lot="F28L0031", quarantine=False).used == []


def test_packs_on_a_tray_are_named_with_their_case_which_is_told(demo_work: Work) -> None:
    put_on_tray(demo_work, "HAR-0712", LAG, HOME, 2)
    report = recall(demo_work, lot="F28L0031", quarantine=False)
    assert [(one.case, one.theatre, one.quantity) for one in report.on_trays] == [
        ("HAR-0712", "Trauma theatre 1", 2)
    ]
    assert report.cases_told == ["HAR-0712"]

    def told(unit: Unit) -> list[tuple[str, bool]]:
        events = unit.session.execute(select(CaseEvent)).scalars()
        return [(one.kind, "F28L0031" in one.says) for one in events if one.kind == "recall"]

    assert demo_work.read(told) == [("recall", True)]


def test_holds_on_recalled_units_are_released_and_their_cases_told(demo_work: Work) -> None:
    hold(demo_work, "HAR-0713", LAG, HOME, 1)
    listed = recall(demo_work, lot="F28L0031", quarantine=False)
    assert [(one.case, str(one.list_date), one.theatre) for one in listed.on_lists] == [
        ("HAR-0713", "2031-03-04", "Trauma theatre 1")
    ]
    report = recall(demo_work, notice="FSN-2", lot="F28L0031")
    assert report.cases_told == ["HAR-0713"]
    assert report.on_lists == []
    assert report.moved == 3

    def look(unit: Unit) -> None:
        lot = lot_id(unit, *LAG)
        (held,) = unit.session.execute(select(Hold).where(col(Hold.lot_id) == lot)).scalars()
        assert held.released_at == unit.now
        assert "FSN-2" in held.released_why
        balance = unit.session.get_one(Balance, (lot, place_id(unit, *HOME)))
        assert (balance.quantity, balance.held) == (0, 0)
        case = case_row(unit, "HAR-0713")
        query = select(CaseEvent).where(col(CaseEvent.case_id) == case.id)
        says = [event.says for event in unit.session.execute(query).scalars()]
        assert any("F28L0031" in text and "FSN-2" in text for text in says)

    demo_work.read(look)


def test_what_is_recalled_is_blocked_until_the_recall_is_lifted(demo_work: Work) -> None:
    lot = demo_work.read(lambda unit: lot_id(unit, *LAG))
    assert demo_work.read(_recalled) == set()
    recall(demo_work, ref="FAL-L-110", lot="F28L0031", quarantine=False)
    assert demo_work.read(_recalled) == {lot}
    lifted = demo_work.write(lambda unit: lift_recall(unit, "FSN-1", LiftBody(reason="taken back")))
    assert lifted.lifted_at is not None
    assert demo_work.read(_recalled) == set()
    with pytest.raises(Conflict, match="was lifted"):
        demo_work.write(lambda unit: lift_recall(unit, "FSN-1", LiftBody(reason="taken back")))


def test_a_recall_of_an_item_blocks_every_lot_of_it_and_no_other(demo_work: Work) -> None:
    names = {row["lot"] for row in rows("stock.csv") if row["ref"] == "FAL-L-120"}
    expected = demo_work.read(lambda unit: {lot_id(unit, "FAL-L-120", name) for name in names})
    recall(demo_work, ref="FAL-L-120", quarantine=False)
    assert demo_work.read(_recalled) == expected


def test_what_lies_in_quarantine_already_is_not_moved_again(demo_work: Work) -> None:
    report = recall(demo_work, ref="AMB-N-135-12-180", lot="A28P0036")
    assert report.moved == 0
    assert [(one.shelf, one.quantity) for one in report.in_quarantine] == [("Q-01-1", 2)]


def test_lots_that_may_be_meant_are_blocked_until_somebody_looks(demo_work: Work) -> None:
    """The shelf's packs carry a lot and no serial: any of them may be the one that is recalled."""
    names = {row["lot"] for row in rows("stock.csv") if row["ref"] == "FAL-L-110"}
    expected = demo_work.read(lambda unit: {lot_id(unit, "FAL-L-110", name) for name in names})
    report = recall(demo_work, ref="FAL-L-110", serial="S1", quarantine=False)
    assert demo_work.read(_recalled) == expected
    assert report.on_shelves == []
    assert {one.lot for one in report.cannot_tell} == names


@pytest.mark.parametrize(
    ("named", "lot", "serial", "is_met"),
    [
        ({"ref": "FAL-L-110"}, "ANY", "", True),
        ({"ref": "FAL-L-115"}, "ANY", "", False),
        ({"supplier": "Fallowmere Demo Supply"}, "", "S", True),
        ({"lot": "L1"}, "l1", "S", True),
        ({"lot": "L1"}, "L2", "", False),
        ({"lot": "L1"}, "", "S", False),
        ({"serial": "S"}, "", "s", True),
        ({"ref": "FAL-L-110", "lot": "L1", "serial": "S"}, "L1", "S", True),
        ({"ref": "FAL-L-110", "lot": "L1", "serial": "S"}, "L1", "T", False),
    ],
)
def test_units_about_to_come_in_are_met_by_a_recall_that_names_them(
    demo_work: Work, named: dict[str, str], lot: str, serial: str, is_met: bool
) -> None:
    recall(demo_work, quarantine=False, **named)

    def meet(unit: Unit) -> bool:
        query = select(Item).filter_by(ref="FAL-L-110")
        item = unit.session.execute(query).scalars().one()
        return naming_recall(unit, item.id or 0, item.supplier, lot, serial) is not None

    assert demo_work.read(meet) is is_met
    demo_work.write(lambda unit: lift_recall(unit, "FSN-1", LiftBody(reason="taken back")))
    assert demo_work.read(meet) is False


def test_a_recall_of_what_is_not_here_says_so_and_stays_in_force(demo_work: Work) -> None:
    report = recall(demo_work, lot="NOT-HERE")
    assert "No units or uses at this site" in report.says
    assert demo_work.read(lambda unit: get_recall(unit, "FSN-1")).lifted_at is None


@pytest.mark.parametrize(
    ("facts", "pointer"),
    [
        ({"ref": "NO-SUCH-REF"}, "/ref"),
        ({"supplier": "Nobody Supply"}, "/supplier"),
        ({"ref": "FAL-L-110", "supplier": "Ambleford Demo Supply"}, "/supplier"),
    ],
)
def test_a_slip_of_the_pen_does_not_look_like_an_empty_shelf(
    demo_work: Work, facts: dict[str, str], pointer: str
) -> None:
    with pytest.raises(BadInput) as refused:
        recall(demo_work, **facts)
    assert [fault.pointer for fault in refused.value.faults] == [pointer]
    with pytest.raises(NotFound):
        demo_work.read(lambda unit: get_recall(unit, "FSN-1"))


def test_a_notice_is_entered_once(demo_work: Work) -> None:
    recall(demo_work, lot="F28L0031", quarantine=False)
    with pytest.raises(Duplicate, match="FSN-1"):
        recall(demo_work, lot="F28L0031")


def test_recalls_are_listed_newest_first_and_by_pages(demo_work: Work) -> None:
    for number in range(1, 4):
        recall(demo_work, notice=f"FSN-{number}", lot="F28L0031", quarantine=False)
    first = demo_work.read(lambda unit: list_recalls(unit, after="", limit=2))
    assert [one.notice for one in first.recalls] == ["FSN-3", "FSN-2"]
    assert first.next_after == "FSN-2"
    rest = demo_work.read(lambda unit: list_recalls(unit, after="FSN-2", limit=2))
    assert [one.notice for one in rest.recalls] == ["FSN-1"]
    assert rest.next_after is None


def test_a_site_without_a_quarantine_gets_one(work: Work) -> None:
    def stock_one(unit: Unit) -> None:
        item = Item(
            ref="T1",
            kind="washer",
            description="Washer",
            supplier="Test supply",
            supplied_sterile=True,
            reusable=False,
        )
        shelf = Location(site_id=unit.site_id, store="Store", shelf="1")
        unit.session.add_all([item, shelf])
        unit.session.flush()
        stock.insert_lots(
            unit.session,
            {(item.id or 0, "L1", "", "owned"): stock.LotFacts(None, None, None, "sterile")},
        )
        line = {
            "at": unit.now,
            "kind": "receive",
            "lot_id": lot_id(unit, "T1", "L1"),
            "to_location_id": shelf.id,
            "quantity": 4,
            "actor": "test",
        }
        stock.post_movements(unit.session, [line])

    work.write(stock_one)
    report = recall(work, lot="L1")
    assert [(one.store, one.quantity) for one in report.in_quarantine] == [("Quarantine", 4)]
