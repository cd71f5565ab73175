"""What is known of a case, and the facts that the trade rules ask for."""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal, get_args

from service.core.constructs.planned import ConstructError, PlannedConstruct, read_planned
from service.core.fractures.classification import (
    FractureClass,
    LateralWall,
    WallState,
    lateral_wall,
)
from service.core.fractures.rules import Fact, GuidanceError

MedialFragment = Literal["none", "small", "large", "comminuted", "unknown"]


CoronalFragment = Literal["none", "present", "unknown"]


Pattern = Literal["short", "long_oblique", "spiral", "comminuted", "unknown"]


BoneQuality = Literal["good", "poor", "unknown"]


ExistingMetal = Literal["none", "present", "unknown"]


ShaftExtension = Literal["none", "present", "unknown"]


@dataclass(frozen=True, slots=True)
class Findings:
    """What is known of a case before the operation.

    Parameters
    ----------
    construct
        The construct planned first: a base, then add-ons joined by ``+``; each part may carry
        ``@System`` and ``/angle``.
    fracture
        The class with its year, or None: unknown.
    lateral_wall_mm, lateral_wall_sd_mm
        True thickness of the lateral wall and its SD in mm; None and 0: not measured.
    canal_mm
        True width of the canal in mm, or None: not measured.
    lateral_wall_state
        What a person saw of the lateral wall.
    medial_fragment, coronal_fragment, pattern, bone_quality, existing_metal, shaft_extension
        Findings in words; ``unknown`` unless someone said otherwise.
    calibrated
        Whether the film carries a marker.

    Raises
    ------
    GuidanceError
        If a word is not one of those known or the construct cannot be read.
    """

    construct: str
    fracture: FractureClass | None = None
    lateral_wall_mm: float | None = None
    lateral_wall_sd_mm: float = 0.0
    canal_mm: float | None = None
    lateral_wall_state: WallState = "unknown"
    medial_fragment: MedialFragment = "unknown"
    coronal_fragment: CoronalFragment = "unknown"
    pattern: Pattern = "unknown"
    bone_quality: BoneQuality = "unknown"
    existing_metal: ExistingMetal = "unknown"
    shaft_extension: ShaftExtension = "unknown"
    calibrated: bool = False

    def __post_init__(self) -> None:
        planned_of(self.construct)
        for name, known in _WORDS.items():
            word = getattr(self, name)
            if word not in known:
                raise GuidanceError(f"/{name}", f"'{word}' is not one of {', '.join(known)}.")


_WORDS: Mapping[str, tuple[str, ...]] = {
    "lateral_wall_state": get_args(WallState),
    "medial_fragment": get_args(MedialFragment),
    "coronal_fragment": get_args(CoronalFragment),
    "pattern": get_args(Pattern),
    "bone_quality": get_args(BoneQuality),
    "existing_metal": get_args(ExistingMetal),
    "shaft_extension": get_args(ShaftExtension),
}


def wall_of(findings: Findings, threshold_mm: float) -> LateralWall:
    """Join what was measured, seen and classed of the lateral wall.

    Parameters
    ----------
    findings
        What is known of the case.
    threshold_mm
        Thickness in mm at and below which the wall does not carry.

    Returns
    -------
    LateralWall
        As `lateral_wall`.

    Raises
    ------
    FractureError
        If the wall's thickness is not a plausible length.

    Notes
    -----
    Source: `lateral_wall`.

    Examples
    --------
    >>> wall_of(Findings("sliding-hip-screw", lateral_wall_mm=21.0), 22.0).state
    'thin'
    """
    return lateral_wall(
        findings.lateral_wall_mm,
        findings.lateral_wall_state,
        findings.fracture,
        sd_mm=findings.lateral_wall_sd_mm,
        threshold_mm=threshold_mm,
    )


def rule_facts(
    findings: Findings, planned: PlannedConstruct, wall: LateralWall
) -> Mapping[str, Fact]:
    """Return the findings by the names the rules ask for; None is unknown.

    Parameters
    ----------
    findings
        What is known of the case.
    planned
        The construct of `findings`, read.
    wall
        The lateral wall of `findings`, joined.

    Returns
    -------
    Mapping of str to bool, str, float or None
        Each name of `FINDINGS` with its value; ``lateral_wall`` joins what was measured, seen and
        classed.

    Notes
    -----
    Source: `lateral_wall` for the wall, `FractureClass` for the class.

    Examples
    --------
    >>> findings = Findings("sliding-hip-screw+cerclage-wire")
    >>> wall = lateral_wall(None, "unknown")
    >>> rule_facts(findings, planned_of(findings.construct), wall)["cerclage"]
    True
    """
    codes = codes_of(planned)
    fracture = findings.fracture
    return {
        "base": codes[0],
        "buttress_plate": "trochanteric-buttress-plate" in codes,
        "cerclage": "cerclage-wire" in codes or "cerclage-cable" in codes,
        "partly_threaded": "partly-threaded-screws" in codes,
        "fully_threaded": "fully-threaded-screws" in codes,
        "fracture_group": None if fracture is None else fracture.group,
        "stable": None if fracture is None else fracture.stable,
        "reverse_oblique": None if fracture is None else fracture.reverse_oblique,
        "subtrochanteric": None if fracture is None else fracture.subtrochanteric,
        "lateral_wall": _known(wall.state),
        "lateral_wall_mm": findings.lateral_wall_mm,
        "canal_mm": findings.canal_mm,
        "medial_fragment": _known(findings.medial_fragment),
        "coronal_fragment": _known(findings.coronal_fragment),
        "pattern": _known(findings.pattern),
        "bone_quality": _known(findings.bone_quality),
        "existing_metal": _known(findings.existing_metal),
        "shaft_extension": _known(findings.shaft_extension),
        "calibrated": findings.calibrated,
    }


def planned_of(text: str) -> PlannedConstruct:
    """Read the planned construct; which templates exist is not known here.

    Parameters
    ----------
    text
        A base, then add-ons joined by ``+``; each may carry ``@System`` and ``/angle``.

    Returns
    -------
    PlannedConstruct
        The construct, read.

    Raises
    ------
    GuidanceError
        If it cannot be read.

    Notes
    -----
    Source: `read_planned`.

    Examples
    --------
    >>> str(planned_of("sliding-hip-screw + cerclage-wire"))
    'sliding-hip-screw+cerclage-wire'
    """
    try:
        return read_planned(text)
    except ConstructError as error:
        raise GuidanceError("/construct", error.faults[0].reason) from error


def codes_of(planned: PlannedConstruct) -> tuple[str, ...]:
    """Return the template codes of a construct, without systems and angles.

    Parameters
    ----------
    planned
        The construct.

    Returns
    -------
    tuple of str
        The codes, the base first.

    Notes
    -----
    Source: none needed.

    Examples
    --------
    >>> codes_of(planned_of("sliding-hip-screw@Demo/135+cerclage-wire"))
    ('sliding-hip-screw', 'cerclage-wire')
    """
    return tuple(part.template for part in planned.parts)


def _known(word: str) -> str | None:
    return None if word == "unknown" else word
