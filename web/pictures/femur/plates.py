"""Where a sliding hip screw with its side plate lies, and a trochanteric buttress plate."""

from collections.abc import Iterator
from dataclasses import replace

from web.pictures.femur.bone import BOTTOM_MM, Bone
from web.pictures.femur.implants import (
    SUNK_IN_NAIL_MM,
    DrawnImplant,
    Implant,
    Kind,
    LayoutDraft,
    NeckAxis,
    PicturedConstruct,
    PlateBody,
    Ring,
    Rod,
    chosen_beside,
    lies_within,
    neck_axis,
    room_for,
    screw_on,
)
from web.pictures.plane import Point, along, direction, sampled

#: Assumed: thickness of a plate, spacing of its holes, from barrel to first hole, its upper end.
THICK_MM, _SPACING_MM, _FIRST_HOLE_MM, _ABOVE_MM = 5.0, 15.0, 21.0, 11.0


_BARREL_MM, _THREAD_MM = 12.6, 22.0


_UP_DEG = 92.0


#: A barrel must hold at least this much of the screw, or the screw could tilt out of it.
LEAST_HOLD_MM = 10.0


_SCREW_MISFIT_MM = (-2.0, 14.0)


_BUTTRESS_Y_MM = (-20.0, -12.0, -4.0, -16.0)


def lay_plates(plan: LayoutDraft, bone: Bone, construct: PicturedConstruct) -> None:
    """Lay side plate, barrel, screws and buttress plate.

    Parameters
    ----------
    plan
        Takes the bodies that fit, and sentences for those that do not.
    bone
        The bone of a right hip.
    construct
        The construct.
    """
    _lay_side_plate(plan, bone, construct)
    _lay_buttress(plan, bone, construct)


def _lay_side_plate(plan: LayoutDraft, bone: Bone, construct: PicturedConstruct) -> None:
    plate = construct.first("side plate")
    if plate is None:
        return
    lag = construct.first("lag screw")
    axis = None if plate.angle_deg is None else neck_axis(bone, plate.angle_deg, -1.5)
    reason = _plate_misfit(plate, axis)
    rod = None
    if reason is None and axis is not None and lag is not None:
        rod = screw_on(
            axis, lag, sunk_mm=(plate.barrel_mm or 0.0) - LEAST_HOLD_MM, kind="lag screw"
        )
        reason = _screw_misfit(bone, lag, rod, axis, plate)
    if reason is not None or axis is None:
        plan.refuse(plate, reason or "it does not fit")
        for kind in ("lag screw", "compression screw", "cortical screw"):
            for one in (other for other in construct.implants if other.kind == kind):
                plan.refuse(one, "its plate is not drawn")
        return
    _add_barrel(plan, plate, lag, rod, axis)
    _add_compression(plan, construct, axis)
    _add_cortical(plan, bone, construct, plate, axis)


def _plate_misfit(plate: Implant, axis: NeckAxis | None) -> str | None:
    if plate.angle_deg is None or plate.holes is None or plate.barrel_mm is None:
        return "not all of its sizes are known"
    if axis is None:
        return "a screw at its angle does not run up the drawn neck"
    if _lower_end(axis, plate.holes) > BOTTOM_MM - 4:
        return "it is longer than the drawn shaft"
    return None


def _screw_misfit(
    bone: Bone, lag: Implant, rod: Rod | None, axis: NeckAxis, plate: Implant
) -> str | None:
    if lag.length_mm is None or lag.diameter_mm is None:
        return "the size of its lag screw is not known"
    if rod is None:
        return (
            f"a lag screw of {lag.length_mm:g} mm and a barrel of {plate.barrel_mm:g} mm do not "
            f"suit the drawn path of {axis.path_mm:.0f} mm"
        )
    if lag.length_mm - _THREAD_MM < (plate.barrel_mm or 0.0) - max(_sunk(axis, rod), 0.0):
        return "the thread of its lag screw would lie in the barrel"
    return None if lies_within(bone, rod, axis) else "its lag screw leaves the drawn neck"


def _sunk(axis: NeckAxis, rod: Rod) -> float:
    return (rod.back[0] - axis.cortex[0]) / axis.towards[0]


def _lower_end(axis: NeckAxis, holes: int) -> float:
    return axis.cortex[1] + _FIRST_HOLE_MM + (holes - 1) * _SPACING_MM + 9.0


def _add_barrel(
    plan: LayoutDraft, plate: Implant, lag: Implant | None, rod: Rod | None, axis: NeckAxis
) -> None:
    x, top = axis.cortex[0], axis.cortex[1] - _ABOVE_MM
    bottom = _lower_end(axis, plate.holes or 0)
    inner: tuple[Point, ...] = ((x, top), (x, bottom))
    outer: tuple[Point, ...] = ((x - THICK_MM, top), (x - THICK_MM, bottom))
    plan.plates.append(PlateBody("side plate", inner, outer))
    back = along(axis.cortex, axis.towards, -THICK_MM)
    end = along(axis.cortex, axis.towards, plate.barrel_mm or 0.0)
    plan.rods.append(Rod("barrel", back, end, max(_BARREL_MM, _wider(lag))))
    plan.drawn.append(DrawnImplant(plate, (x - THICK_MM, bottom - 6.0), 1))
    if lag is not None and rod is not None:
        plan.rods.append(rod)
        plan.drawn.append(DrawnImplant(lag, along(rod.tip, rod.towards, -0.4 * rod.length_mm), 1))


def _wider(lag: Implant | None) -> float:
    # The screw's shaft is thinner than its thread, so the barrel is about as wide as the thread.
    return (lag.diameter_mm or 0.0) if lag is not None else 0.0


def _add_compression(plan: LayoutDraft, construct: PicturedConstruct, axis: NeckAxis) -> None:
    implant = construct.first("compression screw")
    if implant is not None:
        back = along(axis.cortex, axis.towards, -THICK_MM - 1.5)
        tip = along(axis.cortex, axis.towards, 12.0)
        plan.rods.append(Rod("compression screw", back, tip, 4.0, 8.0, headed=True))
        plan.drawn.append(DrawnImplant(implant, back, 1))


def _add_cortical(
    plan: LayoutDraft, bone: Bone, construct: PicturedConstruct, plate: Implant, axis: NeckAxis
) -> None:
    implant = construct.first("cortical screw")
    if implant is None:
        return
    if implant.length_mm is None:
        plan.refuse(implant, "its length is not known")
        return
    x = axis.cortex[0]
    width = bone.half_shaft_mm - x
    least, most = _SCREW_MISFIT_MM
    if not least <= implant.length_mm - THICK_MM - width <= most:
        plan.refuse(implant, f"the drawn shaft is {width:.0f} mm wide, and nobody measured it")
        return
    count = min(implant.quantity, plate.holes or 0)
    first = axis.cortex[1] + _FIRST_HOLE_MM
    heights = [first + place * _SPACING_MM for place in range(count)]
    plan.rods += [
        Rod(
            "cortical screw",
            (x - THICK_MM, y),
            (x - THICK_MM + implant.length_mm, y),
            implant.diameter_mm or 4.5,
            implant.length_mm - 3.0,
            headed=True,
        )
        for y in heights
    ]
    plan.drawn.append(DrawnImplant(implant, (x - THICK_MM + implant.length_mm, heights[-1]), count))
    if implant.quantity > count:
        plan.refuse(implant, f"{implant.quantity} are taken and the plate has {count} holes")


def _lay_buttress(plan: LayoutDraft, bone: Bone, construct: PicturedConstruct) -> None:
    plate = construct.first("buttress plate")
    if plate is None:
        return
    foot = plan.plates[0].inner[0][1] if plan.plates else 12.0
    face = [
        p
        for p in sampled(bone.lateral)
        if bone.tip[1] * 0.86 <= p[1] <= foot + 16 and p[0] < bone.tip[0]
    ]
    inner = tuple(face)
    outer = tuple((x - THICK_MM * 0.7, y) for x, y in inner)
    plan.plates.append(PlateBody("buttress plate", inner, outer))
    plan.drawn.append(DrawnImplant(plate, (outer[-1][0], bone.tip[1] * 0.6), 1))
    implant = construct.first("buttress screw")
    if implant is None:
        return
    if implant.length_mm is None:
        plan.refuse(implant, "its length is not known")
        return
    tried = [_buttress_screw(inner, implant, y) for y in _BUTTRESS_Y_MM]
    fitting = [rod for rod in tried if _lies_within_face(bone, rod)]
    rods = chosen_beside(fitting, plan.rods, implant.quantity)
    plan.rods += rods
    if rods:
        plan.drawn.append(
            DrawnImplant(implant, along(rods[0].back, rods[0].towards, -1), len(rods))
        )
    if any(rod.behind for rod in rods):
        plan.not_drawn.append(f"{implant.name}: in front of or behind the lag screw, drawn behind.")
    if len(rods) < implant.quantity:
        plan.refuse(implant, room_for(implant, len(rods)))


def _buttress_screw(inner: tuple[Point, ...], implant: Implant, y: float) -> Rod:
    x = min(inner, key=lambda point: abs(point[1] - y))[0] - THICK_MM * 0.7
    length, towards = implant.length_mm or 0.0, direction(_UP_DEG)
    tip = along((x, y), towards, length)
    across = implant.diameter_mm or 3.5
    return Rod("buttress screw", (x, y), tip, across, length - 3.0, headed=True)


def _lies_within_face(bone: Bone, rod: Rod) -> bool:
    """Tell whether a screw through the buttress plate stays in the bone once it has entered it."""
    axis = NeckAxis(along(rod.back, rod.towards, THICK_MM), rod.tip, rod.towards)
    return lies_within(bone, rod, axis)


_THIN_MM = 1.0


_RING_Y_MM = (50.0, 64.0, 78.0)


_RING_KINDS: tuple[Kind, ...] = ("cerclage wire", "cerclage cable")


#: How far above and below the middle of the neck an extra screw is tried, in this order.
_BESIDE_MM = (10.5, -11.5, 9.0, -9.0, 7.0, -7.0, 0.0)


def lay_extras(
    plan: LayoutDraft, bone: Bone, angle_deg: float, construct: PicturedConstruct
) -> None:
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
        plan.drawn.append(DrawnImplant(washer, placed[-1].back, len(placed)))


def _lay_rings(plan: LayoutDraft, bone: Bone, implant: Implant) -> None:
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
        plan.drawn.append(DrawnImplant(implant, (last.lateral_x, last.y), len(heights)))
    if implant.quantity > len(heights):
        plan.refuse(implant, room_for(implant, len(heights)))


def _contour(bone: Bone, y: float, side: int) -> float:
    points = sampled(bone.medial if side > 0 else bone.lateral)
    # Of the points near that height the outermost, so that a wire never cuts the cortex.
    near = [x for x, height in points if abs(height - y) <= 6 and x * side > 0]  # noqa: PLR2004 - mm
    return max(near, key=lambda x: x * side, default=side * bone.half_shaft_mm)


def _lay_screws(plan: LayoutDraft, bone: Bone, angle_deg: float, implant: Implant) -> list[Rod]:
    if implant.length_mm is None or implant.diameter_mm is None:
        plan.refuse(implant, "not all of its sizes are known")
        return []
    tried = list(_tried(bone, angle_deg, implant))
    placed = chosen_beside(tried, plan.rods, implant.quantity)
    plan.rods += placed
    if placed:
        first = placed[0]
        middle = along(first.back, first.towards, first.length_mm / 2)
        plan.drawn.append(DrawnImplant(implant, middle, len(placed)))
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
