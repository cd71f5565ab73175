"""The stock of one item over the coming weeks: what comes, what expires, what is promised."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from typing import Literal

from markupsafe import Markup

from web.pictures.charts.scale import Scale, day_words, round_ticks
from web.pictures.plane import Point
from web.pictures.svg import Picture, circle, element, group, line, path_of, picture, polygon, text

_WIDTH, _HEIGHT = 360.0, 248.0


_LEFT, _RIGHT, _TOP, _BOTTOM = 34.0, 350.0, 56.0, 202.0


_MOST_TICKS = 6


@dataclass(frozen=True, slots=True)
class StockChange:
    """What is expected to change the stock on a day.

    Parameters
    ----------
    day
        The day; a change before the first day shown counts on that day.
    kind
        ``delivery`` adds, ``expiry`` and ``case`` take away.
    quantity
        How many units, 1 or more.
    says
        Which delivery, lot or case.
    """

    day: date
    kind: Literal["delivery", "expiry", "case"]
    quantity: int
    says: str

    def __post_init__(self) -> None:
        if self.quantity < 1:
            message = f"a change of stock is 1 unit or more, not {self.quantity}"
            raise ValueError(message)

    @property
    def signed(self) -> int:
        """The change with its sign."""
        return self.quantity if self.kind == "delivery" else -self.quantity


def levels_of(
    on_hand: int, changes: Sequence[StockChange], today: date, until: date
) -> tuple[tuple[date, int], ...]:
    """Follow the stock from day to day.

    Returns
    -------
    tuple of pairs
        Day and stock at its end, for today and each later day on which something changes; below
        0 says how many are short.
    """
    days = sorted({today, *(max(one.day, today) for one in changes if one.day <= until)})
    found, level = [], on_hand
    for day in days:
        level += sum(one.signed for one in changes if max(one.day, today) == day)
        found.append((day, level))
    return tuple(found)


def stock_projection(
    item: str,
    *,
    today: date,
    until: date,
    on_hand: int,
    changes: Sequence[StockChange],
    par_level: int | None,
    prefix: str,
) -> Picture:
    """Draw the stock as a step line.

    Parameters
    ----------
    item
        What it is, as on the shelf.
    today, until
        First and last day shown; the last is later.
    on_hand
        Units there now.
    changes
        What is expected; what lies after ``until`` is left out.
    par_level
        What the shelf should hold; None draws no line.
    prefix
        Unique on the page.

    Returns
    -------
    Picture
        A step line with a mark at each change, and shaded where less than nothing is left.

    Raises
    ------
    ValueError
        When the last day is not after the first.
    """
    if until <= today:
        raise ValueError("a projection ends after it begins")
    shown = sorted(
        (one for one in changes if one.day <= until), key=lambda one: (one.day, one.says)
    )
    levels = levels_of(on_hand, shown, today, until)
    heights = [0, on_hand, par_level or 0, *(level for _, level in levels)]
    across = Scale(today.toordinal(), until.toordinal(), _LEFT, _RIGHT)
    up = Scale(min(heights), max(*heights, min(heights) + 2), _BOTTOM - 6, _TOP)
    first = f"{item}: {on_hand} in stock on {day_words(today)}."
    parts = [
        group("pic-axis", _axis(across, up, today, until)),
        *_short(levels, across, up, until),
        *([] if par_level is None else [group("pic-par", _par(up, par_level))]),
        element("path", d=path_of(_steps(on_hand, levels, across, up)), class_="pic-step"),
        group("pic-marks", _marks(shown, levels, across, up, today)),
        group("pic-today", _today(across.at(today.toordinal()), on_hand)),
        group("pic-key", _key()),
    ]
    return picture(
        (0, 0, _WIDTH, _HEIGHT),
        parts,
        prefix=prefix,
        title=f"Stock of {item}, {day_words(today)} to {day_words(until)}",
        sentences=_sentences(first, shown, levels, par_level),
        class_="pic-chart",
    )


def _axis(across: Scale, up: Scale, today: date, until: date) -> Iterator[Markup]:
    for mark in round_ticks(up.low, up.high, _MOST_TICKS):
        if mark == int(mark):
            y = up.at(mark)
            yield line((_LEFT, y), (_RIGHT, y), "pic-zero" if mark == 0 else "pic-grid")
            yield text((_LEFT - 5, y + 4), f"{mark:.0f}", "pic-text pic-soft", "end")
    days = (until - today).days
    step = next((n for n in (1, 2, 7, 14, 28, 56) if days / n <= _MOST_TICKS), 112)
    for ahead in range(0, days + 1, step):
        x = across.at(today.toordinal() + ahead)
        yield line((x, _BOTTOM), (x, _BOTTOM + 4), "pic-tick")
        if x <= _RIGHT - 12 or ahead == 0:
            words = "today" if ahead == 0 else day_words(today + timedelta(days=ahead))
            yield text((x, _BOTTOM + 17), words, "pic-text pic-soft", "middle")


def _steps(
    on_hand: int, levels: Sequence[tuple[date, int]], across: Scale, up: Scale
) -> list[Point]:
    points = [(across.start, up.at(on_hand))]
    for day, level in levels:
        x = across.at(day.toordinal())
        points += [(x, points[-1][1]), (x, up.at(level))]
    return [*points, (across.end, points[-1][1])]


def _short(
    levels: Sequence[tuple[date, int]], across: Scale, up: Scale, until: date
) -> Iterator[Markup]:
    """Shade the days on which less than nothing is left."""
    ends = [*(day for day, _ in levels[1:]), until]
    for (day, level), end in zip(levels, ends, strict=True):
        if level < 0:
            left, right = across.at(day.toordinal()), across.at(end.toordinal())
            corners = ((left, up.at(0)), (right, up.at(0)), (right, up.at(level)))
            yield polygon([*corners, (left, up.at(level))], "pic-short")


def _par(up: Scale, par_level: int) -> Iterator[Markup]:
    y = up.at(par_level)
    yield line((_LEFT, y), (_RIGHT, y), "pic-par-line")
    yield text((_RIGHT, y - 4), f"par {par_level}", "pic-text", "end")


def _marks(
    shown: Sequence[StockChange],
    levels: Sequence[tuple[date, int]],
    across: Scale,
    up: Scale,
    today: date,
) -> Iterator[Markup]:
    after = dict(levels)
    for one in shown:
        day = max(one.day, today)
        yield _mark(one.kind, (across.at(day.toordinal()), up.at(after[day])))


def _mark(kind: str, at: Point) -> Markup:
    x, y = at
    if kind == "delivery":
        return polygon([(x, y - 6), (x + 5.5, y + 4), (x - 5.5, y + 4)], "pic-delivery")
    if kind == "expiry":
        return element(
            "path",
            d=f"{path_of([(x - 4.5, y - 4.5), (x + 4.5, y + 4.5)])}"
            f"{path_of([(x - 4.5, y + 4.5), (x + 4.5, y - 4.5)])}",
            class_="pic-expiry",
        )
    return circle((x, y), 4.5, "pic-case")


def _today(x: float, on_hand: int) -> Iterator[Markup]:
    """Say what is there now above the step line, so that no step crosses the words."""
    yield line((x, _TOP - 16), (x, _BOTTOM), "pic-now")
    yield text((x + 6, _TOP - 10), f"{on_hand} in stock", "pic-text pic-strong")


def _key() -> Iterator[Markup]:
    for place, (kind, words) in enumerate(
        (("delivery", "delivery"), ("expiry", "expires"), ("case", "planned for a case"))
    ):
        x = _LEFT + (0, 88, 168)[place]
        yield _mark(kind, (x, 16))
        yield text((x + 11, 20), words)


_VERBS = {
    "delivery": ("comes", "come"),
    "expiry": ("expires", "expire"),
    "case": ("is planned", "are planned"),
}


def _sentences(
    first: str,
    shown: Sequence[StockChange],
    levels: Sequence[tuple[date, int]],
    par_level: int | None,
) -> list[str]:
    said, today = [first], levels[0][0]
    if par_level is not None:
        said.append(f"The shelf should hold {par_level}.")
    after = dict(levels)
    for one in shown:
        day = max(one.day, today)
        verb = _VERBS[one.kind][one.quantity > 1]
        left = _left(after[day])
        said.append(f"{day_words(day)}: {one.quantity} {verb} ({one.says}); {left} after that day.")
    short = next((day for day, level in levels if level < 0), None)
    if short is not None:
        said.append(f"It runs short on {day_words(short)}.")
    below = next(
        (day for day, level in levels if par_level is not None and level < par_level), None
    )
    if below is not None:
        said.append(f"It is below what the shelf should hold from {day_words(below)} on.")
    return said


def _left(level: int) -> str:
    return f"{level} left" if level >= 0 else f"{-level} short"
