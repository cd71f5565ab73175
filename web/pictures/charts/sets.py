"""Where the instrument sets of a list day are, hour by hour."""

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta

from markupsafe import Markup

from web.pictures.charts.scale import Scale, clock
from web.pictures.svg import Anchor, Picture, group, line, picture, polygon, rectangle, text

_WIDTH, _LEFT, _RIGHT, _TOP = 360.0, 6.0, 354.0, 22.0


_HEAD, _LANE, _BLOCK, _GAP = 19.0, 31.0, 13.0, 6.0


_MOST_HOURS = 7


@dataclass(frozen=True, slots=True)
class SetUse:
    """A case that uses one set from its start to its end."""

    case: str
    starts_at: datetime
    ends_at: datetime


@dataclass(frozen=True, slots=True)
class SetRow:
    """One kind of instrument set.

    Parameters
    ----------
    name
        What it is.
    quantity
        How many there are, 0 or more.
    turnaround_minutes
        How long one is away after a case ends.
    uses
        The cases that use one, in any order.
    """

    name: str
    quantity: int
    turnaround_minutes: int
    uses: tuple[SetUse, ...]


@dataclass(frozen=True, slots=True)
class PlacedUse:
    """A use with the set that serves it.

    Parameters
    ----------
    use
        The case.
    lane
        Number of the set from 0, or None: none is there when the case starts.
    back_at
        When that set can be used again; without one, when the first of them is back (None when
        there is no set at all).
    after
        The case that has the set which is back first, for a use without one.
    """

    use: SetUse
    lane: int | None
    back_at: datetime | None
    after: str | None = None


def placed_uses(row: SetRow) -> tuple[PlacedUse, ...]:
    """Return each use a set, in the order in which the cases start.

    Parameters
    ----------
    row
        The sets and their uses.

    Returns
    -------
    tuple of PlacedUse
        By start, then by case. A case takes the set that has been free the longest; a case that
        finds none takes none, and those after it are not delayed.
    """
    away = timedelta(minutes=row.turnaround_minutes)
    free_at: list[datetime | None] = [None] * row.quantity
    holder = [""] * row.quantity
    found = []
    for use in sorted(row.uses, key=lambda one: (one.starts_at, one.case)):
        ready = [n for n, at in enumerate(free_at) if at is None or at <= use.starts_at]
        if ready:
            lane = ready[0]
            free_at[lane], holder[lane] = use.ends_at + away, use.case
            found.append(PlacedUse(use, lane, use.ends_at + away))
            continue
        waits = [(at, n) for n, at in enumerate(free_at) if at is not None]
        first = min(waits, default=None)
        back, after = (first[0], holder[first[1]]) if first else (None, None)
        found.append(PlacedUse(use, None, back, after))
    return tuple(found)


def set_timeline(rows: Sequence[SetRow], *, prefix: str, title: str) -> Picture:
    """Draw sets against hours.

    Parameters
    ----------
    rows
        Sets with their uses; times are drawn as they are given, all in one time zone.
    prefix
        Unique on the page.
    title
        What is shown: the day.

    Returns
    -------
    Picture
        A lane for each set: the case solid, its turnaround hatched behind it; and below them a
        lane for the cases that find no set.
    """
    placed = [(row, placed_uses(row)) for row in rows]
    hours = _hours(placed)
    parts: list[Markup] = []
    y = _TOP
    body: list[Markup] = []
    across = None if hours is None else Scale(*hours, _LEFT, _RIGHT)
    for row, uses in placed:
        body.append(text((_LEFT, y + 13), f"{row.name}, {_count(row)}", "pic-text pic-strong"))
        y += _HEAD
        lanes = sorted({one.lane for one in uses if one.lane is not None})
        for lane in lanes:
            if across is not None:
                body += _lane([one for one in uses if one.lane == lane], across, y)
            y += _LANE
        missed = [one for one in uses if one.lane is None]
        if missed and across is not None:
            for one in missed:
                body.append(group("pic-missed", _missed(one, across, y)))
                y += _LANE
        y += _GAP
    if across is not None and hours is not None:
        parts.append(group("pic-axis", _axis(across, hours, y)))
    return picture(
        (0, 0, _WIDTH, y + 4),
        [*parts, *body],
        prefix=prefix,
        title=title,
        sentences=[sentence for row, uses in placed for sentence in _sentences(row, uses)],
        class_="pic-chart",
    )


def _count(row: SetRow) -> str:
    return f"{row.quantity} in stock" if row.quantity else "none in stock"


def _hours(placed: Sequence[tuple[SetRow, tuple[PlacedUse, ...]]]) -> tuple[float, float] | None:
    """Return the first and last whole hour, counted from midnight of the first day."""
    uses = [one for _, found in placed for one in found]
    if not uses:
        return None
    first = min(one.use.starts_at for one in uses)
    last = max(max(one.use.ends_at, one.back_at or one.use.ends_at) for one in uses)
    start = first.hour
    span = (last - first.replace(minute=0, second=0, microsecond=0)).total_seconds() / 3600
    return float(start), start + max(math.ceil(span), 1)


def _x(across: Scale, moment: datetime, first: datetime) -> float:
    midnight = first.replace(hour=0, minute=0, second=0, microsecond=0)
    return across.at((moment - midnight).total_seconds() / 3600)


def _axis(across: Scale, hours: tuple[float, float], bottom: float) -> Iterator[Markup]:
    span = hours[1] - hours[0]
    step = next(n for n in (1, 2, 3, 4, 6, 12, 24, 48) if span / n <= _MOST_HOURS)
    mark = hours[0]
    while mark <= hours[1]:
        x = across.at(mark)
        yield line((x, _TOP - 6), (x, bottom), "pic-grid")
        anchor: Anchor = "start" if mark == hours[0] else "middle"
        if x > _RIGHT - 14:
            anchor = "end"
        yield text((x, 11), f"{int(mark) % 24:02d}:00", "pic-text pic-soft", anchor)
        mark += step


def _lane(uses: Sequence[PlacedUse], across: Scale, top: float) -> Iterator[Markup]:
    first = uses[0].use.starts_at
    for one in uses:
        start, end = _x(across, one.use.starts_at, first), _x(across, one.use.ends_at, first)
        y = top + 14
        yield rectangle(start, y, max(end - start, 1.0), _BLOCK, "pic-use")
        yield text((start, top + 11), one.use.case)
        if one.back_at is None or one.back_at <= one.use.ends_at:
            continue
        back = _x(across, one.back_at, first)
        yield rectangle(end, y, back - end, _BLOCK, "pic-away")
        yield from _hatch(end, back, y)
        yield text((back, top + 11), f"back {clock(one.back_at)}", "pic-text pic-soft", "end")


def _hatch(left: float, right: float, top: float) -> Iterator[Markup]:
    x = left + 5
    while x < right:
        yield line((x, top + 1), (max(x - 9, left + 1), top + _BLOCK - 1), "pic-hatch")
        x += 7


def _missed(one: PlacedUse, across: Scale, top: float) -> Iterator[Markup]:
    start = _x(across, one.use.starts_at, one.use.starts_at)
    end = _x(across, one.use.ends_at, one.use.starts_at)
    y = top + 14
    yield rectangle(start, y, max(end - start, 1.0), _BLOCK, "pic-lacking")
    yield polygon([(start + 4, y + 11), (start + 10, y + 11), (start + 7, y + 3)], "pic-warn")
    words = f"{one.use.case}: no set"
    anchor: Anchor = "start" if start < (_LEFT + _RIGHT) / 2 else "end"
    yield text((start if anchor == "start" else end, top + 11), words, "pic-text pic-gap", anchor)


def _sentences(row: SetRow, uses: Sequence[PlacedUse]) -> Iterator[str]:
    if not uses:
        yield f"{row.name}, {_count(row)}: no case uses it."
    for one in uses:
        start, end = clock(one.use.starts_at), clock(one.use.ends_at)
        if one.lane is not None and one.back_at is not None:
            back = clock(one.back_at)
            which = f" {one.lane + 1} of {row.quantity}" if row.quantity > 1 else ""
            yield f"{row.name}{which}: {one.use.case} from {start} to {end}, back at {back}."
            continue
        why = "there is none"
        if one.back_at is not None:
            why = f"the first is back at {clock(one.back_at)} from {one.after}"
        yield f"{row.name}, {_count(row)}: {one.use.case} needs one at {start} to {end}; {why}."
