"""Every reason a gap may have, produced by a check, in words a nurse can act on."""

from datetime import UTC, date, timedelta
from zoneinfo import ZoneInfo

import pytest

from service.core.constructs.kit_lines import CONSUMABLE, FIRST_USE, IN_ROOM, KitLine
from service.core.cover.check import check_cases
from service.core.cover.gaps import explain
from service.core.cover.results import CaseToCheck, Gap
from service.core.cover.units import BECAUSE, Reason, StockUnits, unusable_reason
from tests.core.planner_catalogue import DAY, at, case, line, parcel, set_line

LONDON = ZoneInfo("Europe/London")


WANTED = line("L95")


TWO_SIDED = KitLine(
    "nail",
    "nail 11 × 340 mm, 130°, left",
    ("N-L",),
    1,
    "nominal",
    FIRST_USE,
    is_nominal=True,
    is_sized=True,
    other_side=("N-R",),
)


HEADED = KitLine(
    "lag screw",
    "lag screw 95 mm, headed",
    ("L-headed",),
    1,
    "nominal",
    FIRST_USE,
    is_nominal=True,
    is_sized=True,
    other_head=("L-headless",),
)


NOT_MADE = KitLine("lag screw", "lag screw for 130 mm", (), 1, "nominal", FIRST_USE, is_sized=True)


EARLIER = case("K1", (line("L95"), set_line("SET")), starts=at(8), theatre="T0")


#: Reason, line, stock, other cases; what is missing, and the sentence, written by hand.
Produced = tuple[str, KitLine, list[StockUnits], list[CaseToCheck], str, str]


PRODUCED: list[Produced] = [
    (
        "not_made",
        NOT_MADE,
        [],
        [],
        "size",
        "lag screw for 130 mm: this size is not in the catalogue.",
    ),
    (
        "opened_here",
        set_line("SET"),
        [parcel("SET", away_with="K2", in_reprocessing=True, back_at=at(13))],
        [],
        "instrument set",
        (
            "nail instrument set: opened in this case and being reprocessed, expected back "
            "2031-03-04 13:00."
        ),
    ),
    (
        "instrument_set_in_use",
        set_line("SET"),
        [parcel("SET")],
        [EARLIER],
        "instrument set",
        "nail instrument set: in use or in turnaround until 2031-03-04 13:00, for K1.",
    ),
    (
        "promised",
        WANTED,
        [parcel("L95", lot="7")],
        [EARLIER],
        "size",
        "lag screw 95 mm: the last one is reserved for K1.",
    ),
    (
        "recalled",
        WANTED,
        [parcel("L95", lot="7", blocked=("recalled",))],
        [],
        "size",
        "lag screw 95 mm: lot 7 is recalled.",
    ),
    (
        "expires",
        WANTED,
        [parcel("L95", lot="7", use_by=date(2031, 3, 3))],
        [],
        "size",
        "lag screw 95 mm: lot 7 expires before the list day (2031-03-03).",
    ),
    (
        "quarantined",
        WANTED,
        [parcel("L95", lot="7", blocked=("quarantined",))],
        [],
        "size",
        "lag screw 95 mm: lot 7 is in quarantine.",
    ),
    (
        "unsterile",
        set_line("SET"),
        [parcel("SET", lot="", serial="S-2", blocked=("unsterile",))],
        [],
        "instrument set",
        "nail instrument set: serial S-2 is not sterile.",
    ),
    (
        "return_due",
        WANTED,
        [parcel("L95", lot="7", return_by=DAY)],
        [],
        "size",
        "lag screw 95 mm: lot 7 is a loan due back by then (2031-03-04).",
    ),
    (
        "not_here_yet",
        WANTED,
        [parcel("L95", lot="delivery D5", usable_from=at(7, 30))],
        [],
        "size",
        (
            "lag screw 95 mm: delivery D5 has not arrived; usable from 2031-03-04 07:30 if it "
            "arrives on time."
        ),
    ),
    (
        "not_here_in_time",
        WANTED,
        [parcel("L95", lot="delivery D5", usable_from=at(14))],
        [],
        "size",
        (
            "lag screw 95 mm: delivery D5 is on order, usable from 2031-03-04 14:00: too late for "
            "this case."
        ),
    ),
    (
        "wrong_side",
        TWO_SIDED,
        [parcel("N-R", lot="7")],
        [],
        "side",
        "nail 11 × 340 mm, 130°, left: only the other side is in stock (lot 7).",
    ),
    (
        "head_design",
        HEADED,
        [parcel("L-headless", lot="7")],
        [],
        "head design",
        "lag screw 95 mm, headed: only the other head design is in stock (lot 7).",
    ),
    ("none_in_stock", WANTED, [], [], "size", "lag screw 95 mm: not in stock."),
]


def gap_of(
    wanted: KitLine, stock: list[StockUnits], others: list[CaseToCheck], zone: ZoneInfo = LONDON
) -> Gap:
    asked = case("K2", (wanted,), starts=at(9, 30))
    (checked,) = [
        one
        for one in check_cases([*others, asked], stock, {"SET": 240}, zone)
        if one.case.case == "K2"
    ]
    (gap,) = checked.constructs[0].gaps
    return gap


@pytest.mark.parametrize("row", PRODUCED, ids=[row[0] for row in PRODUCED])
def test_a_reason_is_said_in_full(row: Produced) -> None:
    because, wanted, stock, others, what, sentence = row
    gap = gap_of(wanted, stock, others)
    assert (gap.because, gap.what, gap.missing) == (because, what, 1)
    assert gap.sentence == sentence


def test_every_reason_there_is_has_been_produced() -> None:
    assert [row[0] for row in PRODUCED] == list(BECAUSE)


@pytest.mark.parametrize("place", range(len(PRODUCED) - 1))
def test_the_strongest_reason_is_said_and_the_others_are_kept(place: int) -> None:
    reasons = [Reason(because) for because in reversed(BECAUSE[place:])]
    gap = explain(WANTED, 1, reasons, {})
    assert gap.because == BECAUSE[place]
    assert [one.because for one in gap.reasons][: len(reasons)] == list(BECAUSE[place:])


def test_a_moment_is_said_in_the_time_of_the_site() -> None:
    # 14:00 UTC on 1 July is 15:00 in London's summer.
    summer = date(2031, 7, 1)
    stock = [parcel("L95", lot="delivery D5", usable_from=at(14, day=summer))]
    asked = case("K2", (WANTED,), starts=at(9, 30, day=summer))
    (checked,) = check_cases([asked], stock, {}, LONDON)
    assert "2031-07-01 15:00" in checked.constructs[0].gaps[0].sentence


def test_everyone_who_has_a_pack_is_named() -> None:
    others = [
        case(f"K{place}", (line("L95"),), starts=at(8), theatre=f"T{place}") for place in (0, 1)
    ]
    stock = [parcel("L95", lot="7"), parcel("L95", lot="8")]
    assert gap_of(WANTED, stock, others).sentence.endswith("reserved for K0, K1.")


def test_of_two_deliveries_the_one_that_comes_in_time_is_named() -> None:
    stock = [
        parcel("L95", lot="delivery D1", usable_from=at(15)),
        parcel("L95", lot="delivery D2", usable_from=at(9)),
        parcel("L95", lot="delivery D3", usable_from=at(8)),
    ]
    gap = gap_of(WANTED, stock, [])
    assert (gap.because, gap.reasons[0].units) == ("not_here_yet", stock[2])


def test_the_set_that_is_back_first_is_named() -> None:
    others = [
        case("K0", (set_line("S1"),), starts=at(8), theatre="T1"),
        case("K1", (set_line("S2"),), starts=at(7), ends=at(8), theatre="T2"),
    ]
    asked = case("K2", (set_line("S1", "S2"),), starts=at(9, 30))
    checked = check_cases(
        [*others, asked], [parcel("S1"), parcel("S2")], {"S1": 240, "S2": 240}, UTC
    )
    (gap,) = checked[-1].constructs[0].gaps
    assert "until 2031-03-04 12:00, for K1" in gap.sentence


def test_the_other_side_is_not_offered_when_it_is_promised_too() -> None:
    others = [case("K1", (line("N-R", role="nail"),), starts=at(8), theatre="T0")]
    assert gap_of(TWO_SIDED, [parcel("N-R")], others).because == "none_in_stock"


def test_a_pack_without_lot_and_serial_is_called_the_pack() -> None:
    gap = gap_of(WANTED, [parcel("L95", lot="", blocked=("quarantined",))], [])
    assert gap.sentence == "lag screw 95 mm: the pack is in quarantine."


def test_what_has_no_size_is_not_said_to_be_a_size() -> None:
    cap = KitLine("end cap", "end cap", (), 1, "nominal", FIRST_USE)
    gap = gap_of(cap, [], [])
    assert (gap.what, gap.sentence) == ("implant", "end cap: not in the catalogue.")
    wire = KitLine("guide wire", "guide wire", ("G",), 2, "nominal", IN_ROOM, CONSUMABLE)
    assert gap_of(wire, [], []).what == "consumable"


def test_a_reason_without_a_moment_or_a_case_still_makes_a_sentence() -> None:
    assert explain(WANTED, 1, [Reason("promised")], {}).sentence.endswith("for another case.")
    assert "a date not known" in explain(WANTED, 1, [Reason("not_here_yet")], {}).sentence


def test_a_parcel_is_not_looked_at_before_the_day_it_is_asked_for() -> None:
    stock = parcel("L95", use_by=DAY)
    assert unusable_reason(stock, DAY, starts=at(9)) is None
    late = unusable_reason(stock, DAY + timedelta(days=1), starts=at(9))
    assert late is not None
    assert late.because == "expires"
