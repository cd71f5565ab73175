"""What another site has sent: it covers a case if it arrives, and is the last thing counted on."""

from collections.abc import Sequence
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from itertools import permutations
from random import Random

import pytest

from service.core.cover.check import check_cases
from service.core.cover.gaps import cover_words, expectation_words
from service.core.cover.projection import project_stock
from service.core.cover.results import CaseCheck, CaseToCheck
from service.core.cover.units import StockUnits, unusable_reason
from tests.core.planner_catalogue import DAY, at, case, line, parcel, set_line

START, MORNING = at(12), at(7)


WANTED = "lag screw 95 mm: lot T1 is in transit from site NORTH"


def sent(
    ref: str, key: str, due: datetime | None, now: datetime = MORNING, quantity: int = 1
) -> StockUnits:
    """Give units in transit as somebody sees them now."""
    back = None if due is None else max(due, now)
    return StockUnits(
        key, ref, quantity, lot=key, store="In transit", due_at=due, back_at=back, sent_from="NORTH"
    )


def check(
    cases: Sequence[CaseToCheck],
    parcels: Sequence[StockUnits],
    turnarounds: dict[str, int] | None = None,
) -> dict[str, CaseCheck]:
    return {one.case.case: one for one in check_cases(cases, parcels, turnarounds or {}, UTC)}


@pytest.mark.parametrize(
    ("due", "now", "state", "words"),
    [
        (
            at(11),
            at(7),
            "covered if",
            "Covered if A T1 arrives by 12:00 (expected 11:00, from site NORTH).",
        ),
        # Late, and it may still come.
        (
            at(9),
            at(10),
            "covered if",
            "Covered if A T1 arrives by 12:00 (late: was expected 09:00, from site NORTH).",
        ),
        (
            at(9),
            at(12, 1),
            "not covered",
            f"{WANTED}, was expected 2031-03-04 09:00 and is late.",
        ),
        (
            at(12, 1),
            at(7),
            "not covered",
            f"{WANTED}, expected 2031-03-04 12:01: too late for this case.",
        ),
        (
            None,
            at(7),
            "not covered",
            f"{WANTED}; arrival time not known.",
        ),
    ],
)
def test_what_was_sent_is_said_in_words(
    due: datetime | None, now: datetime, state: str, words: str
) -> None:
    found = check([case("K1", (line("A"),), starts=START)], [sent("A", "T1", due, now)])["K1"]
    (construct,) = found.constructs
    assert (construct.state, cover_words(construct, {})) == (state, words)


def test_two_things_that_have_to_happen_are_one_sentence() -> None:
    """The set comes back from K1 at 11:30, the screw arrives at 11:00."""
    cases = [
        case("K1", (set_line("S"),), starts=at(8), theatre="T1"),
        case("K2", (line("A"), set_line("S")), starts=START, theatre="T2"),
    ]
    minutes = int((at(11, 30) - cases[0].ends) / timedelta(minutes=1))
    found = check(cases, [sent("A", "T1", at(11)), parcel("S")], {"S": minutes})["K2"]
    (construct,) = found.constructs
    assert construct.state == "covered if"
    said = expectation_words(construct.expectations, UTC)
    assert "A T1 arrives by 12:00 (expected 11:00, from site NORTH) and S " in said
    assert "is back by 12:00 (expected 11:30, after K1)." in said


def test_a_set_that_stood_by_unopened_has_still_to_arrive_for_the_next() -> None:
    """K1 has it from 9:00 and does not open it; whoever has it, it comes from NORTH at 8:00."""
    cases = [
        case("K1", (line("A"),), (set_line("S"),), starts=at(9)),
        case("K2", (set_line("S"),), starts=START),
    ]
    stock = [parcel("A"), sent("S", "T1", at(8))]
    (one,) = check(cases, stock, {"S": 240})["K2"].constructs[0].expectations
    assert (one.sent_from, one.due, one.after) == ("NORTH", at(8), "")


def test_a_set_that_is_here_goes_before_one_in_transit() -> None:
    stock = [sent("S", "T1", at(8)), replace(parcel("S"), key="here", lot="here")]
    found = check([case("K1", (set_line("S"),), starts=START)], stock, {"S": 240})["K1"]
    assert found.constructs[0].state == "covered"


def test_an_alternate_is_given_what_is_here_of_what_the_case_has_claimed() -> None:
    """The primary takes both; what was sent expires first, and the alternate takes one."""
    stock = [
        replace(sent("A", "T1", at(8)), use_by=DAY),
        parcel("A", lot="here"),
    ]
    asked = case("K1", (line("A", quantity=2),), (line("A"),), starts=START)
    found = check([asked], stock)["K1"]
    assert [one.state for one in found.constructs] == ["covered if", "covered"]


@pytest.mark.parametrize("blocked", ["recalled", "unsterile"])
def test_what_must_not_be_used_is_not_waited_for(blocked: str) -> None:
    units = replace(sent("A", "T1", at(11)), blocked=(blocked,))
    found = check([case("K1", (line("A"),), starts=START)], [units])["K1"]
    (gap,) = found.constructs[0].gaps
    assert gap.because == blocked


def test_it_counts_for_nobody_who_names_no_case() -> None:
    reason = unusable_reason(sent("A", "T1", at(11)), DAY)
    assert reason is not None
    assert reason.because == "not_here_yet"


def test_it_is_there_on_no_day_of_the_weeks_to_come() -> None:
    coming = sent("A", "T1", at(11) + timedelta(days=1))
    days = project_stock([coming, sent("A", "T2", None)], [], DAY, DAY + timedelta(days=2), UTC)
    assert [(day.there, day.coming) for day in days] == [(0, 0), (0, 1), (0, 1)]


def _fills(lines: Sequence[tuple[str, ...]], units: Sequence[str]) -> bool:
    """Tell by trying every order whether each line gets a unit of its own."""
    return any(
        all(ref in refs for ref, refs in zip(order, lines, strict=True))
        for order in permutations(units, len(lines))
    )


@pytest.mark.parametrize("seed", range(300))
def test_a_case_is_covered_by_what_is_here_or_else_if_what_was_sent_arrives(seed: int) -> None:
    """Checked against every way of giving units to lines, also where lines overlap in part."""
    luck = Random(seed)  # noqa: S311 - an example, not a secret
    lines = [
        tuple(sorted(luck.sample("ABC", luck.choice((1, 1, 2, 3)))))
        for _ in range(luck.choice((1, 2, 3)))
    ]
    here = [luck.choice("ABC") for _ in range(luck.choice((0, 1, 2, 3)))]
    coming = [(luck.choice("ABC"), luck.choice((at(11), START, at(13), None))) for _ in range(2)]
    in_time = [ref for ref, due in coming if due is not None and due <= START]
    stock = [
        replace(parcel(ref), key=f"h{number}", lot=f"h{number}") for number, ref in enumerate(here)
    ]
    stock += [sent(ref, f"t{number}", due) for number, (ref, due) in enumerate(coming)]
    luck.shuffle(stock)
    asked = tuple(replace(line(*refs), role=f"role {number}") for number, refs in enumerate(lines))
    found = check([case("K1", asked, starts=START)], stock)["K1"]
    state = found.constructs[0].state
    if _fills(lines, here):
        assert state == "covered"
    elif _fills(lines, [*here, *in_time]):
        assert state == "covered if"
    else:
        assert state in {"partly covered", "not covered"}
