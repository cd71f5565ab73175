"""SVG as text: elements, numbers, and the frame that every picture has."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Literal

from markupsafe import Markup, escape

from web.pictures.plane import Point, spline

#: Left, top, width and height of what is shown, in the picture's own units.
Box = tuple[float, float, float, float]


Anchor = Literal["start", "middle", "end"]


def number(value: float) -> str:
    """Write a coordinate with two decimals at most."""
    return f"{value:.2f}".rstrip("0").rstrip(".").replace("-0", "0" if abs(value) < 0.005 else "-0")  # noqa: PLR2004 - rounds to nought


def element(tag: str, *inner: Markup | str, **attributes: str | float | None) -> Markup:
    """Write an element; ``class_`` is its class, hyphens are underscores, None is left out."""
    written = [
        Markup('{}="{}"').format(
            name.rstrip("_").replace("_", "-"),
            value if isinstance(value, str) else number(value),
        )
        for name, value in attributes.items()
        if value is not None
    ]
    head = Markup(" ").join([Markup(tag), *written])  # noqa: S704 - a tag is a word of this package
    if not inner:
        return Markup("<{}/>").format(head)
    body = Markup("").join(escape(one) for one in inner)
    return Markup("<{}>{}</{}>").format(head, body, tag)


def group(class_: str, parts: Iterable[Markup]) -> Markup:
    """Put parts into a group."""
    return element("g", Markup("").join(parts), class_=class_)


def line(start: Point, end: Point, class_: str) -> Markup:
    """Draw a straight line."""
    return element("line", x1=start[0], y1=start[1], x2=end[0], y2=end[1], class_=class_)


def rectangle(left: float, top: float, width: float, height: float, class_: str) -> Markup:
    """Draw an upright rectangle."""
    return element("rect", x=left, y=top, width=width, height=height, class_=class_)


def circle(centre: Point, radius: float, class_: str) -> Markup:
    """Draw a circle."""
    return element("circle", cx=centre[0], cy=centre[1], r=radius, class_=class_)


def path_of(points: Sequence[Point]) -> str:
    """Write a broken line as path data."""
    return "M" + "L".join(f"{number(x)} {number(y)}" for x, y in points)


def curve(points: Sequence[Point], *, start: Literal["M", "L"] = "M") -> str:
    """Write the smooth curve through points as path data."""
    first = f"{start}{number(points[0][0])} {number(points[0][1])}"
    pieces = (
        "C" + " ".join(f"{number(x)} {number(y)}" for x, y in piece) for piece in spline(points)
    )
    return first + "".join(pieces)


def polygon(points: Sequence[Point], class_: str) -> Markup:
    """Draw a closed polygon."""
    return element("path", d=path_of(points) + "Z", class_=class_)


def text(
    at: Point,
    words: str,
    class_: str = "pic-text",
    anchor: Anchor = "start",
) -> Markup:
    """Write words with their base line at a point."""
    return element("text", words, x=at[0], y=at[1], class_=class_, text_anchor=anchor)


@dataclass(frozen=True, slots=True)
class Picture:
    """A picture and its text equivalent.

    Parameters
    ----------
    svg
        The picture, ready for a template; its ids begin with the prefix it was asked with.
    title
        What it shows, as its ``<title>`` says.
    sentences
        The same facts in words: every number that is drawn.
    """

    svg: Markup
    title: str
    sentences: tuple[str, ...]


def picture(
    box: Box,
    parts: Iterable[Markup],
    *,
    prefix: str,
    title: str,
    sentences: Sequence[str],
    class_: str,
    size_mm: tuple[float, float] | None = None,
) -> Picture:
    """Frame a picture: role, title, description, box.

    Parameters
    ----------
    box
        What is shown.
    parts
        The drawing.
    prefix
        Unique on the page; the ids of title and description begin with it.
    title
        What it shows.
    sentences
        The same facts in words; they are its description.
    class_
        Its class beside ``pic``.
    size_mm
        Width and height of its own; None leaves the size to the page.

    Returns
    -------
    Picture
        The picture.
    """
    svg = element(
        "svg",
        element("title", title, id=f"{prefix}-title"),
        element("desc", " ".join(sentences) or title, id=f"{prefix}-desc"),
        *parts,
        xmlns="http://www.w3.org/2000/svg",
        viewBox=" ".join(number(value) for value in box),
        width=None if size_mm is None else f"{number(size_mm[0])}mm",
        height=None if size_mm is None else f"{number(size_mm[1])}mm",
        shape_rendering=None if size_mm is None else "crispEdges",
        role="img",
        aria_labelledby=f"{prefix}-title",
        aria_describedby=f"{prefix}-desc",
        class_=f"pic {class_}",
    )
    return Picture(svg, title, tuple(sentences))
