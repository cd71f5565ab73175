"""A schematic proximal femur from a few measures: an outline in true millimetres.

Drawn for a right hip seen from the front: the head lies at positive x. The shaft's axis is x = 0,
and the axis of the neck crosses it at the origin. Proportions that are not measured (trochanters,
waist of the neck, thickness of the cortex) are assumed: believable, and not for measuring.
"""

import math
from collections.abc import Mapping
from dataclasses import dataclass
from functools import lru_cache
from itertools import pairwise
from typing import Literal

from web.pictures.plane import Point, along, beside, crossing, direction, distance, sampled

#: Where the drawing of the shaft ends, below the origin.
BOTTOM_MM = 164.0


Fracture = Literal[
    "trochanteric simple", "trochanteric multifragmentary", "reverse oblique", "subtrochanteric"
]


_SHAFT_MM, _CORTEX_MM = 32.0, 6.0


_NECK_WAIST = 0.66


#: The cosine and sine of where the neck runs into the head.
_JUNCTION = (0.62, math.sqrt(1 - 0.62**2))


#: What the outline can follow and still look like a femur; measures beyond are said in words.
RANGES: Mapping[str, tuple[float, float]] = {
    "neck_path_mm": (78.0, 124.0),
    "canal_mm": (8.0, 22.0),
    "neck_shaft_deg": (115.0, 145.0),
    "head_mm": (40.0, 56.0),
}


@dataclass(frozen=True, slots=True)
class Femur:
    """What is known of a femur.

    Parameters
    ----------
    side
        ``left`` or ``right``.
    neck_path_mm
        From the lateral cortex along the neck to the surface of the head, in mm.
    canal_mm
        The canal at its narrowest, in mm.
    neck_shaft_deg, head_mm
        Angle between neck and shaft in degrees, diameter of the head in mm.
    fracture
        Which lines to draw; None draws none.
    lateral_wall_mm
        Thickness of the lateral wall in mm, None when it was not measured.
    lateral_wall
        ``intact``, ``thin``, ``broken`` or ``unknown``.
    """

    side: Literal["left", "right"]
    neck_path_mm: float = 98.0
    canal_mm: float = 12.0
    neck_shaft_deg: float = 130.0
    head_mm: float = 48.0
    fracture: Fracture | None = None
    lateral_wall_mm: float | None = None
    lateral_wall: str = "unknown"

    @property
    def out_of_range(self) -> tuple[str, ...]:
        """The measures the outline cannot follow."""
        return tuple(
            name
            for name, (least, most) in RANGES.items()
            if not least <= getattr(self, name) <= most
        )


@dataclass(frozen=True, slots=True)
class Bone:
    """The outline of a right femur in mm.

    Parameters
    ----------
    lateral
        Points of the curve from the shaft's lower end over the trochanter to the head's rim.
    medial
        Points of the curve from the head's lower rim over the lesser trochanter down the shaft.
    head, head_radius_mm, neck
        Centre and radius of the head; unit vector along the neck.
    half_shaft_mm
        Half the shaft's width below the trochanters.
    canal
        Half the canal's width by height, from below the neck to the shaft's lower end.
    tip
        The tip of the greater trochanter, where a nail goes in.
    wall_point
        On the lateral cortex, 30 mm below the ridge of the greater trochanter: from here the
        lateral wall is measured.
    """

    lateral: tuple[Point, ...]
    medial: tuple[Point, ...]
    head: Point
    head_radius_mm: float
    neck: Point
    half_shaft_mm: float
    canal: tuple[Point, ...]
    tip: Point
    wall_point: Point

    @property
    def apex(self) -> Point:
        """The point of the head that the neck's axis meets."""
        return along(self.head, self.neck, self.head_radius_mm)

    @property
    def polygon(self) -> tuple[Point, ...]:
        """The outline as a closed polygon."""
        return _polygon(self)

    def half_canal_mm(self, y: float) -> float:
        """Half the canal's width at a height."""
        for (above, upper), (below, lower) in pairwise([(p[1], p[0]) for p in self.canal]):
            if above <= y <= below:
                return upper + (lower - upper) * (y - above) / (below - above)
        return self.canal[0][0] if y < self.canal[0][1] else self.canal[-1][0]


@lru_cache(maxsize=32)
def _polygon(bone: Bone) -> tuple[Point, ...]:
    start, end = bone.lateral[-1], bone.medial[0]
    first = math.atan2(start[1] - bone.head[1], start[0] - bone.head[0])
    last = math.atan2(end[1] - bone.head[1], end[0] - bone.head[0])
    steps = 40
    # Over the top of the head: clockwise on the page for a right hip, else the other way.
    turn = (last - first) % math.tau - (math.tau if bone.neck[0] < 0 else 0.0)
    arc = [
        along(bone.head, (math.cos(angle), math.sin(angle)), bone.head_radius_mm)
        for angle in (first + turn * step / steps for step in range(1, steps))
    ]
    return (*sampled(bone.lateral), *arc, *sampled(bone.medial))


def bone_of(femur: Femur) -> Bone:
    """Return the outline of a femur.

    Parameters
    ----------
    femur
        The measures, within ``RANGES``; the side does not matter here.

    Returns
    -------
    Bone
        The outline; from the lateral cortex along the neck's axis to the head's surface it
        measures ``neck_path_mm``.
    """
    neck = direction(femur.neck_shaft_deg)
    half = max(_SHAFT_MM / 2, femur.canal_mm / 2 + _CORTEX_MM)
    reach = femur.neck_path_mm - femur.head_mm / 2 - (half + 1.4) / neck[0]
    bone = _outline(femur, half, reach)
    # The lateral contour bends, so the cortex lies not quite where the first guess had it.
    for _ in range(4):
        cortex = crossing(bone.polygon, (0.0, 0.0), (-neck[0], -neck[1]))
        if cortex is None:
            break
        reach += femur.neck_path_mm - distance(cortex, bone.apex)
        bone = _outline(femur, half, reach)
    return bone


def _outline(femur: Femur, half: float, reach: float) -> Bone:
    neck, radius = direction(femur.neck_shaft_deg), femur.head_mm / 2
    waist = _NECK_WAIST * radius

    def on_neck(share: float, up: float) -> Point:
        return beside(along((0.0, 0.0), neck, share * (reach - _JUNCTION[0] * radius)), neck, up)

    head = along((0.0, 0.0), neck, reach)
    rim = along(head, neck, -_JUNCTION[0] * radius)
    tip_y = min(max(head[1] - 3, -52.0), -30.0)
    tip = (-8.5, tip_y)
    lateral = (
        *((-half, BOTTOM_MM), (-half, 100.0), (-half, 62.0), (-half - 0.4, 38.0)),
        *((-half - 1.4, 16.0), (-half - 6.0, -3.0), (-half - 8.2, tip_y * 0.48)),
        *((-half - 5.5, tip_y * 0.80), tip, (-0.5, tip_y + 4.5)),
        *(
            on_neck(0.51, waist - 0.3),
            on_neck(0.83, waist),
            beside(rim, neck, _JUNCTION[1] * radius),
        ),
    )
    medial = (
        *(beside(rim, neck, -_JUNCTION[1] * radius), on_neck(0.80, -waist - 0.4)),
        *(on_neck(0.46, -waist - 2.8), (half + 4.6, 13.0), (half + 8.3, 21.5), (half + 5.2, 31.0)),
        *((half + 1.3, 43.0), (half, 62.0), (half, 100.0), (half, BOTTOM_MM)),
    )
    inner = femur.canal_mm / 2
    canal = (
        *((max(inner + 5.0, 13.5), 2.0), (max(inner + 4.0, 11.5), 16.0)),
        *((max(inner + 2.0, 9.0), 30.0), (inner + 1.0, 46.0), (inner, 62.0), (inner, BOTTOM_MM)),
    )
    wall = _on_curve(sampled(lateral), -3.0 + 30.0)
    return Bone(lateral, medial, head, radius, neck, half, canal, tip, wall)


def _on_curve(points: tuple[Point, ...], y: float) -> Point:
    for (x1, y1), (x2, y2) in pairwise(points):
        if y2 <= y <= y1:
            return (x1 + (x2 - x1) * (y1 - y) / ((y1 - y2) or 1.0), y)
    return points[0]


#: Where the wall is drawn when nobody measured it: clear of 20.5 mm to the side the class says.
_WALL_MM: Mapping[str, float] = {
    "trochanteric simple": 26.0,
    "trochanteric multifragmentary": 17.0,
}


def fracture_lines(femur: Femur, bone: Bone) -> tuple[tuple[Point, ...], ...]:
    """Return the fracture's lines for a right hip.

    Parameters
    ----------
    femur
        Class group and lateral wall.
    bone
        Its outline.

    Returns
    -------
    tuple of tuple of Point
        Broken lines in mm, the main one first. Where the wall was measured, the main line of a
        trochanteric fracture lies that far from ``bone.wall_point``, at 135 degrees to the shaft.

    Notes
    -----
    Where the wall is measured from: 30 mm below the ridge of the greater trochanter, angled 135
    degrees upward to the fracture line. Source: Hsu 2013. The run of the lines is common practice
    in drawing the classes, no source.
    """
    if femur.fracture is None:
        return ()
    half = bone.half_shaft_mm
    if femur.fracture == "subtrochanteric":
        return (((-half, 46), (-half / 2, 51), (-2, 58), (half / 2, 61), (half, 71)),)
    if femur.fracture == "reverse oblique":
        lateral = ((-half - 1, 33), (-half / 2, 25), (0, 18), (half / 2, 11), (half + 6, 7.5))
        return (lateral, _lesser_trochanter(half)) if _is_open(femur) else (lateral,)
    lines = [_main_line(femur, bone)]
    if femur.fracture == "trochanteric multifragmentary":
        lines.append(_lesser_trochanter(half))
        lines.append(((bone.tip[0] + 5, bone.tip[1] + 4), (-7, bone.tip[1] + 14), lines[0][1]))
    if _is_open(femur):
        lines.append((lines[0][2], (-half / 2 - 2, 18), (-half - 1.5, 27)))
    return tuple(lines)


def _is_open(femur: Femur) -> bool:
    return femur.lateral_wall == "broken"


def _main_line(femur: Femur, bone: Bone) -> tuple[Point, ...]:
    wall = femur.lateral_wall_mm
    if wall is None:
        wall = _WALL_MM[femur.fracture or "trochanteric simple"]
    half = bone.half_shaft_mm
    through = along(bone.wall_point, direction(135), min(max(wall, 3.0), 40.0))
    start = (-half - 8.2, bone.tip[1] * 0.42)
    return (
        start,
        ((start[0] + through[0]) / 2 + 1.5, (start[1] + through[1]) / 2 - 1.5),
        through,
        ((half + 4.6 + through[0]) / 2 - 1, (12.0 + through[1]) / 2 + 1.5),
        (half + 4.7, 12.5),
    )


def _lesser_trochanter(half: float) -> tuple[Point, ...]:
    return (
        (half + 4.2, 11.0),
        (half - 3, 17),
        (half - 4.5, 28),
        (half - 1, 37),
        (half + 1.8, 41.0),
    )
