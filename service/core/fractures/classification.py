"""Fracture classes of the proximal femur: which codes a year has, and what each says."""

import math
import re
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal

from scipy.special import ndtr

from service.core.faults import ValueFault

# A group by itself (31A2) stands for a fracture whose subgroup was not written down. In 2007 the
# third figure 1 of a 32A or 32B is the subtrochanteric zone; a 32C has no such figure, so there
# the 2018 letter (a), the proximal third, says the same.
CODES: Mapping[int, tuple[str, ...]] = {
    2007: (
        *("31A1", "31A1.1", "31A1.2", "31A1.3", "31A2", "31A2.1", "31A2.2", "31A2.3"),
        *("31A3", "31A3.1", "31A3.2", "31A3.3"),
        *("32A1.1", "32A2.1", "32A3.1", "32B1.1", "32B2.1", "32B3.1"),
        *("32C1(a)", "32C2(a)", "32C3(a)"),
    ),
    2018: (
        *("31A1", "31A1.1", "31A1.2", "31A1.3", "31A2", "31A2.2", "31A2.3"),
        *("31A3", "31A3.1", "31A3.2", "31A3.3"),
        *("32A1(a)", "32A2(a)", "32A3(a)", "32B2(a)", "32B3(a)", "32C2(a)", "32C3(a)"),
    ),
}


# Why a code that looks right is not one of its year.
REASONS: Mapping[tuple[int, str], str] = {
    (2018, "31A2.1"): (
        "There is no 31A2.1 in the 2018 classes; what 2007 called 31A2.1 is roughly 31A1.3 in 2018 "
        "if the lateral wall is thicker than 20.5 mm, and 31A2.2 if it is not."
    ),
    **{
        (2018, code): (
            f"There is no {code} in the 2018 classes; an intact wedge is 32B2(a), an intact "
            "segment 32C2(a), and the broken ones 32B3(a) and 32C3(a)."
        )
        for code in ("32B1", "32B1(a)", "32C1", "32C1(a)")
    },
}


# Beginnings of the codes that count as unstable.
UNSTABLE: Mapping[int, tuple[str, ...]] = {
    2007: ("31A2.2", "31A2.3", "31A3", "32"),
    2018: ("31A2", "31A3", "32"),
}


# 2007's 31A2 holds stable and unstable fractures, so the group alone does not say.
UNSAID = (2007, "31A2")


REVISED = 2018


class FractureError(ValueFault):
    """A fracture class or a finding about the fracture cannot be used."""


@dataclass(frozen=True, slots=True)
class FractureClass:
    """A trochanteric or subtrochanteric femur fracture by AO/OTA class.

    Parameters
    ----------
    code
        The class as its year writes it: ``31A1.3``, ``31A2`` (subgroup not written down),
        ``32A1(a)`` (2018, proximal third) or ``32A1.1`` (2007, subtrochanteric zone).
    year
        Year of the classification, 2007 or 2018: the same code means different things.

    Raises
    ------
    FractureError
        If that year has no such class.
    """

    code: str
    year: int

    def __post_init__(self) -> None:
        if self.year not in CODES:
            raise FractureError(
                "/year", f"The classification year must be 2007 or 2018, not {self.year}."
            )
        if self.code not in CODES[self.year]:
            raise FractureError("/code", _why_not(self.code, self.year))

    @property
    def group(self) -> str:
        """The part that says where and what kind: ``31A1``, ``31A2``, ``31A3`` or ``32``."""
        return "32" if self.subtrochanteric else self.code[:4]

    @property
    def subtrochanteric(self) -> bool:
        """Whether the fracture lies in the proximal shaft, below the lesser trochanter."""
        return self.code.startswith("32")

    @property
    def reverse_oblique(self) -> bool:
        """Whether the fracture is intertrochanteric: 31A3, reverse oblique or transverse."""
        return self.code.startswith("31A3")

    @property
    def stable(self) -> bool | None:
        """Whether the class counts as stable; None where the group alone does not say (2007 31A2).

        Source: stable to 31A2.1 in 2007 and throughout 31A1 in 2018, common practice.
        """
        if (self.year, self.code) == UNSAID:
            return None
        return not self.code.startswith(UNSTABLE[self.year])

    @property
    def lateral_wall_incompetent_by_class(self) -> bool:
        """Whether the class itself says that the lateral wall cannot carry (31A2 in 2018)."""
        return self.year == REVISED and self.code.startswith("31A2")

    @property
    def lateral_wall_intact_by_class(self) -> bool:
        """Whether the class itself says that the lateral wall is intact (31A1.3 in 2018)."""
        return self.year == REVISED and self.code == "31A1.3"


def read_class(code: str, year: int) -> FractureClass:
    """Read an AO/OTA class of a trochanteric or subtrochanteric femur fracture.

    Spaces, hyphens and lower case are forgiven; ``32A1a`` is ``32A1(a)``, and in 2007 ``32A1(a)``
    is ``32A1.1``, the subtrochanteric zone.

    Parameters
    ----------
    code
        The class as written (``31-A2.2``).
    year
        Year of the classification, 2007 or 2018.

    Returns
    -------
    FractureClass
        The class as its year writes it.

    Raises
    ------
    FractureError
        If that year has no such class, or it is not a fracture of this region; the reason says
        what to use instead.

    Notes
    -----
    Source: AO/OTA compendium 2007 (J Orthop Trauma 21 suppl) and 2018 (J Orthop Trauma 32 suppl
    1, S33-S44); the 32 codes from memory.

    Examples
    --------
    >>> read_class("31-a1.3", 2018)
    FractureClass(code='31A1.3', year=2018)
    >>> read_class("32A1(a)", 2007).code
    '32A1.1'
    """
    plain = re.sub(r"[\s()-]", "", code).upper()
    match = re.fullmatch(r"(32[ABC][123])([ABC])", plain)
    if match is None:
        return FractureClass(plain, year)
    zone = f"{match[1]}.1"
    if match[2] == "A" and zone in CODES.get(year, ()):
        return FractureClass(zone, year)
    return FractureClass(f"{match[1]}({match[2].lower()})", year)


def _why_not(code: str, year: int) -> str:
    known = REASONS.get((year, code))
    if known is not None:
        return known
    if re.fullmatch(r"32[ABC][123]", code):
        return (
            f"{code} alone does not give the level in the shaft; write {code}(a) for a "
            "subtrochanteric fracture (proximal third)."
        )
    if code.startswith("32"):
        known_classes = ", ".join(c for c in CODES[year] if c.startswith("32"))
        return (
            f"There is no subtrochanteric class {code} in {year}; fractures of the lower shaft are "
            f"outside this planner. The classes are {known_classes}."
        )
    return (
        f"There is no trochanteric class {code} in {year}; the classes are "
        f"{', '.join(c for c in CODES[year] if c.startswith('31'))}."
    )


WallState = Literal["intact", "thin", "broken", "unknown"]


WALL_STATES: tuple[WallState, ...] = ("intact", "thin", "broken", "unknown")


# Hsu 2013 found 20.5 mm as the threshold; AO/OTA 2018 divides 31A1.3 from 31A2 there.
WALL_THRESHOLD_MM = 20.5


# A wall or bone thicker than this is a slip of units.
THICKEST_MM = 100.0


WALL_SOURCE = "Hsu 2013; AO/OTA 2018"


@dataclass(frozen=True, slots=True)
class WallEvidence:
    """One thing that speaks for a state of the lateral wall.

    Parameters
    ----------
    state
        What it speaks for: ``intact``, ``thin`` or ``broken``.
    says
        The finding, in a sentence.
    source
        Where the reading of the finding comes from.
    """

    state: WallState
    says: str
    source: str


@dataclass(frozen=True, slots=True)
class LateralWall:
    """What is known of the lateral wall, with its reasons.

    Parameters
    ----------
    state
        ``intact``, ``thin``, ``broken`` or ``unknown``; the worst the evidence speaks for.
    reason
        Why, in a sentence.
    evidence
        Everything that speaks for a state.
    conflict
        Whether one piece says the wall carries and another that it does not.
    """

    state: WallState
    reason: str
    evidence: tuple[WallEvidence, ...]
    conflict: bool


def lateral_wall(
    thickness_mm: float | None,
    stated: WallState,
    fracture: FractureClass | None = None,
    *,
    sd_mm: float = 0.0,
    threshold_mm: float = WALL_THRESHOLD_MM,
) -> LateralWall:
    """Say what is known of the lateral wall; a clash is reported, never corrected.

    A wall of `threshold_mm` or less does not carry; one measured on a film is taken as thin when
    that is at least as probable as not, and the probability is said. A class that says the wall
    cannot carry counts when nothing was seen or measured; a class that says it can does not, so
    that unknown never turns into good.

    Parameters
    ----------
    thickness_mm
        True thickness of the lateral wall in mm, above 0 and at most 100, or None: not measured.
    stated
        What a person saw: ``intact``, ``thin``, ``broken`` or ``unknown``.
    fracture
        The class, if known.
    sd_mm
        SD of the true thickness in mm, 0 or more.
    threshold_mm
        The thickness in mm at and below which the wall does not carry.

    Returns
    -------
    LateralWall
        The state, the reason and everything that speaks for it.

    Raises
    ------
    FractureError
        If the thickness is not a plausible length or the statement is not one of the four.

    Notes
    -----
    Formula: ``Phi((threshold - thickness) / sd)``, error normal. Source: Hsu 2013 (Bone Joint J
    95-B:1134-1138), threshold 20.5 mm; AO/OTA 2018.

    Examples
    --------
    >>> lateral_wall(20.5, "unknown").state
    'thin'
    >>> lateral_wall(21.5, "unknown", sd_mm=1.0).reason
    'The wall measures 21.5 mm; 16 % that it is 20.5 mm or less.'
    >>> clash = lateral_wall(18.0, "unknown", read_class("31A1.3", 2018))
    >>> clash.state, clash.conflict
    ('thin', True)
    """
    if stated not in WALL_STATES:
        raise FractureError(
            "/lateral_wall_state",
            f"The lateral wall must be one of {', '.join(WALL_STATES)}, not {stated}.",
        )
    evidence = (
        *_measured(thickness_mm, sd_mm, threshold_mm),
        *_stated(stated),
        *_classed(fracture),
    )
    seen = {piece.state for piece in evidence}
    conflict = "intact" in seen and len(seen) > 1
    state = _worst(evidence, only_class=thickness_mm is None and stated == "unknown")
    return LateralWall(state, _reason(state, evidence, conflict=conflict), evidence, conflict)


def _measured(
    thickness_mm: float | None, sd_mm: float, threshold_mm: float
) -> tuple[WallEvidence, ...]:
    if thickness_mm is None:
        return ()
    if not math.isfinite(thickness_mm) or not 0 < thickness_mm <= THICKEST_MM:
        raise FractureError(
            "/lateral_wall_mm",
            f"The wall thickness must be above 0 and at most {THICKEST_MM:g} mm, not "
            f"{thickness_mm}.",
        )
    is_thin = thickness_mm <= threshold_mm
    compared = f"{'not ' if is_thin else ''}more than {threshold_mm:g} mm"
    says = f"The wall measures {thickness_mm:g} mm, {compared}."
    if sd_mm > 0:
        chance = 100 * float(ndtr((threshold_mm - thickness_mm) / sd_mm))
        says = (
            f"The wall measures {thickness_mm:.1f} mm; {chance:.0f} % that it is "
            f"{threshold_mm:g} mm or less."
        )
    return (WallEvidence("thin" if is_thin else "intact", says, WALL_SOURCE),)


def _stated(stated: WallState) -> tuple[WallEvidence, ...]:
    if stated == "unknown":
        return ()
    return (WallEvidence(stated, f"The wall is recorded as {stated}.", "the case's findings"),)


def _classed(fracture: FractureClass | None) -> tuple[WallEvidence, ...]:
    if fracture is None:
        return ()
    named, source = f"Class {fracture.code} ({fracture.year})", f"AO/OTA {fracture.year}"
    if fracture.lateral_wall_incompetent_by_class:
        return (WallEvidence("thin", f"{named} means a wall of 20.5 mm or less.", source),)
    if fracture.lateral_wall_intact_by_class:
        return (WallEvidence("intact", f"{named} means a wall thicker than 20.5 mm.", source),)
    if fracture.reverse_oblique:
        says = f"{named} means that the fracture exits through the lateral cortex."
        return (WallEvidence("broken", says, source),)
    return ()


def _worst(evidence: tuple[WallEvidence, ...], *, only_class: bool) -> WallState:
    seen = {piece.state for piece in evidence}
    if "broken" in seen:
        return "broken"
    if "thin" in seen:
        return "thin"
    return "intact" if "intact" in seen and not only_class else "unknown"


def _reason(state: WallState, evidence: tuple[WallEvidence, ...], *, conflict: bool) -> str:
    said = " ".join(piece.says for piece in evidence)
    if conflict:
        return f"The findings contradict each other; the worse one is used. {said}"
    if state == "unknown":
        return f"The lateral wall has not been measured or assessed. {said}".strip()
    return said
