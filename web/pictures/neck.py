"""Screws and blades that go up the neck: where they lie, and whether they fit."""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Literal

from web.pictures.bone import Bone
from web.pictures.implants import Implant, Kind
from web.pictures.layout import MARGIN_MM, Rod, inside
from web.pictures.plane import Point, along, beside, crossing, direction, distance

__all__ = [
    "NeckAxis",
    "chosen_beside",
    "is_clear",
    "lies_within",
    "neck_axis",
    "room_for",
    "screw_on",
]

#: How deep under the head's surface the tip is drawn: nearest to flush with the lateral cortex.
DEPTH_MM = (7.0, 16.0)
#: How far the back end may stand out of the cortex (a screw must be able to slide back), and how
#: deep it may lie within it in a nail; a barrel takes the back end deeper.
PROUD_MM, SUNK_IN_NAIL_MM = 12.0, 5.0
_THREAD_MM = 25.0
_UP_THE_NECK = frozenset(
    {
        *("lag screw", "helical blade", "antirotation screw", "cancellous screw", "barrel"),
        "buttress screw",
    }
)


@dataclass(frozen=True, slots=True)
class NeckAxis:
    """A line up the neck: from the lateral cortex to the surface of the head.

    Parameters
    ----------
    cortex, surface
        Where it enters the lateral cortex and where it meets the head's surface.
    towards
        Unit vector from the one to the other.
    """

    cortex: Point
    surface: Point
    towards: Point

    @property
    def path_mm(self) -> float:
        """From cortex to surface."""
        return distance(self.cortex, self.surface)


def neck_axis(bone: Bone, angle_deg: float, up_mm: float) -> NeckAxis | None:
    """Lay a line at an angle to the shaft, above (or below, if negative) the head's centre.

    Returns
    -------
    NeckAxis or None
        None when the line does not run from the lateral cortex into the head.
    """
    towards = direction(angle_deg)
    middle = beside(bone.head, towards, up_mm)
    if distance(middle, bone.head) >= bone.head_radius_mm:
        return None
    surface = crossing(bone.polygon, middle, towards)
    cortex = crossing(bone.polygon, middle, (-towards[0], -towards[1]))
    if surface is None or cortex is None or cortex[0] > -bone.half_shaft_mm / 2:
        return None
    return NeckAxis(cortex, surface, towards)


def screw_on(
    axis: NeckAxis,
    implant: Implant,
    *,
    sunk_mm: float,
    kind: Kind | Literal["barrel"],
    shorter_mm: float = 0.0,
) -> Rod | None:
    """Place a screw or blade on an axis.

    Parameters
    ----------
    axis
        Where.
    implant
        Length and diameter must be known.
    sunk_mm
        How deep the back end may lie within the lateral cortex.
    shorter_mm
        How much earlier than a lag screw it may end: an antirotation screw does.

    Returns
    -------
    Rod or None
        None when no depth under the head's surface suits the length.
    """
    length, across = implant.length_mm, implant.diameter_mm
    if length is None or across is None:
        return None
    least, most = DEPTH_MM
    depth = min(max(axis.path_mm - length, least), most + shorter_mm)
    tip = along(axis.surface, axis.towards, -depth)
    sunk = axis.path_mm - depth - length
    if not -PROUD_MM <= sunk <= sunk_mm:
        return None
    headed = None if implant.head_design is None else implant.head_design == "headed"
    return Rod(kind, along(tip, axis.towards, -length), tip, across, _thread(kind, length), headed)


def _thread(kind: str, length: float) -> float:
    return 0.0 if kind == "helical blade" else min(_THREAD_MM, length / 2)


def lies_within(bone: Bone, rod: Rod, axis: NeckAxis) -> bool:
    """Tell whether a rod stays within the bone from just inside the cortex to its tip."""
    behind = (axis.cortex[0] - rod.back[0]) / axis.towards[0]
    wide = Rod(rod.kind, rod.back, rod.tip, rod.diameter_mm + 2 * MARGIN_MM)
    # The edges of an oblique rod meet the cortex as much before its axis as they lie beside it.
    return inside(bone, wide.edges(max(behind, 0.0) + wide.diameter_mm))


def is_clear(rod: Rod, others: Sequence[Rod]) -> bool:
    """Tell whether a rod keeps clear of those that run up the neck beside it."""
    return all(
        min(_gap(point, other) for point in _axis_points(rod))
        >= (rod.diameter_mm + other.diameter_mm) / 2 + MARGIN_MM
        for other in others
        if other.kind in _UP_THE_NECK
    )


def _axis_points(rod: Rod) -> list[tuple[float, float]]:
    return [along(rod.back, rod.towards, rod.length_mm * step / 20) for step in range(21)]


def _gap(point: tuple[float, float], rod: Rod) -> float:
    ahead = (point[0] - rod.back[0]) * rod.towards[0] + (point[1] - rod.back[1]) * rod.towards[1]
    return distance(point, along(rod.back, rod.towards, min(max(ahead, 0.0), rod.length_mm)))


def chosen_beside(tried: Sequence[Rod], others: Sequence[Rod], quantity: int) -> list[Rod]:
    """Choose rods that keep clear of the others, then such as lie behind them, never two at once.

    Returns
    -------
    list of Rod
        At most ``quantity``, in the order tried.
    """
    chosen = [rod for rod in tried if is_clear(rod, others)][:quantity]
    for rod in tried:
        if len(chosen) < quantity and rod not in chosen and is_clear(rod, chosen):
            chosen.append(replace(rod, behind=True))
    return chosen


def room_for(implant: Implant, drawn: int) -> str:
    """Say that fewer of an implant are drawn than are taken."""
    return f"{implant.quantity} are taken, and in this view there is room for {drawn or 'none'}"
