"""Where wires, cables and extra cancellous screws lie."""

from collections.abc import Iterator
from dataclasses import replace

from web.pictures.bone import Bone
from web.pictures.implants import Construct, Implant, Kind
from web.pictures.layout import Draft, Drawn, Ring, Rod
from web.pictures.neck import (
    SUNK_IN_NAIL_MM,
    chosen_beside,
    lies_within,
    neck_axis,
    room_for,
    screw_on,
)
from web.pictures.plane import along, sampled

__all__ = ["lay_extras"]

_THIN_MM = 1.0
_RING_Y_MM = (50.0, 64.0, 78.0)
_RING_KINDS: tuple[Kind, ...] = ("cerclage wire", "cerclage cable")
#: How far above and below the middle of the neck an extra screw is tried, in this order.
_BESIDE_MM = (10.5, -11.5, 9.0, -9.0, 7.0, -7.0, 0.0)


def lay_extras(plan: Draft, bone: Bone, angle_deg: float, construct: Construct) -> None:
    """Lay cerclage and cancellous screws around what is there already.

    Parameters
    ----------
    plan
        What the base construct put into the bone; takes the bodies that fit beside it, and
        sentences for those that do not.
    bone
        The bone of a right hip.
    angle_deg
        The neck's angle, for the cancellous screws.
    construct
        The construct.
    """
    for kind in _RING_KINDS:
        implant = construct.first(kind)
        if implant is not None:
            _lay_rings(plan, bone, implant)
    implant = construct.first("cancellous screw")
    if implant is None:
        return
    placed = _lay_screws(plan, bone, angle_deg, implant)
    washer = construct.first("washer")
    if washer is not None and placed:
        plan.drawn.append(Drawn(washer, placed[-1].back, len(placed)))


def _lay_rings(plan: Draft, bone: Bone, implant: Implant) -> None:
    across, is_cable = implant.diameter_mm, implant.kind == "cerclage cable"
    if across is None:
        across = _THIN_MM
        plan.not_drawn.append(f"{implant.name}: its diameter is not known; it is drawn thin.")
    lowest = plan.cut.from_y if plan.cut else _RING_Y_MM[-1] + 1
    heights = [y + 3 * len(plan.rings) for y in _RING_Y_MM if y < lowest][: implant.quantity]
    for y in heights:
        half = across / 2
        lateral, medial = _contour(bone, y, side=-1), _contour(bone, y, side=1)
        for plate in plan.plates:
            if plate.outer[0][1] <= y <= plate.outer[-1][1]:
                lateral = min(lateral, plate.outer[0][0])
        plan.rings.append(Ring(is_cable, y, lateral - half, medial + half, across))
    if heights:
        last = plan.rings[-1]
        plan.drawn.append(Drawn(implant, (last.lateral_x, last.y), len(heights)))
    if implant.quantity > len(heights):
        plan.refuse(implant, room_for(implant, len(heights)))


def _contour(bone: Bone, y: float, side: int) -> float:
    points = sampled(bone.medial if side > 0 else bone.lateral)
    # Of the points near that height the outermost, so that a wire never cuts the cortex.
    near = [x for x, height in points if abs(height - y) <= 6 and x * side > 0]  # noqa: PLR2004 - mm
    return max(near, key=lambda x: x * side, default=side * bone.half_shaft_mm)


def _lay_screws(plan: Draft, bone: Bone, angle_deg: float, implant: Implant) -> list[Rod]:
    if implant.length_mm is None or implant.diameter_mm is None:
        plan.refuse(implant, "not all of its sizes are known")
        return []
    tried = list(_tried(bone, angle_deg, implant))
    placed = chosen_beside(tried, plan.rods, implant.quantity)
    plan.rods += placed
    if placed:
        first = placed[0]
        middle = along(first.back, first.towards, first.length_mm / 2)
        plan.drawn.append(Drawn(implant, middle, len(placed)))
    if any(rod.behind for rod in placed):
        plan.not_drawn.append(
            f"{implant.name}: in front of or behind the other screws, here drawn behind them."
        )
    if len(placed) < implant.quantity:
        plan.refuse(implant, room_for(implant, len(placed)))
    return placed


def _tried(bone: Bone, angle_deg: float, implant: Implant) -> Iterator[Rod]:
    fully = implant.thread == "fully"
    thread = (implant.length_mm or 0.0) - 3 if fully else 20.0
    for up in _BESIDE_MM:
        axis = neck_axis(bone, angle_deg, up)
        if axis is None:
            continue
        kind: Kind = "cancellous screw"
        rod = screw_on(axis, implant, sunk_mm=SUNK_IN_NAIL_MM, kind=kind, shorter_mm=10.0)
        if rod is not None and lies_within(bone, rod, axis):
            yield replace(rod, thread_mm=thread, headed=True)
