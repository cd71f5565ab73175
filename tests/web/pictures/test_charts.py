"""Bars, projection, timeline and curve: what they count, and what they say."""

from dataclasses import replace
from datetime import date, datetime, timedelta
from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from tests.web.pictures.pictures_kit import SVG, parsed
from web.pictures.charts.cost_curve import PlottedPoint, cost_curve
from web.pictures.charts.projection import StockChange, levels_of, stock_projection
from web.pictures.charts.readiness import ReadinessRow, interval_of, readiness_bars
from web.pictures.charts.scale import round_ticks
from web.pictures.charts.sets import SetRow, SetUse, placed_uses, set_timeline

DAY = date(2031, 3, 4)


def classes(svg: str) -> list[str]:
    return [one.get("class") or "" for one in parsed(svg).iter()]


def test_a_bar_is_as_long_as_its_value() -> None:
    picture = readiness_bars(
        [ReadinessRow("K1", 0.5), ReadinessRow("K2", 1.0)], prefix="r", title="R"
    )
    bars = [
        one for one in parsed(picture.svg).iter(f"{SVG}rect") if one.get("class") == "pic-value"
    ]
    short, whole = (float(one.get("width", "")) for one in bars)
    assert short == pytest.approx(whole / 2)


def test_a_simulated_value_has_the_interval_of_the_normal_distribution() -> None:
    ends = interval_of(ReadinessRow("K", 0.8, 0.02))
    assert ends == pytest.approx(stats.norm.interval(0.95, loc=0.8, scale=0.02), abs=1e-6)
    assert interval_of(ReadinessRow("K", 0.99, 0.02)) == pytest.approx((0.9508, 1.0), abs=1e-4)


def test_an_exact_value_has_no_interval_and_an_unknown_one_no_bar() -> None:
    picture = readiness_bars(
        [ReadinessRow("K1", 0.8), ReadinessRow("K2", None)], prefix="r", title="R"
    )
    assert "pic-whisker" not in classes(picture.svg)
    assert classes(picture.svg).count("pic-value") == 1
    assert picture.sentences == ("K1: 80 %, exact.", "K2: not known.")


def test_what_is_no_probability_or_cost_is_refused() -> None:
    with pytest.raises(ValueError, match="from 0 to 1"):
        ReadinessRow("K", 1.2)
    with pytest.raises(ValueError, match="from 0 to 1"):
        PlottedPoint(10, -0.1)
    with pytest.raises(ValueError, match="0 or more"):
        PlottedPoint(-1, 0.5)


@given(st.floats(0, 1e6), st.floats(0.01, 1e6), st.integers(3, 9))
def test_ticks_are_round_even_and_within(low: float, wide: float, most: int) -> None:
    ticks = round_ticks(low, low + wide, most)
    steps = [after - before for before, after in pairwise(ticks)]
    assert len(ticks) <= most
    assert all(low - wide * 1e-6 <= tick <= low + wide * (1 + 1e-6) for tick in ticks)
    assert steps == pytest.approx([steps[0]] * len(steps)) if steps else True


CHANGES = st.lists(
    st.builds(
        StockChange,
        st.integers(-5, 40).map(lambda days: DAY + timedelta(days=days)),
        st.sampled_from(["delivery", "expiry", "case"]),
        st.integers(1, 4),
        st.just("why"),
    ),
    max_size=12,
)


@given(st.integers(0, 9), CHANGES)
def test_the_projection_adds_up_day_by_day(on_hand: int, changes: list[StockChange]) -> None:
    until = DAY + timedelta(days=28)
    levels = dict(levels_of(on_hand, changes, DAY, until))
    level = on_hand
    for ahead in range(29):
        day = DAY + timedelta(days=ahead)
        for one in changes:
            if one.day == day or (ahead == 0 and one.day < day):
                level += one.quantity if one.kind == "delivery" else -one.quantity
        if day in levels:
            assert levels[day] == level
    assert next(iter(levels)) == DAY
    assert level == levels[max(levels)]


@given(st.integers(0, 9), CHANGES, st.one_of(st.none(), st.integers(0, 9)))
def test_any_projection_can_be_drawn(
    on_hand: int, changes: list[StockChange], par_level: int | None
) -> None:
    picture = stock_projection(
        "Item",
        today=DAY,
        until=DAY + timedelta(days=28),
        on_hand=on_hand,
        changes=changes,
        par_level=par_level,
        prefix="s",
    )
    shown = [one for one in changes if one.day <= DAY + timedelta(days=28)]
    names = classes(picture.svg)
    for kind in ("delivery", "expiry", "case"):
        # One more of each stands in the key.
        assert names.count(f"pic-{kind}") == 1 + sum(one.kind == kind for one in shown)


def test_a_shortage_is_shaded_and_said_with_its_day() -> None:
    two = StockChange(DAY + timedelta(days=3), "case", 2, "HAR-0714")
    settled = StockChange(DAY + timedelta(days=5), "delivery", 1, "order 12")
    picture = stock_projection(
        "Item",
        today=DAY,
        until=DAY + timedelta(days=10),
        on_hand=1,
        changes=[two, settled],
        par_level=1,
        prefix="s",
    )
    assert classes(picture.svg).count("pic-short") == 1
    assert "7 Mar: 2 are planned (HAR-0714); 1 short after that day." in picture.sentences
    assert "9 Mar: 1 comes (order 12); 0 left after that day." in picture.sentences
    assert "It runs short on 7 Mar." in picture.sentences
    assert "It is below what the shelf should hold from 7 Mar on." in picture.sentences


def test_a_projection_that_ends_before_it_begins_is_refused() -> None:
    with pytest.raises(ValueError, match="ends after it begins"):
        stock_projection(
            "Item", today=DAY, until=DAY, on_hand=1, changes=[], par_level=None, prefix="s"
        )
    with pytest.raises(ValueError, match="1 unit or more"):
        StockChange(DAY, "case", 0, "nothing")


def at(hour: int, minute: int = 0) -> datetime:
    return datetime(2031, 3, 4, hour, minute)  # noqa: DTZ001 - a page draws the site's own clock


A, B, C = SetUse("A", at(8), at(9)), SetUse("B", at(12), at(13)), SetUse("C", at(13), at(14))


def test_a_set_is_back_after_its_turnaround_to_the_minute() -> None:
    # 09:00 and 180 minutes is 12:00: the case that starts at that moment has it.
    first, second = placed_uses(SetRow("Set", 1, 180, (A, B)))
    assert (first.lane, second.lane) == (0, 0)
    assert first.back_at == at(12)
    first, second = placed_uses(SetRow("Set", 1, 181, (A, B)))
    assert (first.lane, second.lane) == (0, None)
    assert (second.back_at, second.after) == (at(12, 1), "A")


def test_a_second_set_serves_the_case_that_the_first_cannot() -> None:
    placed = placed_uses(SetRow("Set", 2, 240, (C, A, B)))
    assert [(one.use.case, one.lane) for one in placed] == [("A", 0), ("B", 1), ("C", 0)]


def test_of_two_sets_that_are_away_the_first_to_come_back_is_named() -> None:
    later = SetUse("B", at(8, 30), at(10))
    *_, third = placed_uses(SetRow("Set", 2, 240, (A, later, SetUse("C", at(10, 30), at(11)))))
    assert (third.lane, third.back_at, third.after) == (None, at(13), "A")


USES = st.lists(st.tuples(st.integers(0, 40), st.integers(1, 8)), max_size=7).map(
    lambda pairs: tuple(
        SetUse(
            f"K{n}",
            at(6) + timedelta(minutes=15 * start),
            at(6) + timedelta(minutes=15 * (start + long)),
        )
        for n, (start, long) in enumerate(pairs)
    )
)


@given(USES, st.integers(0, 3), st.integers(0, 300))
def test_no_set_is_in_two_places_and_none_is_left_idle_while_a_case_lacks_one(
    uses: tuple[SetUse, ...], quantity: int, turnaround: int
) -> None:
    row = SetRow("Set", quantity, turnaround, uses)
    placed = placed_uses(row)
    away = timedelta(minutes=turnaround)
    for one in placed:
        busy = {
            other.lane
            for other in placed
            if other is not one
            and other.lane is not None
            and other.use.starts_at <= one.use.starts_at < other.use.ends_at + away
            and placed.index(other) < placed.index(one)
        }
        assert one.lane not in busy or one.lane is None
        assert (one.lane is None) == (len(busy) == quantity)
    picture = set_timeline([row], prefix="t", title="Sets")
    assert classes(picture.svg).count("pic-lacking") == sum(one.lane is None for one in placed)
    assert classes(picture.svg).count("pic-use") == sum(one.lane is not None for one in placed)
    assert len(picture.sentences) == max(len(uses), 1)


def test_a_case_without_a_set_is_said_with_when_one_is_back() -> None:
    picture = set_timeline([SetRow("Nail set", 1, 240, (A, B))], prefix="t", title="Sets")
    assert picture.sentences == (
        "Nail set: A from 08:00 to 09:00, back at 13:00.",
        "Nail set, 1 in stock: B needs one at 12:00 to 13:00; the first is back at 13:00 from A.",
    )
    none = set_timeline([SetRow("Nail set", 0, 240, (A,))], prefix="t", title="Sets")
    assert none.sentences == (
        "Nail set, none in stock: A needs one at 08:00 to 09:00; there is none.",
    )


def test_blocks_are_as_long_as_the_hours_they_stand_for() -> None:
    picture = set_timeline([SetRow("Set", 1, 240, (A,))], prefix="t", title="Sets")
    found = {
        one.get("class"): float(one.get("width", ""))
        for one in parsed(picture.svg).iter(f"{SVG}rect")
    }
    assert found["pic-away"] == pytest.approx(4 * found["pic-use"], abs=0.05)


STEPS = [PlottedPoint(0, 0.2), PlottedPoint(1000, 0.5, "lag 95"), PlottedPoint(2500, 0.8)]


def test_the_curve_rises_in_steps_and_carries_both_points() -> None:
    picture = cost_curve(
        STEPS[::-1],
        today=PlottedPoint(2000, 0.5),
        proposal=STEPS[2],
        currency="GBP",
        prefix="c",
        title="C",
    )
    assert picture.sentences[:2] == (
        "Today: 50 % for £2,000.",
        "Proposal: 80 % for £2,500.",
    )
    assert "50 % for £1,000 (lag 95)." in picture.sentences
    path = next(one for one in parsed(picture.svg).iter() if one.get("class") == "pic-step")
    points = [tuple(map(float, part.split())) for part in (path.get("d") or "M")[1:].split("L")]
    # Each step goes level to the next cost, then straight up.
    assert len(points) == 2 * len(STEPS) - 1
    assert all(one[0] == two[0] or one[1] == two[1] for one, two in pairwise(points))
    assert [x for x, _ in points] == sorted(x for x, _ in points)


@given(
    st.lists(st.builds(PlottedPoint, st.floats(0, 1e7), st.floats(0, 1)), max_size=6),
    st.one_of(st.none(), st.builds(PlottedPoint, st.floats(0, 1e7), st.floats(0, 1))),
)
def test_any_curve_can_be_drawn(steps: list[PlottedPoint], today: PlottedPoint | None) -> None:
    proposal = None if today is None else replace(today, cost=today.cost + 1)
    picture = cost_curve(
        steps, today=today, proposal=proposal, currency="EUR", prefix="c", title="C"
    )
    assert classes(picture.svg).count("pic-step") == (1 if steps else 0)
    assert len(picture.sentences) == max(len(steps) + 2 * (today is not None), 1)
