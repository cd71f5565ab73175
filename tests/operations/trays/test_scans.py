"""Scans in the demo hospital: every verdict from the code on a pack to what to do with it.

Codes: GS1 General Specifications (elements 01, 10, 17, 21) with the demo's GTINs; HIBC examples
of ANSI/HIBC 2.6 (``+A123BJC5D6E71G`` and ``+$$52001510X3GD``) and its check character.
"""

import random
import string
from collections.abc import Callable
from datetime import time, timedelta
from typing import get_args

import pytest

from service.core.scans import VERDICTS
from service.errors import BadInput, Duplicate, NotFound
from service.operations.catalogue import learn_code
from service.operations.cover.check import check_case
from service.operations.holds.holds import release_units
from service.operations.planning.case_changes import add_case
from service.operations.recalls.start import start_recall
from service.operations.trays.scans import scan_pack
from service.operations.work import Unit, Work
from service.schemas.cases import CaseBody
from service.schemas.recalls import RecallBody
from service.schemas.trays import LearnBody, ScanBody, ScanOut, Verdicts
from service.storage.queries import stock
from service.storage.tables import Lot
from tests.conftest import NOW, MakeDatabase, opened
from tests.operations.trays.packs import gs1, hold, lot_id, place_id, put_on_tray

#: The second case of the first demo list, on the left: Fallowmere nail, long Ambleford nail beside.
CASE = "HAR-0712"


LAG = gs1("FAL-L-110", "321204", "F27Z0030")


LAG_HOME = ("Central store", "F-02-1")


PRIMARY, SECONDARY = "+A123BJC5D6E71G", "+$$52001510X3GD"


def scan(work: Work, raw: str, case: str | None = CASE, second: str | None = None) -> ScanOut:
    body = ScanBody(raw=raw, case=case, second=second)
    return work.read(lambda unit: scan_pack(unit, body))


def learn(work: Work, raw: str, ref: str) -> None:
    work.write(lambda unit: learn_code(unit, LearnBody(raw=raw, ref=ref)))


def test_the_verdicts_of_the_schema_are_those_of_the_core() -> None:
    assert get_args(Verdicts) == VERDICTS


def test_the_right_pack_says_its_line_its_place_and_where_it_comes_from(demo_work: Work) -> None:
    answer = scan(demo_work, LAG)
    assert answer.verdict == "right"
    assert answer.item is not None
    assert (answer.item.ref, answer.lot) == ("FAL-L-110", "F27Z0030")
    assert str(answer.use_by) == "2032-12-04"
    assert answer.item.size == "10.5 × 110 mm, partly threaded"
    assert answer.fills is not None
    assert (answer.fills.role, answer.fills.place) == ("lag screw", "first use")
    assert [(one.store, one.shelf, one.quantity) for one in answer.comes_from] == [(*LAG_HOME, 3)]


def test_another_lot_of_the_same_size_serves_too(demo_work: Work) -> None:
    assert scan(demo_work, gs1("FAL-L-110", "330225", "F28L0031")).verdict == "right"


# The lots are lines of seed_data/stock.csv; the case's side, systems and sizes are in lists.csv.
@pytest.mark.parametrize(
    ("raw", "verdict"),
    [
        (gs1("CIN-N-130-12-180", "330101", "C1"), "wrong_item"),
        (gs1("FAL-L-090", "310910", "F26V0022"), "wrong_size"),
        (gs1("DUN-L-100", "320113", "D27K0016"), "wrong_system"),
        (gs1("AMB-N-130-12-380-R", "310908", "A26V0130"), "wrong_side"),
        (gs1("FAL-L-110", "310302", "F1"), "expired"),
        (gs1("FAL-L-110", "310303", "F1"), "expires_before_list_day"),
        (gs1("FAL-L-110", "310304", "F1"), "not_in_stock"),
        (gs1("AMB-N-135-12-180", "330531", "A28P0036"), "quarantined"),
        (gs1("GAR-IS", serial="GAR-IS-1"), "not_sterile"),
        (gs1("FAL-L-110", "321205", "F27Z0030"), "label_differs"),
        (gs1("FAL-L-110"), "needs_lot"),
        ("02910000004565", "needs_lot"),
        # A GTIN of a published example (FDA, UDI formats) that no demo item has.
        ("(01)51022222233336(17)330101(10)A1", "unknown"),
        # Wrong check digit: see the tests of bar codes.
        ("0112345678901234", "unreadable"),
        (SECONDARY, "needs_primary"),
        (PRIMARY, "unknown"),
    ],
)
def test_a_pack_that_is_not_right_says_why(demo_work: Work, raw: str, verdict: str) -> None:
    answer = scan(demo_work, raw)
    assert answer.verdict == verdict
    assert answer.fills is None


def test_a_lag_screw_of_another_system_is_of_the_wrong_system(demo_work: Work) -> None:
    # Nails of one kind come from Ambleford, Fallowmere and Eskmere; the case has the first two.
    answer = scan(demo_work, gs1("ESK-N-130-12-340-L", "330101", "E1"))
    assert answer.verdict == "wrong_system"
    assert "Eskmere" in answer.says
    assert "Fallowmere" in answer.says


def test_a_recalled_lot_is_recalled_before_all_else(demo_work: Work) -> None:
    body = RecallBody(notice="FSN-1", lot="f27z0030", reason="cracks", quarantine=False)
    demo_work.write(lambda unit: start_recall(unit, body))
    answer = scan(demo_work, LAG)
    assert answer.verdict == "recalled"
    assert "FSN-1" in answer.says
    assert scan(demo_work, gs1("FAL-L-110", "330225", "F28L0031")).verdict == "right"


def test_a_recall_by_serial_is_in_doubt_for_a_code_without_one(demo_work: Work) -> None:
    body = RecallBody(
        notice="FSN-2", ref="FAL-L-110", serial="S9", reason="cracks", quarantine=False
    )
    demo_work.write(lambda unit: start_recall(unit, body))
    answer = scan(demo_work, LAG)
    assert answer.verdict == "right"
    assert "FSN-2 recalls serial S9" in answer.says
    assert scan(demo_work, f"{LAG}(21)S9").verdict == "recalled"
    assert "FSN-2" not in scan(demo_work, f"{LAG}(21)S8").says


def test_units_all_promised_to_another_case_name_case_list_and_day(demo_work: Work) -> None:
    lot, place = ("FAL-L-110", "F28L0031"), ("Consignment store", "F-02-1")
    code = gs1("FAL-L-110", "330225", "F28L0031")
    hold(demo_work, "HAR-0711", lot, place, 2)
    assert scan(demo_work, code).verdict == "right", "one of three is free"
    hold(demo_work, "HAR-0713", lot, place, 1)
    answer = scan(demo_work, code)
    assert answer.verdict == "held_for_another_case"
    assert [one.case for one in answer.held_for] == ["HAR-0711", "HAR-0713"]
    assert "Trauma theatre 1 on 2031-03-04" in answer.says


def test_a_set_that_is_away_with_another_case_is_held_for_it(demo_work: Work) -> None:
    # stock.csv has one copy of this set; the case before ends at 10:00, this one starts at 10:30.
    lot, place = ("FAL-IS", "FAL-IS-1"), ("Theatre store", "F-05-3")
    code = gs1("FAL-IS", serial="FAL-IS-1")

    def let_go(unit: Unit) -> None:
        release_units(unit, lot_id(unit, *lot), place_id(unit, *place), "for the test")

    for hours, verdict in ((0, "right"), (4, "held_for_another_case")):
        demo_work.write(let_go)
        hold(demo_work, "HAR-0711", lot, place, 1, turnaround_hours=hours)
        answer = scan(demo_work, code)
        assert answer.verdict == verdict
        assert ("HAR-0711" in answer.says) is bool(hours)


def test_what_the_case_holds_itself_is_right_for_it(demo_work: Work) -> None:
    lot, place = ("FAL-L-110", "F28L0031"), ("Consignment store", "F-02-1")
    hold(demo_work, "HAR-0711", lot, place, 2)
    hold(demo_work, CASE, lot, place, 1)
    assert scan(demo_work, gs1("FAL-L-110", "330225", "F28L0031")).verdict == "right"


def test_a_pack_on_the_tray_is_not_counted_twice(demo_work: Work) -> None:
    put_on_tray(demo_work, CASE, ("FAL-L-110", "F27Z0030"), LAG_HOME, 1)
    assert scan(demo_work, LAG).verdict == "already_scanned"


def test_a_pack_put_back_may_be_scanned_again(demo_work: Work) -> None:
    put_on_tray(demo_work, CASE, ("FAL-L-110", "F27Z0030"), LAG_HOME, 1, returned=1)
    assert scan(demo_work, LAG).verdict == "right"


def test_a_lot_fills_the_line_it_was_picked_for(demo_work: Work) -> None:
    # Two lines ask for this screw, one for first use and one in the room; each has its own lot.
    check = demo_work.read(lambda unit: check_case(unit, CASE))
    lines = [one for one in check.constructs[0].lines if one.refs == ["FAL-D-38"]]
    assert len({one.place for one in lines}) == 2
    for line in lines:
        (pick,) = line.picks
        answer = scan(demo_work, gs1("FAL-D-38", f"{pick.use_by:%y%m%d}", pick.lot))
        assert answer.fills is not None
        assert answer.fills.place == line.place


def test_a_serial_on_record_is_meant_before_its_lot_alone(demo_work: Work) -> None:
    def add_serial(unit: Unit) -> None:
        lot = unit.session.get_one(Lot, lot_id(unit, "FAL-L-110", "F27Z0030"))
        facts = stock.LotFacts(None, lot.use_by, None, "sterile")
        key = (lot.item_id, lot.lot_number, "S1", "owned")
        stock.insert_lots(unit.session, {key: facts})

    demo_work.write(add_serial)
    assert scan(demo_work, f"{LAG}(21)S1").verdict == "not_in_stock"
    assert scan(demo_work, f"{LAG}(21)S2").verdict == "right"


def test_a_serial_on_the_tray_is_the_same_set_again(demo_work: Work) -> None:
    code = gs1("FAL-IS", serial="FAL-IS-1")
    assert scan(demo_work, code).verdict == "right"
    home = demo_work.read(lambda unit: scan_pack(unit, ScanBody(raw=code)).comes_from[0])
    put_on_tray(demo_work, CASE, ("FAL-IS", "FAL-IS-1"), (home.store, home.shelf), 1)
    assert scan(demo_work, code).verdict == "already_scanned"


def test_without_a_case_a_pack_in_order_is_only_named(demo_work: Work) -> None:
    answer = scan(demo_work, LAG, case=None)
    assert (answer.verdict, answer.case, answer.fills) == ("known", None, None)
    assert scan(demo_work, gs1("FAL-L-110"), case=None).verdict == "known"
    assert (
        "not in the stock records"
        in scan(demo_work, gs1("FAL-L-110", "330101", "NEW"), case=None).says
    )


@pytest.mark.parametrize(
    ("raw", "verdict"),
    [
        (gs1("FAL-L-110", "310302", "F1"), "expired"),
        (gs1("AMB-N-135-12-180", "330531", "A28P0036"), "quarantined"),
        (gs1("FAL-L-110", "321205", "F27Z0030"), "label_differs"),
        (SECONDARY, "needs_primary"),
    ],
)
def test_without_a_case_a_pack_that_must_not_be_used_says_so(
    demo_work: Work, raw: str, verdict: str
) -> None:
    assert scan(demo_work, raw, case=None).verdict == verdict


def test_a_case_without_a_plan_has_no_pick_list_to_be_wrong_on(demo_work: Work) -> None:
    body = CaseBody(
        reference="NEW-1",
        list_date=NOW.date() + timedelta(days=1),
        theatre="Trauma theatre 1",
        starts=time(16),
        ends=time(17),
        position=9,
        side="left",
    )
    demo_work.write(lambda unit: add_case(unit, body))
    assert scan(demo_work, LAG, case="NEW-1").verdict == "no_pick_list"


def test_a_scan_for_a_case_nobody_knows_is_refused(demo_work: Work) -> None:
    with pytest.raises(NotFound, match="NOPE"):
        scan(demo_work, LAG, case="NOPE")


def test_a_hibc_pack_is_read_from_both_codes_in_either_order(demo_work: Work) -> None:
    learn(demo_work, PRIMARY, "FAL-L-110")
    for pair in ((PRIMARY, SECONDARY), (SECONDARY, PRIMARY)):
        answer = scan(demo_work, pair[0], second=pair[1])
        # Use by 2020-01-15, lot 10X3: ANSI/HIBC 2.6, table F1.
        assert (answer.kind, answer.lot, str(answer.use_by)) == (
            "hibc_combined",
            "10X3",
            "2020-01-15",
        )
        assert answer.verdict == "expired"
    assert scan(demo_work, PRIMARY).verdict == "needs_lot"


def test_hibc_codes_of_two_packs_are_refused(demo_work: Work) -> None:
    # +A99912345 has check character 5: sum of values mod 43 (ANSI/HIBC 2.6, appendix B), by hand:
    # + 41, A 10, 9 9 9 27, 1 2 3 4 5 15 = 93; 93 - 86 = 7.
    answer = scan(demo_work, "+A999123457", second=SECONDARY)
    assert answer.verdict == "unreadable"
    assert "different packs" in answer.says


def test_a_learned_code_is_read_as_its_item_from_then_on(demo_work: Work) -> None:
    code = "(01)51022222233336(17)330101(10)A1"
    assert scan(demo_work, code).verdict == "unknown"
    taught = demo_work.write(
        lambda unit: learn_code(unit, LearnBody(raw=code, ref="FAL-L-110")), "nurse"
    )
    assert (taught.code, taught.ref, taught.actor) == ("51022222233336", "FAL-L-110", "nurse")
    assert scan(demo_work, code).verdict == "not_in_stock"
    learn(demo_work, code, "FAL-L-110")


def test_a_code_belongs_to_one_item_only(demo_work: Work) -> None:
    with pytest.raises(Duplicate, match="FAL-L-110"):
        learn(demo_work, LAG, "FAL-L-115")
    learn(demo_work, PRIMARY, "FAL-L-110")
    with pytest.raises(Duplicate, match="FAL-L-110"):
        learn(demo_work, PRIMARY, "FAL-L-115")


def test_the_units_of_measure_of_one_product_are_codes_of_their_own(demo_work: Work) -> None:
    # The last digit before the check character is the unit of measure (ANSI/HIBC 2.6, 2.2.2).
    learn(demo_work, PRIMARY, "FAL-L-110")
    learn(demo_work, "+A123BJC5D6E72H", "FAL-L-115")
    answer = scan(demo_work, "+A123BJC5D6E72H", case=None)
    assert answer.item is not None
    assert answer.item.ref == "FAL-L-115"


@pytest.mark.parametrize(
    ("raw", "ref", "pointer"),
    [
        ("0112345678901234", "FAL-L-110", "/raw"),
        (SECONDARY, "FAL-L-110", "/raw"),
        (PRIMARY, "NO-SUCH-REF", "/ref"),
    ],
)
def test_a_code_that_names_nothing_or_a_ref_nobody_has_is_not_learned(
    demo_work: Work, raw: str, ref: str, pointer: str
) -> None:
    with pytest.raises(BadInput) as refused:
        learn(demo_work, raw, ref)
    assert [fault.pointer for fault in refused.value.faults] == [pointer]


def test_a_group_separator_ends_a_lot(demo_work: Work) -> None:
    # GS1 General Specifications, 7.8: FNC1 is sent as U+001D after an element of open length.
    answer = scan(demo_work, "]d20102910000004565" + "10F27Z0030\x1d" + "17321204")
    assert (answer.lot, answer.verdict) == ("F27Z0030", "right")


def _strange(chance: random.Random) -> str:
    alphabet = string.printable + "\x1d\x00é漢" + "+$]()" * 4
    return "".join(chance.choices(alphabet, k=chance.randint(0, 60)))


def _hurt(chance: random.Random) -> str:
    """Give a good code with a few characters changed, lost or doubled."""
    text = list(chance.choice([LAG, PRIMARY, SECONDARY, "]d20102910000004565" + "10A\x1d21B"]))
    for _ in range(chance.randint(0, 3)):
        place = chance.randrange(len(text))
        text[place] = chance.choice(["", text[place] * 2, chance.choice(string.printable)])
    return "".join(text)


@pytest.mark.parametrize("make", [_strange, _hurt])
def test_ten_thousand_strange_codes_each_get_an_answer(
    make_database: MakeDatabase, make: Callable[[random.Random], str]
) -> None:
    chance = random.Random(7)  # noqa: S311 - no secret
    seen: set[str] = set()

    def scan_many(unit: Unit) -> None:
        for _ in range(1000):
            body = ScanBody(
                raw=make(chance), second=make(chance) if chance.random() < 0.2 else None
            )
            answer = scan_pack(unit, body)
            assert answer.verdict in VERDICTS
            assert answer.says
            assert answer.what_to_do
            seen.add(answer.verdict)

    with opened(make_database("sqlite", True)) as work:
        for _ in range(10):
            work.read(scan_many)
    assert "unreadable" in seen
    assert len(seen) > 1 or make is _strange
