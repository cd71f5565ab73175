"""What a drawn construct consists of: bodies in millimetres, for a right hip until mirrored."""

from dataclasses import dataclass, field, replace
from typing import Literal

from web.pictures.bone import Bone, Femur
from web.pictures.implants import Implant, Kind
from web.pictures.plane import Point, along, beside, contains, distance, mirrored

__all__ = ["Break", "Draft", "Drawn", "Layout", "NailBody", "PlateBody", "Ring", "Rod", "inside"]

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
class Break:
    """Where the drawing leaves a length of nail and shaft out."""

    from_y: float
    to_y: float
    omitted_mm: float


@dataclass(frozen=True, slots=True)
class Drawn:
    """One implant that is in the picture, and a point of it that a label can lead to."""

    implant: Implant
    anchor: Point
    count: int


@dataclass(frozen=True, slots=True)
class Layout:
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
    cut: Break | None = None
    drawn: tuple[Drawn, ...] = ()
    not_drawn: tuple[str, ...] = ()

    @property
    def half_below_mm(self) -> float:
        """Half the width of the shaft at the locking screws below a break, towards the knee."""
        locks = [rod.length_mm for rod in self.rods if rod.kind == "distal locking screw"]
        return max([self.bone.half_shaft_mm, *(length / 2 - 2.5 for length in locks)])

    def rod(self, kind: Kind | Literal["barrel"]) -> Rod | None:
        """Give the first rod of a kind, if it is drawn."""
        return next((rod for rod in self.rods if rod.kind == kind), None)

    def mirror(self) -> "Layout":
        """Give the same construct in the other hip."""
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
class Draft:
    """A layout while it is being made: what can be drawn, and sentences for what cannot."""

    nail: NailBody | None = None
    cut: Break | None = None
    plates: list[PlateBody] = field(default_factory=list)
    rods: list[Rod] = field(default_factory=list)
    rings: list[Ring] = field(default_factory=list)
    drawn: list[Drawn] = field(default_factory=list)
    not_drawn: list[str] = field(default_factory=list)

    def refuse(self, implant: Implant, reason: str) -> None:
        """Leave an implant out, or what is left of it, and say why."""
        size = f" {implant.size}" if implant.size else ""
        started = any(one.implant is implant for one in self.drawn)
        how = "Drawn in part" if started else "Not drawn"
        self.not_drawn.append(f"{how}: {implant.name}{size}: {reason}.")

    def finished(
        self, femur: Femur, bone: Bone, fractures: tuple[tuple[Point, ...], ...]
    ) -> Layout:
        """Make the layout of it."""
        return Layout(
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
