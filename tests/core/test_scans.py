"""The verdict on a pack: each has its own facts, its own place in the order, its own advice.

Source of what is compared before a pack is opened: NatSSIPs 2015, 4.10.2 (type, design, style,
material, laterality, size, expiry date, sterility). The order is common practice, no source.
"""

from collections.abc import Callable, Mapping
from dataclasses import replace
from datetime import date

import pytest

from service.core.catalogue import ItemFacts
from service.core.scans import (
    VERDICTS,
    CaseFacts,
    ExpectedLine,
    HoldingCase,
    PackLabel,
    RecordedUnits,
    ScannedPack,
    judge_pack,
)

TODAY = date(2031, 3, 3)


LIST_DAY = date(2031, 3, 10)


SCREW = ItemFacts("L95", "lag_screw", "Lag screw", "Demo", length_mm=95)


LEFT = ItemFacts("N-L", "single_lag_screw_nail", "Nail", "Demo", 340, 11, 130, "left")


RIGHT = replace(LEFT, ref="N-R", side="right")


WANTED = (
    ExpectedLine("nail", "Demo nail 11 × 340 mm, left", "in the room", "nominal", (LEFT,)),
    ExpectedLine("lag screw", "Demo lag screw 95 mm", "first use", "nominal", (SCREW,)),
)


CASE = CaseFacts("K1", LIST_DAY, "left", WANTED)


OTHER = HoldingCase("K2", date(2031, 3, 5), "Theatre 2")


LABEL = PackLabel(lot="A1", use_by=date(2033, 1, 1))


RECORD = RecordedUnits(use_by=(date(2033, 1, 1),), usable=2, free=2, expected=1, is_promised=True)


GOOD = ScannedPack(TODAY, LABEL, SCREW, RECORD, case=CASE)


def on_record(**facts: object) -> ScannedPack:
    return replace(GOOD, record=replace(RECORD, **facts))  # type: ignore[arg-type] # by name


def dated(pack: ScannedPack, day: date, record: RecordedUnits) -> ScannedPack:
    """Give a pack whose label and record agree on a date."""
    label = replace(pack.label, use_by=day)
    return replace(pack, label=label, record=replace(record, use_by=(day,)))


def of_item(item: ItemFacts) -> ScannedPack:
    return replace(GOOD, item=item)


#: One change to a pack that is right, and the verdict it must turn into.
CHANGED: Mapping[str, ScannedPack] = {
    "unreadable": replace(GOOD, label=PackLabel(problem="the check digit is wrong"), item=None),
    "needs_primary": replace(GOOD, label=replace(LABEL, is_secondary=True), item=None),
    "unknown": replace(GOOD, item=None),
    "recalled": replace(GOOD, recall="recalled by notice FSN-1 (cracks)."),
    "label_differs": on_record(use_by=(date(2033, 2, 1),)),
    "expired": replace(
        on_record(use_by=(date(2031, 3, 2),)), label=replace(LABEL, use_by=date(2031, 3, 2))
    ),
    "quarantined": on_record(usable=0, quarantined=1),
    "not_sterile": on_record(is_sterile=False),
    "expires_before_list_day": replace(
        on_record(use_by=(date(2031, 3, 9),)), label=replace(LABEL, use_by=date(2031, 3, 9))
    ),
    "goes_back": on_record(return_by=(LIST_DAY,)),
    "no_pick_list": replace(GOOD, case=replace(CASE, wanted=(), no_pick_list="Not planned yet.")),
    "wrong_side": of_item(RIGHT),
    "wrong_system": of_item(replace(SCREW, ref="X95", system="Other")),
    "wrong_size": of_item(replace(SCREW, ref="L100", length_mm=100)),
    "wrong_item": of_item(ItemFacts("W1", "washer", "Washer")),
    "needs_lot": replace(GOOD, label=PackLabel()),
    "already_scanned": on_record(taken=1),
    "held_for_another_case": on_record(free=0, is_promised=False, expected=0, holders=(OTHER,)),
    "not_in_stock": replace(GOOD, record=None),
    "right": GOOD,
    "known": replace(GOOD, case=None),
}


@pytest.mark.parametrize("verdict", CHANGED)
def test_each_change_to_a_pack_has_its_own_verdict(verdict: str) -> None:
    assert judge_pack(CHANGED[verdict]).verdict == verdict


def test_every_verdict_is_tried_here() -> None:
    assert set(CHANGED) == set(VERDICTS)


def test_every_verdict_says_what_to_do_in_its_own_words() -> None:
    advice = {judge_pack(pack).what_to_do for pack in CHANGED.values()}
    assert len(advice) == len(CHANGED)
    assert all(len(sentence) > 10 for sentence in advice)


#: What is said first when several things are wrong, most dangerous first (common practice).
ORDER = (
    *("unreadable", "needs_primary", "unknown", "recalled", "label_differs", "expired"),
    *("quarantined", "not_sterile", "expires_before_list_day", "goes_back", "no_pick_list"),
    *("wrong_side", "wrong_system", "wrong_size", "wrong_item", "needs_lot", "already_scanned"),
    *("held_for_another_case", "not_in_stock", "right", "known"),
)


def test_the_order_of_the_verdicts_is_the_stated_one() -> None:
    assert VERDICTS == ORDER


def test_of_all_that_is_wrong_with_a_pack_the_most_dangerous_is_said_until_it_is_mended() -> None:
    label = PackLabel("misread", is_secondary=True, lot="A1", use_by=date(2031, 3, 1))
    item = replace(RIGHT, ref="Z-R", system="Other", length_mm=360)
    record = RecordedUnits(
        (date(2031, 3, 2),), is_sterile=False, quarantined=1, return_by=(LIST_DAY,)
    )
    pack = ScannedPack(TODAY, label, None, record, "recalled by notice FSN-1.", "", CASE)
    said = [judge_pack(pack).verdict]
    soon, late = date(2031, 3, 4), date(2033, 1, 1)
    mended: tuple[Callable[[ScannedPack], ScannedPack], ...] = (
        lambda one: replace(one, label=replace(one.label, problem=None)),
        lambda one: replace(one, label=replace(one.label, is_secondary=False)),
        lambda one: replace(one, item=item),
        lambda one: replace(one, recall=""),
        lambda one: replace(one, record=replace(record, use_by=(date(2031, 3, 1),))),
        lambda one: dated(one, soon, record),
        lambda one: dated(one, soon, replace(record, usable=1)),
        lambda one: dated(one, soon, replace(record, usable=1, is_sterile=True)),
        lambda one: dated(one, late, replace(record, usable=1, is_sterile=True)),
        lambda one: dated(one, late, replace(record, usable=1, is_sterile=True, return_by=())),
        lambda one: replace(one, item=replace(item, side="left")),
        lambda one: replace(one, item=replace(item, side="left", system="Demo")),
        lambda one: replace(one, item=replace(item, side="left", kind="washer")),
    )
    for mend in mended:
        pack = mend(pack)
        said.append(judge_pack(pack).verdict)
    assert said == [name for name in ORDER[:15] if name != "no_pick_list"]


def test_a_pack_of_both_sides_is_never_of_the_wrong_side() -> None:
    assert judge_pack(of_item(replace(LEFT, ref="N-E", side="either"))).verdict == "wrong_size"


def test_a_pack_may_be_used_on_its_last_day() -> None:
    # GS1 General Specifications, AI 17: the date is the last day of use (the standard says
    # "expiration date"; that the day itself still counts is common practice).
    day = replace(LABEL, use_by=LIST_DAY)
    pack = replace(on_record(use_by=(LIST_DAY,)), label=day)
    assert judge_pack(pack).verdict == "right"
    assert judge_pack(replace(pack, today=LIST_DAY)).verdict == "right"


def test_the_date_on_record_counts_where_the_code_carries_none() -> None:
    pack = replace(on_record(use_by=(date(2031, 3, 1),)), label=PackLabel(lot="A1"))
    assert judge_pack(pack).verdict == "expired"


def test_two_dates_on_record_for_one_lot_are_a_difference_to_settle() -> None:
    assert (
        judge_pack(on_record(use_by=(date(2033, 1, 1), date(2033, 2, 1)))).verdict
        == "label_differs"
    )


def test_a_date_nobody_knows_is_said_and_not_passed_over() -> None:
    pack = replace(on_record(use_by=()), label=PackLabel(lot="A1"))
    answer = judge_pack(pack)
    assert answer.verdict == "right"
    assert "No use-by date" in answer.says


def test_units_in_quarantine_beside_usable_ones_are_said() -> None:
    assert "1 of this lot in quarantine" in judge_pack(on_record(quarantined=1)).says


def test_a_recall_that_may_cover_the_pack_is_said() -> None:
    doubt = "Notice FSN-2 recalls serial 7: compare with the label."
    assert doubt in judge_pack(replace(GOOD, doubt=doubt)).says
    assert doubt in judge_pack(replace(GOOD, doubt=doubt, label=PackLabel())).says


def test_the_right_pack_says_which_line_it_fills_and_where_it_goes() -> None:
    answer = judge_pack(GOOD)
    assert answer.fills == WANTED[1]
    assert "Demo lag screw 95 mm" in answer.says
    assert answer.what_to_do != judge_pack(of_item(LEFT)).what_to_do, "first use, and in the room"


def test_a_second_pack_of_the_lot_is_taken_while_the_pick_list_wants_it() -> None:
    assert judge_pack(on_record(taken=1, expected=2)).verdict == "right"
    assert judge_pack(on_record(taken=2, expected=2)).verdict == "already_scanned"


def test_what_others_hold_is_no_obstacle_while_a_unit_is_free() -> None:
    assert judge_pack(on_record(holders=(OTHER,), free=1, is_promised=False)).verdict == "right"


def test_what_the_case_holds_itself_is_right_though_nothing_else_is_free() -> None:
    assert judge_pack(on_record(holders=(OTHER,), free=0, is_promised=True)).verdict == "right"


def test_a_pack_promised_to_another_case_names_case_list_and_day() -> None:
    says = judge_pack(CHANGED["held_for_another_case"]).says
    assert all(word in says for word in ("K2", "Theatre 2", "2031-03-05"))


def test_a_wrong_size_names_the_sizes_wanted() -> None:
    assert "Demo lag screw 95 mm" in judge_pack(CHANGED["wrong_size"]).says
