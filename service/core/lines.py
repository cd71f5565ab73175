"""What a construct asks the shelf for, one line for each role and size to bring."""

from dataclasses import dataclass

__all__ = [
    "CONSUMABLE",
    "FIRST_USE",
    "IMPLANT",
    "INSTRUMENT_SET",
    "IN_ROOM",
    "ON_SHELF",
    "Line",
]

FIRST_USE, IN_ROOM, ON_SHELF = "first use", "in the room", "on its shelf"
IMPLANT, INSTRUMENT_SET, CONSUMABLE = "implant", "instrument set", "consumable"


@dataclass(frozen=True, slots=True)
class Line:
    """One thing to bring for one construct.

    Parameters
    ----------
    role
        The role it fills.
    label
        What it is and its size, as said in theatre.
    refs
        Catalogue references that serve it, in alphabetical order; empty when the size is not made.
    quantity
        How many.
    why
        Why it is there: ``nominal``, ``one longer``, ``up to 3 may be needed``, ``spare`` …
    place
        ``first use``, ``in the room`` or ``on its shelf``.
    what
        ``implant``, ``instrument set`` or ``consumable``.
    is_nominal
        Whether the construct is planned with it; neighbours and spares are not nominal.
    is_sized
        Whether its role has a size that follows from the patient.
    other_side, other_head
        References that differ only in side, or only in head design: they do not serve the line.
    part
        Template of the construct's part it belongs to: two parts may name a role alike. Empty for
        what must be near.
    """

    role: str
    label: str
    refs: tuple[str, ...]
    quantity: int
    why: str
    place: str
    what: str = IMPLANT
    is_nominal: bool = False
    is_sized: bool = False
    other_side: tuple[str, ...] = ()
    other_head: tuple[str, ...] = ()
    part: str = ""
