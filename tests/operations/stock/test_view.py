"""What the stock pages show, against the demo's own files and the list of stock."""

import csv
from collections import Counter
from datetime import date

import pytest

from service.errors import NotFound
from service.operations.recalls.notices import search_units
from service.operations.recalls.start import start_recall
from service.operations.stock.movements import list_stock, record_movement
from service.operations.stock.sets import list_sets
from service.operations.stock.view import families, shortages_ahead, sizes_of, view_item, view_units
from service.operations.work import Work
from service.schemas.recalls import RecallBody, RecallSearch
from service.schemas.stock import FamilyOut, LocationBody, SizeStockOut, StockOut
from service.schemas.trays import QuarantineBody
from tests.conftest import NOW
from tests.operations.trays.packs import SEED
from tests.two_sites import add_site, work_at

TODAY = NOW.date()


def _rows(name: str) -> list[dict[str, str]]:
    with (SEED / name).open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


def _all_stock(work: Work) -> list[StockOut]:
    return work.read(lambda unit: list_stock(unit, limit=10_000)).stock


def _counts(row: StockOut) -> bool:
    """Whether units count for a case, from what the list of stock says of them."""
    return (
        row.location_kind == "shelf"
        and row.sterility == "sterile"
        and (row.use_by is None or row.use_by >= TODAY)
        and (row.return_by is None or row.return_by > TODAY)
    )


def _sums(rows: list[StockOut]) -> tuple[int, int, int]:
    return (
        sum(row.quantity for row in rows),
        sum(row.held for row in rows),
        sum(row.quantity - row.held for row in rows if _counts(row)),
    )


def test_what_is_here_promised_and_free_is_what_the_list_of_stock_says(demo_work: Work) -> None:
    by_ref: dict[str, list[StockOut]] = {}
    for row in _all_stock(demo_work):
        by_ref.setdefault(row.ref, []).append(row)
    sizes = demo_work.read(lambda unit: sizes_of(unit, "single_lag_screw_nail", "Ambleford"))
    assert len(sizes) == 154  # lines of catalogue.csv
    for one in sizes:
        assert (one.here, one.promised, one.free) == _sums(by_ref.get(one.ref, []))
        assert one.here == one.promised + one.free + one.not_usable


def test_a_family_is_the_sum_of_its_sizes(demo_work: Work) -> None:
    found = demo_work.read(families)
    catalogue = Counter((row["kind"], row["system"]) for row in _rows("catalogue.csv"))
    assert {(one.kind, one.system or ""): one.sizes for one in found} == catalogue
    assert sum(one.here for one in found) == sum(row.quantity for row in _all_stock(demo_work))


def test_coming_lists_miss_what_was_planted_and_nothing_else(demo_work: Work) -> None:
    # planted.csv names every shortfall the demo lists are made to have.
    planted = {(row["case_reference"], row["because"]) for row in _rows("planted.csv")}
    assert {(one.case, one.because) for one in demo_work.read(shortages_ahead)} == planted


def test_a_missing_size_says_need_in_its_family(demo_work: Work) -> None:
    def needed(rows: list[SizeStockOut]) -> dict[str, int]:
        return {one.ref: one.needed for one in rows if one.needed}

    screws = demo_work.read(lambda unit: sizes_of(unit, "lag_screw"))
    assert needed(screws) == {"FAL-L-115": 1, "DUN-L-110": 1, "BRA-LH-075": 1}


def test_quarantine_recall_and_expiry_take_units_out_of_free(demo_work: Work) -> None:
    def size() -> SizeStockOut:
        return demo_work.read(lambda unit: view_item(unit, "AMB-L-090")).size

    before = size()
    view = demo_work.read(lambda unit: view_item(unit, "AMB-L-090"))
    lot = next(one for one in view.lots if not one.held and not one.not_usable)
    place = LocationBody(store=lot.store, shelf=lot.shelf)
    body = QuarantineBody(
        kind="quarantine", ref="AMB-L-090", lot=lot.lot, quantity=1, origin=place, reason="dented"
    )
    demo_work.write(lambda unit: record_movement(unit, body))
    assert (size().here, size().free) == (before.here, before.free - 1)
    recall = RecallBody(notice="N-1", ref="AMB-L-090", reason="test", quarantine=False)
    demo_work.write(lambda unit: start_recall(unit, recall))
    assert (size().here, size().free) == (before.here, 0)


def test_an_item_shows_each_of_its_lots_where_it_lies(demo_work: Work) -> None:
    view = demo_work.read(lambda unit: view_item(unit, "AMB-L-090"))
    expected = sorted(
        (row["lot"], row["use_by"], row["store"], row["shelf"], int(row["quantity"]))
        for row in _rows("stock.csv")
        if row["ref"] == "AMB-L-090"
    )
    found = [(one.lot, str(one.use_by), one.store, one.shelf, one.quantity) for one in view.lots]
    assert sorted(found) == expected
    assert [one[1] for one in found] == sorted(one[1] for one in found)
    # deliveries.csv: three more come with PO-1041 on 4 March.
    assert [(one.reference, one.quantity) for one in view.deliveries] == [("PO-1041", 3)]
    arrives = [
        (change.day, change.quantity)
        for day in view.projection.days
        for change in day.changes
        if change.kind == "arrives"
    ]
    assert arrives == [(date(2031, 3, 4), 3)]


def test_units_that_have_gone_are_said_to_be_gone(demo_work: Work) -> None:
    which = {"lot": "NO-SUCH", "serial": "", "ownership": "owned", "store": "A", "shelf": "B"}
    with pytest.raises(NotFound, match="no longer"):
        demo_work.read(lambda unit: view_units(unit, "AMB-L-090", which))


def test_another_site_sees_the_catalogue_and_none_of_the_stock(demo_work: Work) -> None:
    other = work_at(demo_work, add_site(demo_work))
    found: list[FamilyOut] = other.read(families)
    assert found
    assert {(one.here, one.promised, one.free, one.needed, one.coming) for one in found} == {
        (0, 0, 0, 0, 0)
    }
    assert other.read(lambda unit: view_item(unit, "AMB-L-090")).lots == []
    assert all(not one.copies and not one.needs for one in other.read(list_sets).sets)


def test_every_copy_of_every_set_is_told_with_its_place(demo_work: Work) -> None:
    sets = {row["ref"] for row in _rows("catalogue.csv") if row["turnaround_minutes"]}
    expected = sorted(
        (row["ref"], row["serial"], row["store"], row["shelf"])
        for row in _rows("stock.csv")
        if row["ref"] in sets
    )
    found = demo_work.read(list_sets).sets
    assert {one.ref for one in found} == sets
    copies = [
        (one.ref, copy.serial, copy.store, copy.shelf) for one in found for copy in one.copies
    ]
    assert sorted(copies) == expected


def test_sets_a_coming_case_misses_come_first_and_name_it(demo_work: Work) -> None:
    # planted.csv: HAR-0716 and ESK-IS, HAR-0719 and FAL-IS, HAR-0725 and GAR-IS.
    found = demo_work.read(list_sets).sets
    first = {one.ref: [clash.case for clash in one.conflicts] for one in found[:3]}
    assert first == {"FAL-IS": ["HAR-0719"], "ESK-IS": ["HAR-0716"], "GAR-IS": ["HAR-0725"]}
    assert not any(one.conflicts for one in found[3:])
    by_ref = {one.ref: one for one in found}
    assert by_ref["GAR-IS"].copies[0].state == "not sterile"
    assert by_ref["GAR-IS"].usable == 0
    # FAL-IS is with HAR-0718 until 10:00 and back 240 minutes later: the file's own turnaround.
    needs = {need.case: need for need in by_ref["FAL-IS"].needs}
    assert f"{needs['HAR-0718'].until:%Y-%m-%d %H:%M}" == "2031-03-06 14:00"
    assert needs["HAR-0719"].is_missing
    # deliveries.csv: the loan set for HAR-0716.
    assert [one.reference for one in by_ref["ESK-IS"].deliveries] == ["LOAN-0007"]


def test_looking_for_units_says_what_a_recall_would_say_and_starts_none(demo_work: Work) -> None:
    asked = RecallSearch(ref="AMB-L-090", lot="a27r0235")
    looked = demo_work.read(lambda unit: search_units(unit, asked))
    # stock.csv: three of lot A27R0235; upper and lower case are the same.
    assert sum(one.quantity for one in looked.on_shelves) == 3
    body = RecallBody(notice="N-2", ref="AMB-L-090", lot="a27r0235", reason="x", quarantine=False)
    begun = demo_work.write(lambda unit: start_recall(unit, body))
    head = {"notice", "reason", "at", "actor"}
    assert looked.model_dump(exclude=head) == begun.model_dump(exclude=head)
