"""What a construct is made of, as far as a picture needs it."""

from dataclasses import dataclass
from typing import Literal

__all__ = ["Construct", "Implant", "Kind"]

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
class Construct:
    """A planned construct: its name and what it is made of, and what is said but not sized."""

    name: str
    implants: tuple[Implant, ...]
    missing: tuple[str, ...] = ()

    def first(self, kind: Kind) -> Implant | None:
        """Give the construct's implant of a kind, if it has one."""
        return next((one for one in self.implants if one.kind == kind), None)
