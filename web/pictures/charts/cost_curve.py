"""What a chance of being fully stocked costs: one step a unit more on the shelf."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from markupsafe import Markup

from service.core.readiness.words import percent
from web.formats import sign_of
from web.pictures.charts.scale import Scale, round_ticks
from web.pictures.plane import Point
from web.pictures.svg import (
    Picture,
    circle,
    element,
    group,
    line,
    number,
    path_of,
    picture,
    polygon,
    text,
)

_WIDTH, _HEIGHT = 360.0, 268.0


_LEFT, _RIGHT, _TOP, _BOTTOM = 46.0, 348.0, 52.0, 216.0


@dataclass(frozen=True, slots=True)
class PlottedPoint:
    """A stock: what it costs and how ready it makes.

    Parameters
    ----------
    cost
        In whole units of the currency, 0 or more.
    readiness
        From 0 to 1.
    says
        What was added last; may be empty.
    """

    cost: float
    readiness: float
    says: str = ""

    def __post_init__(self) -> None:
        if not 0 <= self.readiness <= 1:
            message = f"a readiness lies from 0 to 1, not at {self.readiness}"
            raise ValueError(message)
        if self.cost < 0:
            message = f"a cost is 0 or more, not {self.cost}"
            raise ValueError(message)


def cost_curve(
    steps: Sequence[PlottedPoint],
    *,
    today: PlottedPoint | None,
    proposal: PlottedPoint | None,
    currency: str,
    prefix: str,
    title: str,
) -> Picture:
    """Draw the curve with today's point and the proposal's.

    Parameters
    ----------
    steps
        The curve; drawn in rising cost.
    today, proposal
        The shelf as it is and as it is proposed; None leaves it out.
    currency
        ISO 4217 code, said at the axis.
    prefix
        Unique on the page.
    title
        What the curve shows.

    Returns
    -------
    Picture
        Cost across, readiness up.
    """
    curve = sorted(steps, key=lambda one: (one.cost, one.readiness))
    marked = [one for one in (today, proposal) if one is not None]
    every = [*curve, *marked]
    # An axis of less than one unit of money would have no round figures to carry.
    most = max([1.0, *(one.cost for one in every)])
    least = min((one.readiness for one in every), default=0.0)
    across = Scale(0.0, most, _LEFT, _RIGHT)
    up = Scale(min(least, 0.9) - (0.02 if least > 0.02 else 0.0), 1.0, _BOTTOM, _TOP)  # noqa: PLR2004 - room below the lowest point
    parts = [group("pic-axis", _axis(across, up, currency))]
    if curve:
        parts.append(element("path", d=path_of(_steps(curve, across, up)), class_="pic-step"))
        parts.append(group("pic-points", (circle(_at(p, across, up), 1.8, "") for p in curve)))
    for place, (one, name) in enumerate(((today, "today"), (proposal, "proposal"))):
        if one is not None:
            parts.append(_mark(name, _at(one, across, up)))
            parts.append(_mark(name, (_LEFT - 34, 14 + 18 * place)))
            words = f"{name.capitalize()}: {_words(one, currency)}"
            parts.append(text((_LEFT - 22, 18 + 18 * place), words))
    return picture(
        (0, 0, _WIDTH, _HEIGHT),
        parts,
        prefix=prefix,
        title=title,
        sentences=_sentences(curve, today, proposal, currency),
        class_="pic-chart",
    )


def _money(amount: float, currency: str) -> str:
    return f"{sign_of(currency)}{amount:,.0f}"


def _words(one: PlottedPoint, currency: str) -> str:
    return f"{percent(one.readiness)} for {_money(one.cost, currency)}"


def _at(one: PlottedPoint, across: Scale, up: Scale) -> Point:
    return across.at(one.cost), up.at(one.readiness)


def _axis(across: Scale, up: Scale, currency: str) -> Iterator[Markup]:
    for mark in round_ticks(up.low, up.high, 6):
        y = up.at(mark)
        yield line((_LEFT, y), (_RIGHT, y), "pic-grid")
        yield text((_LEFT - 5, y + 4), f"{number(100 * mark)} %", "pic-text pic-soft", "end")
    for mark in round_ticks(across.low, across.high, 5):
        x = across.at(mark)
        yield line((x, _BOTTOM), (x, _BOTTOM + 4), "pic-tick")
        if x < _RIGHT - 14 or mark == 0:
            yield text((x, _BOTTOM + 18), _money(mark, currency), "pic-text pic-soft", "middle")
    yield text((_RIGHT, _BOTTOM + 38), "stock value", "pic-text pic-soft", "end")
    yield line((_LEFT, _BOTTOM), (_RIGHT, _BOTTOM), "pic-zero")


def _steps(curve: Sequence[PlottedPoint], across: Scale, up: Scale) -> list[Point]:
    points: list[Point] = []
    for one in curve:
        x, y = _at(one, across, up)
        points += [(x, points[-1][1]), (x, y)] if points else [(x, y)]
    return points


def _mark(name: str, at: Point) -> Markup:
    x, y = at
    if name == "today":
        return circle(at, 5.5, "pic-point-today")
    return polygon([(x, y - 7), (x + 7, y), (x, y + 7), (x - 7, y)], "pic-point-proposal")


def _sentences(
    curve: Sequence[PlottedPoint],
    today: PlottedPoint | None,
    proposal: PlottedPoint | None,
    currency: str,
) -> list[str]:
    said = []
    if today is not None:
        said.append(f"Today: {_words(today, currency)}.")
    if proposal is not None:
        said.append(f"Proposal: {_words(proposal, currency)}.")
    for one in curve:
        says = f" ({one.says})" if one.says else ""
        said.append(f"{_words(one, currency)}{says}.")
    return said or ["There is nothing to compare yet."]
