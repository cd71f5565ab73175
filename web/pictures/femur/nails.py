"""Where a nail, its screws and its cap lie."""

import math
from collections.abc import Iterator

from web.pictures.femur.bone import BOTTOM_MM, Bone
from web.pictures.femur.implants import (
    MARGIN_MM,
    SUNK_IN_NAIL_MM,
    DrawingBreak,
    DrawnImplant,
    Implant,
    Kind,
    LayoutDraft,
    NailBody,
    NeckAxis,
    PicturedConstruct,
    Rod,
    inside,
    lies_within,
    neck_axis,
    room_for,
    screw_on,
)
from web.pictures.plane import Point, along, distance

#: The bend of a nail from its lower to its upper part, and the width of the upper part: assumed.
TILT_DEG, UPPER_MM = 5.0, 15.5


_BEND_BELOW_SCREW_MM, _TAPER_MM = 13.0, 24.0


#: A nail that ends below this is drawn with a break.
_DEEPEST_TIP_MM, _BROKEN_TIP_MM = 156.0, 144.0


_BREAK_MM = (98.0, 106.0)


_LOCKS_MM = (12.0, 27.0)


_LOCK_MISFIT_MM = (-2.0, 16.0)


_CAP_MM = 4.0


def lay_nail(plan: LayoutDraft, bone: Bone, canal_mm: float, construct: PicturedConstruct) -> None:
    """Lay a nail with all that goes through and into it.

    Parameters
    ----------
    plan
        Takes the bodies that fit, and sentences for those that do not.
    bone
        The bone of a right hip.
    canal_mm
        The canal at its narrowest, in mm.
    construct
        The construct; without a nail nothing is laid.
    """
    implant = construct.first("nail")
    if implant is None:
        return
    axes = _axes(bone, construct, implant)
    reason = _nail_misfit(implant, canal_mm, axes)
    if reason is None and axes is not None:
        nail, plan.cut = _body(bone, implant, axes[0])
        if _in_bone(bone, nail):
            plan.nail = nail
            plan.drawn.append(DrawnImplant(implant, (nail.bend[0], 86.0), 1))
            _lay_neck_screws(plan, bone, construct, axes)
            _lay_locks(plan, bone, construct)
            _lay_cap(plan, construct)
            return
        reason = "it does not lie within the drawn bone"
    plan.refuse(implant, reason or "it does not fit")
    for kind in (*_NECK_KINDS, "distal locking screw", "set screw", "end cap"):
        for one in (other for other in construct.implants if other.kind == kind):
            plan.refuse(one, "its nail is not drawn")


_NECK_KINDS: tuple[Kind, ...] = ("lag screw", "helical blade", "antirotation screw")


def _nail_misfit(
    nail: Implant, canal_mm: float, axes: tuple[NeckAxis, NeckAxis] | None
) -> str | None:
    if nail.length_mm is None or nail.diameter_mm is None or nail.angle_deg is None:
        return "not all of its sizes are known"
    if nail.diameter_mm >= canal_mm:
        return f"it is not thinner than the canal of {canal_mm:.1f} mm"
    if axes is None:
        return "a screw at its angle does not run up the drawn neck"
    return None if nail.length_mm >= _SHORTEST_MM else "it is shorter than a femoral nail"


_SHORTEST_MM = 120.0


def _axes(
    bone: Bone, construct: PicturedConstruct, nail: Implant
) -> tuple[NeckAxis, NeckAxis] | None:
    """Lay the axis of the lag screw and, above it, that of the antirotation screw."""
    second = construct.first("antirotation screw")
    lower, upper = -1.5, 0.0
    if second is not None:
        main = construct.first("lag screw")
        across = [one.diameter_mm or 8.0 for one in (second, main) if one is not None]
        gap = sum(across) / 2 + 2.0
        lower, upper = -gap * 0.55, gap * 0.45
    if nail.angle_deg is None:
        return None
    axes = [neck_axis(bone, nail.angle_deg, up) for up in (lower, upper)]
    return (axes[0], axes[1]) if axes[0] is not None and axes[1] is not None else None


def _body(bone: Bone, implant: Implant, axis: NeckAxis) -> tuple[NailBody, DrawingBreak | None]:
    length, across = implant.length_mm or 0.0, implant.diameter_mm or 0.0
    bend_y = _height_at(axis, 0.0) + _BEND_BELOW_SCREW_MM
    tilt = math.radians(TILT_DEG)
    top_y = bone.tip[1] + 1.0
    top = (-(bend_y - top_y) * math.tan(tilt), top_y)
    lower = length - distance(top, (0.0, bend_y))
    tip_y, cut = bend_y + lower, None
    if tip_y > _DEEPEST_TIP_MM:
        cut = DrawingBreak(*_BREAK_MM, tip_y - _BROKEN_TIP_MM)
        tip_y = _BROKEN_TIP_MM
    upper = max(UPPER_MM, across + 2.0)
    omitted = cut.omitted_mm if cut else 0.0
    return NailBody(top, (0.0, bend_y), (0.0, tip_y), upper, across, _TAPER_MM, omitted), cut


def _height_at(axis: NeckAxis, x: float) -> float:
    return axis.cortex[1] + (x - axis.cortex[0]) * axis.towards[1] / axis.towards[0]


def _in_bone(bone: Bone, nail: NailBody) -> bool:
    heights = range(math.ceil(nail.top[1] + UPPER_MM), math.floor(min(nail.tip[1], BOTTOM_MM)))
    edges = tuple(
        (nail.axis_x(y) + side * (nail.half_mm(y) + MARGIN_MM), float(y))
        for y in heights
        for side in (-1, 1)
    )
    in_canal = all(
        nail.half_mm(y) < bone.half_canal_mm(y) for y in heights if y >= bone.canal[1][1]
    )
    return in_canal and inside(bone, edges)


def _lay_neck_screws(
    plan: LayoutDraft, bone: Bone, construct: PicturedConstruct, axes: tuple[NeckAxis, NeckAxis]
) -> None:
    for kind in _NECK_KINDS:
        implant = construct.first(kind)
        if implant is None:
            continue
        is_second = kind == "antirotation screw"
        axis = axes[1] if is_second else axes[0]
        shorter = _SECOND_SHORTER_MM if is_second else 0.0
        rod = screw_on(axis, implant, sunk_mm=SUNK_IN_NAIL_MM, kind=kind, shorter_mm=shorter)
        if implant.length_mm is None or implant.diameter_mm is None:
            plan.refuse(implant, "not all of its sizes are known")
        elif rod is None:
            way = "long" if implant.length_mm > axis.path_mm else "short"
            plan.refuse(implant, f"it is too {way} for the drawn path of {axis.path_mm:.0f} mm")
        elif not lies_within(bone, rod, axis):
            plan.refuse(implant, "it does not lie within the drawn neck")
        else:
            plan.rods.append(rod)
            share = 0.15 if is_second else 0.55
            anchor = along(rod.tip, rod.towards, -share * rod.length_mm)
            plan.drawn.append(DrawnImplant(implant, anchor, 1))


#: An antirotation screw is 10 to 20 mm shorter than the lag screw (common practice).
_SECOND_SHORTER_MM = 16.0


def _lay_locks(plan: LayoutDraft, bone: Bone, construct: PicturedConstruct) -> None:
    implant, nail = construct.first("distal locking screw"), plan.nail
    if implant is None or nail is None:
        return
    if implant.length_mm is None:
        plan.refuse(implant, "its length is not known")
        return
    width = 2 * bone.half_shaft_mm
    least, most = _LOCK_MISFIT_MM
    # Below a break the shaft widens towards the knee as far as the screw's own length asks.
    if plan.cut is None and not least <= implant.length_mm - width <= most:
        plan.refuse(implant, f"the drawn shaft is {width:.0f} mm wide, and nobody measured it")
        return
    heights = [nail.tip[1] - up for up in _LOCKS_MM][: implant.quantity]
    half = (implant.length_mm - 2) / 2
    plan.rods += [
        Rod("distal locking screw", (-half - 2, y), (half, y), implant.diameter_mm or 5.0, half)
        for y in heights
    ]
    plan.drawn.append(DrawnImplant(implant, (half, heights[-1]), len(heights)))
    if implant.quantity > len(heights):
        plan.refuse(implant, room_for(implant, len(heights)))


def _lay_cap(plan: LayoutDraft, construct: PicturedConstruct) -> None:
    nail = plan.nail
    if nail is None:
        return
    up = _unit(nail.bend, nail.top)
    for implant, rod in _in_top(construct, nail, up, plan.rods):
        plan.rods.append(rod)
        plan.drawn.append(DrawnImplant(implant, along(rod.back, up, -1.0), 1))


def _in_top(
    construct: PicturedConstruct, nail: NailBody, up: Point, rods: list[Rod]
) -> Iterator[tuple[Implant, Rod]]:
    """Place what has no size of its own in the catalogue: where it goes, not how large it is."""
    lag = next((rod for rod in rods if rod.kind == "lag screw"), None)
    implant = construct.first("set screw")
    if implant is not None and lag is not None:
        # The set screw ends on the screw it holds, above it on the nail's axis.
        met = _crossed_at(nail, lag)
        reach = distance(nail.top, met) - lag.diameter_mm / 2
        back = along(nail.top, up, -reach * 0.35)
        yield implant, Rod("set screw", back, along(nail.top, up, -reach), 5.0, reach * 0.4)
    implant = construct.first("end cap")
    if implant is not None:
        yield implant, Rod("end cap", along(nail.top, up, _CAP_MM), nail.top, nail.upper_mm - 2.0)


def _unit(start: Point, end: Point) -> Point:
    far = distance(start, end)
    return (end[0] - start[0]) / far, (end[1] - start[1]) / far


def _crossed_at(nail: NailBody, rod: Rod) -> Point:
    low, high = rod.back[1], rod.tip[1]
    for _ in range(60):
        middle = (low + high) / 2
        share = (middle - rod.back[1]) / (rod.tip[1] - rod.back[1])
        x = rod.back[0] + share * (rod.tip[0] - rod.back[0])
        low, high = (middle, high) if x < nail.axis_x(middle) else (low, middle)
    return nail.axis_x(low), low
