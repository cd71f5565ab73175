"""A femur with its construct as SVG, one unit one millimetre."""

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise

from markupsafe import Markup

from web.pictures.femur.bone import BOTTOM_MM, Femur
from web.pictures.femur.implants import (
    ConstructLayout,
    DrawingBreak,
    DrawnImplant,
    NailBody,
    PicturedConstruct,
    PlateBody,
    Ring,
    Rod,
)
from web.pictures.plane import Point, along, beside
from web.pictures.svg import (
    Anchor,
    Box,
    Picture,
    circle,
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

BAR_MM = 50.0


#: What is shown of a right hip with labels, and without.
FULL_BOX: Box = (-108.0, -86.0, 222.0, 268.0)


SMALL_BOX: Box = (-60.0, -86.0, 152.0, 268.0)


_FLARE_MM = 5.0


def femur_picture(
    layout: ConstructLayout, construct: PicturedConstruct, *, prefix: str, small: bool = False
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
        group("pic-bone", _draw_bone(layout)),
        group("pic-fracture", (element("path", d=_jagged(one)) for one in layout.fractures)),
        *_implants(layout),
        *([] if layout.cut is None else [group("pic-break", _draw_break(layout, layout.cut))]),
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


def _draw_bone(layout: ConstructLayout) -> Iterator[Markup]:
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


def _lower_end(layout: ConstructLayout, cut: DrawingBreak) -> Iterator[Markup]:
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


def _implants(layout: ConstructLayout) -> Iterator[Markup]:
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


def _nail(nail: NailBody, cut: DrawingBreak | None) -> Iterator[Markup]:
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


def _draw_break(layout: ConstructLayout, cut: DrawingBreak) -> Iterator[Markup]:
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
class PictureLabel:
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


def _named(drawn: DrawnImplant, x: float) -> PictureLabel:
    """Name an implant and its size in short lines."""
    implant = drawn.implant
    name = implant.kind.capitalize()
    if drawn.count > 1:
        name = f"{drawn.count} {implant.kind}s"
    size = implant.size
    if implant.kind != "cancellous screw" and implant.thread is not None:
        size = ", ".join(p for p in size.split(", ") if p != f"{implant.thread} threaded")
    return PictureLabel(
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


def placed(layout: ConstructLayout) -> tuple[PictureLabel, ...]:
    """Place the labels so that none covers another.

    Returns
    -------
    tuple of PictureLabel
        Those beside the head's side first, from top to bottom.
    """
    flip = -1 if layout.femur.side == "left" else 1
    found: list[PictureLabel] = []
    for column, x in (("medial", _MEDIAL_X), ("lateral", _LATERAL_X)):
        mine = [d for d in layout.drawn if (d.implant.kind in _LATERAL) == (column == "lateral")]
        labels = [_named(one, flip * x) for one in sorted(mine, key=lambda one: one.anchor[1])]
        found += _spread(labels, _TOP_Y[column])
    return tuple(found)


def _spread(labels: Sequence[PictureLabel], top: float) -> list[PictureLabel]:
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


def labels_of(layout: ConstructLayout) -> Iterator[Markup]:
    """Draw the labels and their leaders."""
    for label in placed(layout):
        yield group("pic-label", _draw_label(label))


def _draw_label(label: PictureLabel) -> Iterator[Markup]:
    out = 1 if label.x > 0 else -1
    to = (label.x - out * 2, label.y - label.half_mm + _LEADING_MM / 2)
    yield line(label.anchor, to, "pic-leader")
    yield circle(label.anchor, 1.3, "pic-dot")
    top = label.y - label.half_mm + _LEADING_MM * 0.76
    for place, words in enumerate(label.lines):
        name = "pic-text pic-strong" if place < len(label.names) else "pic-text"
        end: Anchor = "start" if out > 0 else "end"
        yield text((label.x, top + place * _LEADING_MM), words, name, end)


_LINES = {
    "trochanteric simple": "one line between the trochanters",
    "trochanteric multifragmentary": "several lines through the trochanters",
    "reverse oblique": "a line that rises from the lateral cortex to the lesser trochanter",
    "subtrochanteric": "a line across the shaft below the lesser trochanter",
}


def words_of(layout: ConstructLayout, construct: PicturedConstruct) -> tuple[str, ...]:
    """Say what a picture of a construct shows.

    Parameters
    ----------
    layout
        What is drawn.
    construct
        What was planned.

    Returns
    -------
    tuple of str
        Sentences: construct and side, each implant, the bone, the fracture, what is left out.
    """
    femur = layout.femur
    return (
        f"{construct.name} in a {femur.side} hip, seen from the front.",
        *(_implant_words(one) for one in layout.drawn),
        *_bone_words(femur),
        _fracture(femur),
        *_break_words(layout),
        *layout.not_drawn,
        "Schematic, not for measuring; a bar shows 50 mm.",
    )


def _implant_words(one: DrawnImplant) -> str:
    count = "" if one.count == 1 else f", {one.count} of them"
    size = f", {one.implant.size}" if one.implant.size else ""
    return f"{one.implant.name}{size}{count}."


def _bone_words(femur: Femur) -> tuple[str, ...]:
    if femur.out_of_range:
        return ()
    path, canal = f"{femur.neck_path_mm:.0f} mm", f"{femur.canal_mm:.0f} mm"
    known = f"a path of {path} up the neck and a canal of {canal}"
    return (f"Bone drawn with {known}; its other proportions are assumed.",)


def _fracture(femur: Femur) -> str:
    if femur.fracture is None:
        return "No fracture class is given, so no fracture line is drawn."
    text = f"Fracture drawn as {femur.fracture}: {_LINES[femur.fracture]}"
    if femur.lateral_wall == "broken":
        return f"{text}; the lateral wall is broken."
    if femur.lateral_wall_mm is not None:
        return f"{text}; lateral wall {femur.lateral_wall_mm:.0f} mm."
    return f"{text}; the lateral wall was not measured."


def _break_words(layout: ConstructLayout) -> tuple[str, ...]:
    if layout.cut is None:
        return ()
    return (f"The drawing leaves out {layout.cut.omitted_mm:.0f} mm of the shaft at the break.",)


#: A thread's spacing, its depth as a share of the diameter, and the width of the plain shaft.
_PITCH_MM, _ROOT, _SHAFT = 2.8, 0.70, 0.80


#: A lag screw for a barrel is this wide or wider; its shaft is slender, to slide in the barrel.
_BARREL_SCREW_MM, _SLENDER = 11.0, 0.62


_HEAD_MM, _SMALL_MM = 3.0, 6.0


_WASHER_MM = (13.0, 1.6)


def draw_rod(rod: Rod) -> Markup:
    """Draw a screw, blade, barrel or cap."""
    if rod.kind == "helical blade":
        return group("pic-screw", _blade(rod))
    if rod.kind in ("barrel", "end cap"):
        return group("pic-barrel" if rod.kind == "barrel" else "pic-cap", [_box(rod)])
    return group("pic-set" if rod.kind == "set screw" else "pic-screw", _screw(rod))


def _at(rod: Rod, ahead: float, up: float) -> Point:
    return beside(along(rod.back, rod.towards, ahead), rod.towards, up)


def _box(rod: Rod) -> Markup:
    half, far = rod.diameter_mm / 2, rod.length_mm
    return polygon(
        [_at(rod, a, u) for a, u in ((0, half), (far, half), (far, -half), (0, -half))], ""
    )


def _shaft(rod: Rod) -> float:
    slides = rod.kind == "lag screw" and rod.diameter_mm >= _BARREL_SCREW_MM
    return _SLENDER if slides else _SHAFT


def _screw(rod: Rod) -> Iterator[Markup]:
    edge = [(0.0, rod.diameter_mm / 2 * _shaft(rod)), *_thread_edge(rod)]
    outline = [_at(rod, ahead, up) for ahead, up in edge]
    outline += [_at(rod, ahead, -up) for ahead, up in reversed(edge)]
    yield polygon(outline, "")
    if rod.headed:
        half = rod.diameter_mm * _flange(rod)
        corners = (
            (-1.0, half * 0.7),
            (0.6, half),
            (_HEAD_MM, half),
            (_HEAD_MM, -half),
            (0.6, -half),
        )
        yield polygon([_at(rod, a, u) for a, u in (*corners, (-1.0, -half * 0.7))], "")
    if rod.kind == "cancellous screw":
        half, thick = _WASHER_MM[0] / 2, _WASHER_MM[1]
        near, far = _HEAD_MM, _HEAD_MM + thick
        washer = ((near, half), (far, half), (far, -half), (near, -half))
        yield polygon([_at(rod, a, u) for a, u in washer], "")


def _flange(rod: Rod) -> float:
    """Return half a head's width as a share of the diameter: small screws have the wider heads."""
    if _shaft(rod) == _SLENDER:
        return 0.44
    return 0.68 if rod.diameter_mm > _SMALL_MM else 0.85


def _thread_edge(rod: Rod) -> Iterator[tuple[float, float]]:
    """Return the upper edge of the threaded part: teeth as wide as the screw's diameter."""
    half, start = rod.diameter_mm / 2, rod.length_mm - rod.thread_mm
    yield start, half * _shaft(rod)
    pitch = _PITCH_MM if rod.diameter_mm > _SMALL_MM else 2.0
    teeth = max(int((rod.thread_mm - 1.5) / pitch), 1)
    for tooth in range(teeth):
        base = start + tooth * pitch
        yield base, half * _ROOT
        yield base + pitch * 0.6, half
        yield base + pitch, half * _ROOT
    yield rod.length_mm, half * 0.35


def _blade(rod: Rod) -> Iterator[Markup]:
    """Draw a plain shaft and, in front of it, flanges that turn about the axis."""
    half, far = rod.diameter_mm / 2, rod.length_mm
    start = far * 0.5
    corners = (
        (0.0, half * _SHAFT),
        (start, half * _SHAFT),
        (start, -half * _SHAFT),
        (0.0, -half * _SHAFT),
    )
    yield polygon([_at(rod, a, u) for a, u in corners], "")
    steps = 48
    marks = [start + (far - start) * step / steps for step in range(steps + 1)]
    reach = [half * (1.0 if mark < far - 4 else 0.45 + 0.55 * (far - mark) / 4) for mark in marks]
    turns = [math.pi * 1.5 * step / steps for step in range(steps + 1)]
    # Four flanges a quarter turn apart: seen from the side they are two pairs of mirrored waves.
    upper = [
        (mark, width * max(abs(math.cos(turn)), abs(math.sin(turn))))
        for mark, width, turn in zip(marks, reach, turns, strict=True)
    ]
    outline = [_at(rod, a, u) for a, u in upper] + [_at(rod, a, -u) for a, u in reversed(upper)]
    yield polygon(outline, "")
    for phase in (0.0, math.pi / 2):
        for sign in (1, -1):
            wave = [
                _at(rod, mark, sign * width * math.cos(turn + phase))
                for mark, width, turn in zip(marks, reach, turns, strict=True)
            ]
            yield element("path", d=path_of(wave), class_="pic-edge")
    if rod.headed:
        yield circle(rod.back, half, "")
