"""From a case and its check to the pictures of its constructs.

A pick list names sizes in words (``10.5 × 95 mm, headed``); they are read back here. What cannot be
read is not guessed: the implant is then named as not drawn.
"""

import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Any, Literal

from service.core.fractures.classification import read_class
from service.schemas.cases import CaseOut
from service.schemas.cover import CaseCheckOut, ConstructCheckOut, PickLineOut
from web.pictures.femur.bone import Femur, Fracture
from web.pictures.femur.geometry import lay_out
from web.pictures.femur.implants import Implant, Kind, PicturedConstruct
from web.pictures.femur.picture import femur_picture
from web.pictures.svg import Picture


@dataclass(frozen=True, slots=True)
class ConstructPicture:
    """The picture of one planned construct, as the check names it.

    Parameters
    ----------
    planned, name, role, state
        As in the check: code, name, ``primary`` or ``alternate``, cover.
    picture
        Large with labels for the primary, small without for an alternate.
    """

    planned: str
    name: str
    role: str
    state: str
    picture: Picture


def construct_pictures(
    case: CaseOut, check: CaseCheckOut, *, prefix: str
) -> Sequence[ConstructPicture]:
    """Draw every construct of a case.

    Parameters
    ----------
    case
        The case: side, class, findings, sex.
    check
        Its check: dimensions and what each construct takes.
    prefix
        Unique on the page: letters, digits and hyphens.

    Returns
    -------
    sequence of ConstructPicture
        In the check's order, the primary first; empty when no construct could be sized.
    """
    femur = femur_of(case, check)
    pictures = []
    for place, checked in enumerate(check.constructs):
        construct = construct_of(checked)
        picture = femur_picture(
            lay_out(femur, construct),
            construct,
            prefix=f"{prefix}-{place}",
            small=checked.role != "primary",
        )
        pictures.append(
            ConstructPicture(checked.planned, checked.name, checked.role, checked.state, picture)
        )
    return pictures


#: Diameter of the head where nobody measured it: assumed, common practice, no source.
_HEAD_MM = {"F": 46.0, "M": 51.0}


_GROUPS: dict[str, Fracture] = {
    "31A1": "trochanteric simple",
    "31A2": "trochanteric multifragmentary",
    "31A3": "reverse oblique",
    "32": "subtrochanteric",
}


def femur_of(case: CaseOut, check: CaseCheckOut) -> Femur:
    """Say what is known of a case's femur; what is not stays as ``Femur`` assumes it."""
    sizes = {one.dimension: one.mean_mm for one in check.dimensions}
    known: dict[str, float] = {}
    if "neck" in sizes:
        known["neck_path_mm"] = sizes["neck"]
    if "canal" in sizes:
        known["canal_mm"] = sizes["canal"]
    fracture = None
    if case.fracture_class is not None and case.class_year is not None:
        fracture = _GROUPS[read_class(case.fracture_class, case.class_year).group]
    side: Literal["left", "right"] = "left" if case.side == "left" else "right"
    return Femur(
        side,
        **known,
        head_mm=_HEAD_MM.get(case.sex, 48.0),
        fracture=fracture,
        lateral_wall_mm=sizes.get("lateral_wall"),
        lateral_wall=case.findings.lateral_wall,
    )


#: A word of a role, and the kind it names; the first that fits counts.
_KINDS: tuple[tuple[str, Kind], ...] = (
    ("antirotation", "antirotation screw"),
    ("blade", "helical blade"),
    ("lag screw", "lag screw"),
    ("set screw", "set screw"),
    ("end cap", "end cap"),
    ("locking", "distal locking screw"),
    ("buttress plate", "buttress plate"),
    ("buttress screw", "buttress screw"),
    ("side plate", "side plate"),
    ("compression", "compression screw"),
    ("cortical", "cortical screw"),
    ("cancellous", "cancellous screw"),
    ("washer", "washer"),
    ("cable", "cerclage cable"),
    ("wire", "cerclage wire"),
    ("nail", "nail"),
)


#: Kinds of which one figure alone is a diameter; of every other it is a length.
_ACROSS = frozenset({"cerclage wire", "cerclage cable", "washer", "end cap"})


def construct_of(checked: ConstructCheckOut) -> PicturedConstruct:
    """Say what a checked construct is made of: its nominal implants with their sizes."""
    implants, missing = [], []
    for line in _nominal(checked.lines):
        kind = _kind_of(line.role)
        if not line.refs:
            missing.append(f"Not drawn: {line.label}: nobody makes it.")
        elif kind is None:
            missing.append(f"Not drawn: {line.label}: there is no picture of it.")
        else:
            implants.append(_implant(kind, line))
    return PicturedConstruct(checked.name, tuple(implants), tuple(missing))


def _nominal(lines: Sequence[PickLineOut]) -> Iterator[PickLineOut]:
    return (line for line in lines if line.what == "implant" and line.why == "nominal")


def _kind_of(role: str) -> Kind | None:
    if role.endswith("nail"):
        return "nail"
    return next((kind for word, kind in _KINDS if word in role), None)


def _implant(kind: Kind, line: PickLineOut) -> Implant:
    name, _, size = line.label.partition(line.role)
    sizes = read_size(size)
    if kind in _ACROSS and "length_mm" in sizes and "diameter_mm" not in sizes:
        sizes["diameter_mm"] = sizes.pop("length_mm")
    return Implant(kind, f"{name}{line.role}", line.quantity, **sizes)


_NUMBER = r"(\d+(?:\.\d+)?)"


_PATTERNS = (
    (re.compile(rf"{_NUMBER} × {_NUMBER} mm"), ("diameter_mm", "length_mm")),
    (re.compile(rf"{_NUMBER} mm"), ("length_mm",)),
    (re.compile(rf"{_NUMBER}°"), ("angle_deg",)),
    (re.compile(rf"{_NUMBER} mm barrel"), ("barrel_mm",)),
)


_HOLES = re.compile(r"(\d+) holes")


def read_size(words: str) -> dict[str, Any]:
    """Read the sizes that a pick list writes.

    Parameters
    ----------
    words
        Parts joined by commas, as ``service.core.catalogue.describe_size`` writes them.

    Returns
    -------
    dict
        Fields of ``Implant``; a figure in mm by itself is a length. Empty when nothing is said.
    """
    found: dict[str, Any] = {}
    for part in (piece.strip() for piece in words.split(",")):
        for pattern, fields in _PATTERNS:
            match = pattern.fullmatch(part)
            if match is not None:
                found |= dict(zip(fields, map(float, match.groups()), strict=True))
        holes = _HOLES.fullmatch(part)
        if holes is not None:
            found["holes"] = int(holes[1])
        if part in ("headed", "headless"):
            found["head_design"] = part
        if part in ("partly threaded", "fully threaded"):
            found["thread"] = part.partition(" ")[0]
    return found
