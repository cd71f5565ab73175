"""Readiness as bars with their interval, the words beside."""

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from markupsafe import Markup

from service.core.readiness.words import percent
from web.pictures.charts.scale import Scale
from web.pictures.svg import Anchor, Picture, group, line, picture, rectangle, text

_WIDTH, _ROW, _TOP, _FOOT = 360.0, 38.0, 2.0, 24.0


_BAR = 10.0


#: A normal distribution lies within this many standard errors 95 times in 100.
_NORMAL_95 = 1.959964


@dataclass(frozen=True, slots=True)
class ReadinessRow:
    """One probability.

    Parameters
    ----------
    label
        Whose it is: a case, a need, a construct.
    value
        From 0 to 1; None where it is not known.
    standard_error
        Of a simulated value; 0 says that it is exact.
    """

    label: str
    value: float | None
    standard_error: float = 0.0

    def __post_init__(self) -> None:
        if self.value is not None and not 0 <= self.value <= 1:
            message = f"a probability lies from 0 to 1, not at {self.value}"
            raise ValueError(message)


def interval_of(row: ReadinessRow) -> tuple[float, float] | None:
    """Return the interval that holds the true value 95 times in 100.

    Returns
    -------
    tuple of float, or None
        Both ends, cut at 0 and 1; None when the value is exact or unknown.

    Notes
    -----
    The value and 1.96 standard errors either side. Source: normal approximation, any textbook.
    """
    if row.value is None or row.standard_error <= 0:
        return None
    reach = _NORMAL_95 * row.standard_error
    return max(row.value - reach, 0.0), min(row.value + reach, 1.0)


def readiness_bars(rows: Sequence[ReadinessRow], *, prefix: str, title: str) -> Picture:
    """Draw one bar a row.

    Parameters
    ----------
    rows
        What is drawn, from top to bottom.
    prefix
        Unique on the page.
    title
        What the bars show.

    Returns
    -------
    Picture
        Bars from 0 to 100 per cent; an unknown value has no bar and says so.
    """
    across = Scale(0, 1, 4, _WIDTH - 4)
    bottom = _TOP + _ROW * len(rows)
    parts = [group("pic-axis", _axis(across, bottom))]
    parts += [
        group("pic-row", _row(row, across, _TOP + place * _ROW)) for place, row in enumerate(rows)
    ]
    return picture(
        (0, 0, _WIDTH, bottom + _FOOT),
        parts,
        prefix=prefix,
        title=title,
        sentences=[_sentence(row) for row in rows],
        class_="pic-chart",
    )


def _axis(across: Scale, bottom: float) -> Iterator[Markup]:
    for mark in (0, 0.25, 0.5, 0.75, 1):
        x = across.at(mark)
        yield line((x, _TOP), (x, bottom + 4), "pic-grid")
    ends: tuple[tuple[float, Anchor], ...] = ((0.0, "start"), (0.5, "middle"), (1.0, "end"))
    for mark, anchor in ends:
        words, at = f"{mark * 100:.0f} %", (across.at(mark), bottom + 19)
        yield text(at, words, "pic-text pic-soft", anchor)


def _row(row: ReadinessRow, across: Scale, top: float) -> Iterator[Markup]:
    left, right = across.start, across.end
    yield text((left, top + 15), row.label)
    bar = top + 21
    yield rectangle(left, bar, right - left, _BAR, "pic-trough")
    if row.value is None:
        yield text((right, top + 15), "not known", "pic-text pic-strong", "end")
        return
    yield text((right, top + 15), percent(row.value), "pic-text pic-strong", "end")
    yield rectangle(left, bar, across.at(row.value) - left, _BAR, "pic-value")
    ends = interval_of(row)
    if ends is not None:
        low, high = (across.at(end) for end in ends)
        middle = bar + _BAR / 2
        yield line((low, middle), (high, middle), "pic-whisker-halo")
        yield line((low, middle), (high, middle), "pic-whisker")
        for x in (low, high):
            yield line((x, bar - 1), (x, bar + _BAR + 1), "pic-whisker")


def _span(ends: tuple[float, float]) -> str:
    """Say both ends of an interval in whole per cent, outwards, so that they hold the value."""
    return f"{math.floor(100 * ends[0])} to {math.ceil(100 * ends[1])} %"


def _sentence(row: ReadinessRow) -> str:
    if row.value is None:
        return f"{row.label}: not known."
    ends = interval_of(row)
    if ends is None:
        return f"{row.label}: {percent(row.value)}, exact."
    return f"{row.label}: {percent(row.value)}, simulated; 95 % interval {_span(ends)}."
