"""What a construct is made of, as far as a picture needs it."""

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from typing import Literal

from web.pictures.femur.bone import Bone, Femur
from web.pictures.plane import (
    Point,
    along,
    beside,
    contains,
    crossing,
    direction,
    distance,
    mirrored,
)

Kind = Literal[
    "nail",
    "lag screw",
    "antirotation screw",
    "helical blade",
    "set screw",
    "end cap",
    "distal locking screw",
    "side plate",
    "compression screw",
    "cortical screw",
    "buttress plate",
    "buttress screw",
    "cerclage wire",
    "cerclage cable",
    "cancellous screw",
    "washer",
]


@dataclass(frozen=True, slots=True)
class Implant:
    """One implant of a construct; what is None is not known.

    Parameters
    ----------
    kind
        What it is.
    name
        What it is called on the pick list (``Ambleford lag screw``).
    quantity
        How many are taken.
    length_mm, diameter_mm, angle_deg, holes, barrel_mm
        Its sizes.
    head_design
        ``headed``, ``headless`` or None.
    thread
        ``partly``, ``fully`` or None.
    """

    kind: Kind
    name: str
    quantity: int = 1
    length_mm: float | None = None
    diameter_mm: float | None = None
    angle_deg: float | None = None
    holes: int | None = None
    barrel_mm: float | None = None
    head_design: str | None = None
    thread: str | None = None

    @property
    def size(self) -> str:
        """Its sizes in words; empty when none is known."""
        parts = []
        if self.diameter_mm is not None and self.length_mm is not None:
            parts.append(f"{self.diameter_mm:g} × {self.length_mm:g} mm")
        elif self.diameter_mm is not None or self.length_mm is not None:
            one = self.diameter_mm if self.length_mm is None else self.length_mm
            parts.append(f"{one:g} mm")
        if self.angle_deg is not None:
            parts.append(f"{self.angle_deg:g}°")
        if self.holes is not None:
            parts.append(f"{self.holes} holes")
        if self.barrel_mm is not None:
            parts.append(f"{self.barrel_mm:g} mm barrel")
        if self.thread is not None:
            parts.append(f"{self.thread} threaded")
        if self.head_design is not None:
            parts.append(self.head_design)
        return ", ".join(parts)


@dataclass(frozen=True, slots=True)
class PicturedConstruct:
    """A planned construct: its name and what it is made of, and what is said but not sized."""

    name: str
    implants: tuple[Implant, ...]
    missing: tuple[str, ...] = ()

    def first(self, kind: Kind) -> Implant | None:
        """Return the construct's implant of a kind, if it has one."""
        return next((one for one in self.implants if one.kind == kind), None)


#: How far a body stays off the outline that it must lie within.
MARGIN_MM = 1.0


@dataclass(frozen=True, slots=True)
class Rod:
    """A straight implant: screw, blade, barrel, set screw or cap.

    Parameters
    ----------
    kind
        What it is.
    back, tip
        Its two ends in mm; the length between them is the implant's own.
    diameter_mm
        Its true diameter.
    thread_mm
        How much of it carries thread, from the tip; assumed, no catalogue column says it here.
    headed
        Whether its back end is wider than its shaft: True, False, or None where it is not said.
    behind
        Whether another implant hides part of it in this view.
    """

    kind: Kind | Literal["barrel"]
    back: Point
    tip: Point
    diameter_mm: float
    thread_mm: float = 0.0
    headed: bool | None = None
    behind: bool = False

    @property
    def length_mm(self) -> float:
        """From end to end."""
        return distance(self.back, self.tip)

    @property
    def towards(self) -> Point:
        """The unit vector from back to tip."""
        return (
            (self.tip[0] - self.back[0]) / self.length_mm,
            (self.tip[1] - self.back[1]) / self.length_mm,
        )

    def edges(self, start_mm: float = 0.0, step_mm: float = 2.0) -> tuple[Point, ...]:
        """Points of both edges from a distance behind the back end to the tip."""
        marks = [start_mm]
        while marks[-1] + step_mm < self.length_mm:
            marks.append(marks[-1] + step_mm)
        marks.append(self.length_mm)
        return tuple(
            beside(along(self.back, self.towards, mark), self.towards, half)
            for mark in marks
            for half in (self.diameter_mm / 2, -self.diameter_mm / 2)
        )


@dataclass(frozen=True, slots=True)
class NailBody:
    """A nail: its axis from top over the bend to the tip, and its width above and below."""

    top: Point
    bend: Point
    tip: Point
    upper_mm: float
    diameter_mm: float
    taper_mm: float
    omitted_mm: float

    @property
    def length_mm(self) -> float:
        """From top to tip, with what the break leaves out."""
        return distance(self.top, self.bend) + distance(self.bend, self.tip) + self.omitted_mm

    def axis_x(self, y: float) -> float:
        """Where the axis is at a height."""
        if y >= self.bend[1]:
            return self.bend[0]
        slope = (self.top[0] - self.bend[0]) / (self.bend[1] - self.top[1])
        return self.bend[0] + (self.bend[1] - y) * slope

    def half_mm(self, y: float) -> float:
        """Half the nail's width at a height."""
        upper, lower = self.upper_mm / 2, self.diameter_mm / 2
        if y <= self.bend[1]:
            return upper
        return max(lower, upper + (lower - upper) * (y - self.bend[1]) / self.taper_mm)


@dataclass(frozen=True, slots=True)
class PlateBody:
    """A plate on the lateral cortex: its inner edge lies on the bone, its outer beside it."""

    kind: Literal["side plate", "buttress plate"]
    inner: tuple[Point, ...]
    outer: tuple[Point, ...]


@dataclass(frozen=True, slots=True)
class Ring:
    """A wire or cable around the shaft: where its centre line passes either side of it."""

    is_cable: bool
    y: float
    lateral_x: float
    medial_x: float
    diameter_mm: float


@dataclass(frozen=True, slots=True)
class DrawingBreak:
    """Where the drawing leaves a length of nail and shaft out."""

    from_y: float
    to_y: float
    omitted_mm: float


@dataclass(frozen=True, slots=True)
class DrawnImplant:
    """One implant that is in the picture, and a point of it that a label can lead to."""

    implant: Implant
    anchor: Point
    count: int


@dataclass(frozen=True, slots=True)
class ConstructLayout:
    """A construct in its bone; ``femur.side`` says which hip the coordinates are of.

    ``not_drawn`` says in sentences what is left out and why.
    """

    femur: Femur
    bone: Bone
    fractures: tuple[tuple[Point, ...], ...] = ()
    nail: NailBody | None = None
    plates: tuple[PlateBody, ...] = ()
    rods: tuple[Rod, ...] = ()
    rings: tuple[Ring, ...] = ()
    cut: DrawingBreak | None = None
    drawn: tuple[DrawnImplant, ...] = ()
    not_drawn: tuple[str, ...] = ()

    @property
    def half_below_mm(self) -> float:
        """Half the width of the shaft at the locking screws below a break, towards the knee."""
        locks = [rod.length_mm for rod in self.rods if rod.kind == "distal locking screw"]
        return max([self.bone.half_shaft_mm, *(length / 2 - 2.5 for length in locks)])

    def rod(self, kind: Kind | Literal["barrel"]) -> Rod | None:
        """Return the first rod of a kind, if it is drawn."""
        return next((rod for rod in self.rods if rod.kind == kind), None)

    def mirror(self) -> "ConstructLayout":
        """Return the same construct in the other hip."""
        side: Literal["left", "right"] = "left" if self.femur.side == "right" else "right"
        return replace(
            self,
            femur=replace(self.femur, side=side),
            bone=_mirror_bone(self.bone),
            fractures=tuple(mirrored(line) for line in self.fractures),
            nail=self.nail and _mirror_nail(self.nail),
            plates=tuple(
                replace(plate, inner=mirrored(plate.inner), outer=mirrored(plate.outer))
                for plate in self.plates
            ),
            rods=tuple(replace(rod, back=_flip(rod.back), tip=_flip(rod.tip)) for rod in self.rods),
            rings=tuple(
                replace(ring, lateral_x=-ring.lateral_x, medial_x=-ring.medial_x)
                for ring in self.rings
            ),
            drawn=tuple(replace(one, anchor=_flip(one.anchor)) for one in self.drawn),
        )


@dataclass(slots=True)
class LayoutDraft:
    """A layout while it is being made: what can be drawn, and sentences for what cannot."""

    nail: NailBody | None = None
    cut: DrawingBreak | None = None
    plates: list[PlateBody] = field(default_factory=list)
    rods: list[Rod] = field(default_factory=list)
    rings: list[Ring] = field(default_factory=list)
    drawn: list[DrawnImplant] = field(default_factory=list)
    not_drawn: list[str] = field(default_factory=list)

    def refuse(self, implant: Implant, reason: str) -> None:
        """Leave an implant out, or what is left of it, and say why."""
        size = f" {implant.size}" if implant.size else ""
        started = any(one.implant is implant for one in self.drawn)
        how = "DrawnImplant in part" if started else "Not drawn"
        self.not_drawn.append(f"{how}: {implant.name}{size}: {reason}.")

    def finished(
        self, femur: Femur, bone: Bone, fractures: tuple[tuple[Point, ...], ...]
    ) -> ConstructLayout:
        """Make the layout of it."""
        return ConstructLayout(
            femur=femur,
            bone=bone,
            fractures=fractures,
            nail=self.nail,
            plates=tuple(self.plates),
            rods=tuple(self.rods),
            rings=tuple(self.rings),
            cut=self.cut,
            drawn=tuple(self.drawn),
            not_drawn=tuple(self.not_drawn),
        )


def inside(bone: Bone, points: tuple[Point, ...]) -> bool:
    """Tell whether all points lie within the bone's outline."""
    return contains(bone.polygon, points)


def _flip(point: Point) -> Point:
    return -point[0], point[1]


def _mirror_nail(nail: NailBody) -> NailBody:
    return replace(nail, top=_flip(nail.top), bend=_flip(nail.bend), tip=_flip(nail.tip))


def _mirror_bone(bone: Bone) -> Bone:
    return replace(
        bone,
        lateral=mirrored(bone.lateral),
        medial=mirrored(bone.medial),
        head=_flip(bone.head),
        neck=_flip(bone.neck),
        tip=_flip(bone.tip),
        wall_point=_flip(bone.wall_point),
    )


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
