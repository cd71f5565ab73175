"""What is known of a fracture before the skin is opened: its class and its lateral wall."""

import math
from dataclasses import dataclass
from typing import Literal

from service.core.fracture_classes import CODES, FractureClass, FractureError, read_class

__all__ = [
    "CODES",
    "WALL_STATES",
    "WALL_THRESHOLD_MM",
    "FractureClass",
    "FractureError",
    "LateralWall",
    "WallEvidence",
    "WallState",
    "lateral_wall",
    "read_class",
]

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
    threshold_mm: float = WALL_THRESHOLD_MM,
) -> LateralWall:
    """Say what is known of the lateral wall; a clash is reported, never corrected.

    A wall of `threshold_mm` or less does not carry. A class that says the wall cannot carry counts
    when nothing was seen or measured; a class that says it can does not, so that unknown never
    turns into good.

    Parameters
    ----------
    thickness_mm
        Thickness of the lateral wall in mm, above 0 and at most 100, or None: not measured.
    stated
        What a person saw: ``intact``, ``thin``, ``broken`` or ``unknown``.
    fracture
        The class, if known.
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
    Source: Hsu 2013 (Bone Joint J 95-B:1134-1138), threshold 20.5 mm; AO/OTA 2018.

    Examples
    --------
    >>> lateral_wall(20.5, "unknown").state
    'thin'
    >>> clash = lateral_wall(18.0, "unknown", read_class("31A1.3", 2018))
    >>> clash.state, clash.conflict
    ('thin', True)
    """
    if stated not in WALL_STATES:
        raise FractureError(
            "/lateral_wall_state", f"The wall is one of {', '.join(WALL_STATES)}, not {stated}."
        )
    evidence = (
        *_measured(thickness_mm, threshold_mm),
        *_stated(stated),
        *_classed(fracture),
    )
    seen = {piece.state for piece in evidence}
    conflict = "intact" in seen and len(seen) > 1
    state = _worst(evidence, only_class=thickness_mm is None and stated == "unknown")
    return LateralWall(state, _reason(state, evidence, conflict=conflict), evidence, conflict)


def _measured(thickness_mm: float | None, threshold_mm: float) -> tuple[WallEvidence, ...]:
    if thickness_mm is None:
        return ()
    if not math.isfinite(thickness_mm) or not 0 < thickness_mm <= THICKEST_MM:
        raise FractureError(
            "/lateral_wall_mm",
            f"A wall's thickness lies above 0 and at or below {THICKEST_MM:g} mm, "
            f"not {thickness_mm}.",
        )
    if thickness_mm <= threshold_mm:
        says = f"The wall measures {thickness_mm:g} mm, not more than {threshold_mm:g} mm."
        return (WallEvidence("thin", says, WALL_SOURCE),)
    says = f"The wall measures {thickness_mm:g} mm, more than {threshold_mm:g} mm."
    return (WallEvidence("intact", says, WALL_SOURCE),)


def _stated(stated: WallState) -> tuple[WallEvidence, ...]:
    if stated == "unknown":
        return ()
    return (WallEvidence(stated, f"The wall is stated to be {stated}.", "the case's findings"),)


def _classed(fracture: FractureClass | None) -> tuple[WallEvidence, ...]:
    if fracture is None:
        return ()
    named, source = f"Class {fracture.code} ({fracture.year})", f"AO/OTA {fracture.year}"
    if fracture.lateral_wall_incompetent_by_class:
        return (WallEvidence("thin", f"{named} means a wall of 20.5 mm or less.", source),)
    if fracture.lateral_wall_intact_by_class:
        return (WallEvidence("intact", f"{named} means a wall thicker than 20.5 mm.", source),)
    if fracture.reverse_oblique:
        says = f"{named} means that the fracture leaves through the lateral cortex."
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
        return f"The findings contradict each other; the worse one is shown. {said}"
    if state == "unknown":
        return f"Nobody has measured or seen the lateral wall. {said}".strip()
    return said
