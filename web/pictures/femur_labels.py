"""Labels of a construct: in two columns beside the shaft, each led to its implant."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

from markupsafe import Markup

from web.pictures.layout import Drawn, Layout
from web.pictures.plane import Point
from web.pictures.svg import Anchor, circle, group, line, text

__all__ = ["Label", "labels_of", "placed"]

_LEADING_MM, _GAP_MM = 9.8, 4.0
#: Where the columns begin, and how far up and down they may reach.
_MEDIAL_X, _LATERAL_X = 42.0, -40.0
_TOP_Y, _LOWEST_Y = {"medial": 10.0, "lateral": -60.0}, 158.0
#: Characters in a line of a name, which is bold, and of a size.
_NAME, _SIZE = 12, 13
_LATERAL = frozenset(
    {
        "nail",
        "set screw",
        "end cap",
        "side plate",
        "compression screw",
        "buttress plate",
        "buttress screw",
        "cerclage wire",
        "cerclage cable",
        "washer",
    }
)


@dataclass(frozen=True, slots=True)
class Label:
    """A label: lines of its name and size, where it stands (its middle), and what it leads to."""

    names: tuple[str, ...]
    sizes: tuple[str, ...]
    x: float
    y: float
    anchor: Point

    @property
    def lines(self) -> tuple[str, ...]:
        """All its lines."""
        return (*self.names, *self.sizes)

    @property
    def half_mm(self) -> float:
        """Half the label's height."""
        return len(self.lines) * _LEADING_MM / 2


def _named(drawn: Drawn, x: float) -> Label:
    """Name an implant and its size in short lines."""
    implant = drawn.implant
    name = implant.kind.capitalize()
    if drawn.count > 1:
        name = f"{drawn.count} {implant.kind}s"
    size = implant.size
    if implant.kind != "cancellous screw" and implant.thread is not None:
        size = ", ".join(p for p in size.split(", ") if p != f"{implant.thread} threaded")
    return Label(
        _wrapped(name, _NAME), _wrapped(_held(size), _SIZE), x, drawn.anchor[1], drawn.anchor
    )


def _held(size: str) -> str:
    """Keep a figure with its unit in one line."""
    parts = (
        part if "threaded" in part else part.replace(" ", "\u00a0") for part in size.split(", ")
    )
    return ", ".join(parts)


def _wrapped(words: str, wide: int) -> tuple[str, ...]:
    lines: list[str] = []
    for part in words.split(" "):
        if lines and len(lines[-1]) + 1 + len(part) <= wide:
            lines[-1] += f" {part}"
        elif part:
            lines.append(part)
    return tuple(lines)


def placed(layout: Layout) -> tuple[Label, ...]:
    """Place the labels so that none covers another.

    Returns
    -------
    tuple of Label
        Those beside the head's side first, from top to bottom.
    """
    flip = -1 if layout.femur.side == "left" else 1
    found: list[Label] = []
    for column, x in (("medial", _MEDIAL_X), ("lateral", _LATERAL_X)):
        mine = [d for d in layout.drawn if (d.implant.kind in _LATERAL) == (column == "lateral")]
        labels = [_named(one, flip * x) for one in sorted(mine, key=lambda one: one.anchor[1])]
        found += _spread(labels, _TOP_Y[column])
    return tuple(found)


def _spread(labels: Sequence[Label], top: float) -> list[Label]:
    """Push labels down until they are apart, then up again as far as the bottom asks."""
    heights: list[float] = []
    edge = top - _GAP_MM
    for label in labels:
        y = max(label.y, edge + _GAP_MM + label.half_mm)
        heights.append(y)
        edge = y + label.half_mm
    edge = _LOWEST_Y + _GAP_MM
    for place in range(len(labels) - 1, -1, -1):
        half = labels[place].half_mm
        heights[place] = min(heights[place], edge - _GAP_MM - half)
        edge = heights[place] - half
    return [replace(label, y=y) for label, y in zip(labels, heights, strict=True)]


def labels_of(layout: Layout) -> Iterator[Markup]:
    """Draw the labels and their leaders."""
    for label in placed(layout):
        yield group("pic-label", _drawn(label))


def _drawn(label: Label) -> Iterator[Markup]:
    out = 1 if label.x > 0 else -1
    to = (label.x - out * 2, label.y - label.half_mm + _LEADING_MM / 2)
    yield line(label.anchor, to, "pic-leader")
    yield circle(label.anchor, 1.3, "pic-dot")
    top = label.y - label.half_mm + _LEADING_MM * 0.76
    for place, words in enumerate(label.lines):
        name = "pic-text pic-strong" if place < len(label.names) else "pic-text"
        end: Anchor = "start" if out > 0 else "end"
        yield text((label.x, top + place * _LEADING_MM), words, name, end)
