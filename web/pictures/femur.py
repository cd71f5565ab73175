"""A femur with its construct as SVG, one unit one millimetre."""

from collections.abc import Iterator, Sequence
from itertools import pairwise

from markupsafe import Markup

from web.pictures.bone import BOTTOM_MM
from web.pictures.femur_labels import labels_of
from web.pictures.femur_words import words_of
from web.pictures.implants import Construct
from web.pictures.layout import Break, Layout, NailBody, PlateBody, Ring
from web.pictures.picture import Picture
from web.pictures.plane import Point
from web.pictures.rod_shapes import draw_rod
from web.pictures.svg import (
    Anchor,
    Box,
    curve,
    element,
    group,
    line,
    number,
    path_of,
    picture,
    polygon,
    text,
)

__all__ = ["BAR_MM", "FULL_BOX", "SMALL_BOX", "femur_picture"]

BAR_MM = 50.0
#: What is shown of a right hip with labels, and without.
FULL_BOX: Box = (-108.0, -86.0, 222.0, 268.0)
SMALL_BOX: Box = (-60.0, -86.0, 152.0, 268.0)
_FLARE_MM = 5.0


def femur_picture(
    layout: Layout, construct: Construct, *, prefix: str, small: bool = False
) -> Picture:
    """Draw a layout.

    Parameters
    ----------
    layout
        What is where, from ``lay_out``.
    construct
        What it was made from.
    prefix
        Unique on the page.
    small
        Leave the labels out: for an alternate beside the primary.

    Returns
    -------
    Picture
        The picture and its words.
    """
    side = layout.femur.side
    box = SMALL_BOX if small else FULL_BOX
    if side == "left":
        box = (-box[0] - box[2], box[1], box[2], box[3])
    parts = [
        group("pic-bone", _bone(layout)),
        group("pic-fracture", (element("path", d=_jagged(one)) for one in layout.fractures)),
        *_implants(layout),
        *([] if layout.cut is None else [group("pic-break", _break(layout, layout.cut))]),
        *([] if small else labels_of(layout)),
        group("pic-scale", _scale(box, small=small, side=side)),
    ]
    return picture(
        box,
        parts,
        prefix=prefix,
        title=f"{construct.name}, {side} hip from the front, schematic, not for measuring",
        sentences=words_of(layout, construct),
        class_="pic-femur pic-small" if small else "pic-femur",
    )


def _bone(layout: Layout) -> Iterator[Markup]:
    bone, cut = layout.bone, layout.cut
    end = BOTTOM_MM if cut is None else cut.from_y
    lateral = _down_to(tuple(reversed(bone.lateral)), end)[::-1]
    medial = _down_to(bone.medial, end)
    radius, sweep = number(bone.head_radius_mm), 1 if bone.neck[0] > 0 else 0
    arc = f"A{radius} {radius} 0 1 {sweep} {number(medial[0][0])} {number(medial[0][1])}"
    rest = curve(medial).partition("C")[2]
    yield element("path", d=f"{curve(lateral)}{arc}C{rest}", class_="pic-outline")
    for side in (-1, 1):
        inner = [(side * half, y) for half, y in bone.canal if y < end]
        yield element(
            "path", d=curve([*inner, (side * bone.canal[-1][0], end)]), class_="pic-canal"
        )
    if cut is not None:
        yield from _lower_end(layout, cut)


def _down_to(points: Sequence[Point], end: float) -> tuple[Point, ...]:
    kept = tuple(point for point in points if point[1] < end)
    return (*kept, (kept[-1][0], end))


def _lower_end(layout: Layout, cut: Break) -> Iterator[Markup]:
    """Draw the shaft below the break, widening towards the knee."""
    half, wide = layout.bone.half_shaft_mm, layout.half_below_mm
    edge = [(half, cut.to_y), (wide, cut.to_y + 11), (wide, 134.0), (wide + _FLARE_MM, BOTTOM_MM)]
    down = curve([(-x, y) for x, y in edge])
    up = curve(edge[::-1], start="L")
    yield element("path", d=f"{down}{up}", class_="pic-fill")
    yield element("path", d=down, class_="pic-line")
    yield element("path", d=curve(edge), class_="pic-line")
    inner = layout.bone.canal[-1][0]
    for side in (-1, 1):
        yield element(
            "path",
            d=curve(
                [
                    (side * inner, cut.to_y),
                    (side * (inner + 1), 134),
                    (side * (inner + 6), BOTTOM_MM),
                ]
            ),
            class_="pic-canal",
        )


def _jagged(points: Sequence[Point]) -> str:
    """Write a fracture line: straight pieces with a small step in the middle of each."""
    path = [points[0]]
    for (x1, y1), (x2, y2) in pairwise(points):
        dx, dy = (x2 - x1) * 0.08, (y2 - y1) * 0.08
        middle = ((x1 + x2) / 2, (y1 + y2) / 2)
        path += [(middle[0] - dx + dy, middle[1] - dy - dx)]
        path += [(middle[0] + dx - dy, middle[1] + dy + dx), (x2, y2)]
    return path_of(path)


def _implants(layout: Layout) -> Iterator[Markup]:
    yield from (draw_rod(rod) for rod in layout.rods if rod.behind)
    for plate in layout.plates:
        yield group("pic-plate", _plate(plate))
    barrel = layout.rod("barrel")
    if barrel is not None:
        yield draw_rod(barrel)
    if layout.nail is not None:
        yield group("pic-nail", _nail(layout.nail, layout.cut))
    order = {"set screw": 0, "end cap": 1, "distal locking screw": 2}
    rods = (rod for rod in layout.rods if rod.kind != "barrel" and not rod.behind)
    for rod in sorted(rods, key=lambda rod: order.get(rod.kind, 3)):
        yield draw_rod(rod)
    for ring in layout.rings:
        yield group("pic-cable" if ring.is_cable else "pic-wire", _ring(ring))


def _plate(plate: PlateBody) -> Iterator[Markup]:
    yield polygon([*plate.inner, *reversed(plate.outer)], "")


def _nail(nail: NailBody, cut: Break | None) -> Iterator[Markup]:
    tip, round_mm = nail.tip[1], nail.diameter_mm / 2
    heights = [nail.top[1], nail.bend[1], nail.bend[1] + nail.taper_mm]
    if cut is None:
        yield polygon(_edges(nail, [*heights, tip - round_mm]), "")
        return
    yield polygon(_edges(nail, [*heights, cut.from_y]), "")
    yield polygon(_edges(nail, [cut.to_y, tip - round_mm]), "")


def _edges(nail: NailBody, heights: Sequence[float]) -> list[Point]:
    right = [(nail.axis_x(y) + nail.half_mm(y), y) for y in heights]
    left = [(nail.axis_x(y) - nail.half_mm(y), y) for y in heights]
    end = heights[-1]
    rounded = []
    if abs(end - (nail.tip[1] - nail.diameter_mm / 2)) < 1e-6:  # noqa: PLR2004 - the tip itself, but for rounding
        half = nail.diameter_mm / 2
        rounded = [(nail.tip[0] + half * x, end + half * y) for x, y in _BULLET]
    return [*right, *rounded, *reversed(left)]


_BULLET = ((0.9, 0.5), (0.62, 0.85), (0.25, 1.0), (-0.25, 1.0), (-0.62, 0.85), (-0.9, 0.5))


_BOW_MM = 3.0


def _ring(ring: Ring) -> Iterator[Markup]:
    """Draw a ring: its near half bows down a little; a wire has a twist, a cable a clamp."""
    lateral, medial, y = ring.lateral_x, ring.medial_x, ring.y
    out = 1 if medial > lateral else -1
    ends = f"{number(medial)} {number(y + _BOW_MM)} {number(medial)} {number(y)}"
    bow = f"M{number(lateral)} {number(y)}C{number(lateral)} {number(y + _BOW_MM)} {ends}"
    for class_ in ("pic-halo", "pic-strand"):
        yield element(
            "path",
            d=bow,
            class_=class_,
            stroke_width=ring.diameter_mm + (1.4 if class_ == "pic-halo" else 0),
        )
    if ring.is_cable:
        corners = ((0.5, -2.6), (-4.5, -2.6), (-4.5, 3.4), (0.5, 3.4))
        yield polygon([(lateral + out * x, y + up) for x, up in corners], "pic-clamp")
        return
    twist = [(lateral - out * step * 1.5, y + (1.2 if step % 2 else -1.2)) for step in range(6)]
    yield element("path", d=path_of([(lateral, y), *twist]), class_="pic-strand", stroke_width=0.9)


def _break(layout: Layout, cut: Break) -> Iterator[Markup]:
    half = layout.bone.half_shaft_mm + 6
    for y in (cut.from_y, cut.to_y):
        wave = [(-half + half * step / 3, y + (1.6 if step % 2 else -1.6)) for step in range(7)]
        yield element("path", d=curve(wave))


def _scale(box: Box, *, small: bool, side: str) -> Iterator[Markup]:
    left, bottom = box[0] + 6, box[1] + box[3] - 12
    if not small and side == "left":
        left = box[0] + box[2] - 6 - BAR_MM
    yield line((left, bottom), (left + BAR_MM, bottom), "pic-bar")
    for x in (left, left + BAR_MM):
        yield line((x, bottom - 2.5), (x, bottom + 2.5), "pic-bar")
    beside = bottom + 10 if small else bottom - 4
    yield text((left + BAR_MM / 2, beside), f"{BAR_MM:g} mm", anchor="middle")
    if not small:
        end: Anchor = "start" if side == "right" else "end"
        x = left if side == "right" else left + BAR_MM
        yield text((x, bottom + 10), "schematic, not for measuring", "pic-text pic-soft", end)
        yield text((x, box[1] + 12), side.upper(), "pic-text pic-strong", end)
