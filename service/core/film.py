"""From lengths on a film to true lengths: scaling by a marker, and the tip-apex distance."""

import math
from collections.abc import Sequence
from dataclasses import dataclass

__all__ = [
    "Estimate",
    "SizingError",
    "View",
    "magnification_sd_mm",
    "tip_apex_distance_mm",
    "true_size",
]

# No bone, marker or film of a hip is longer; a larger figure is a slip of units.
LARGEST_MM = 1000.0
VIEWS_NEEDED = 2


class SizingError(ValueError):
    """A measurement, a size rule or a default cannot be used.

    Parameters
    ----------
    pointer
        JSON pointer to the value at fault (``/marker_film_mm``).
    reason
        A sentence that says what is wrong and what would be right.
    """

    def __init__(self, pointer: str, reason: str) -> None:
        super().__init__(f"{pointer}: {reason}")
        self.pointer = pointer
        self.reason = reason


@dataclass(frozen=True, slots=True)
class Estimate:
    """A true length as far as it is known: a normal distribution.

    Parameters
    ----------
    mean_mm
        Mean of the true length in mm.
    sd_mm
        Standard deviation of the true length in mm, 0 or more; 0 says the length is known.
    calibrated
        Whether a marker of known size was on the film (or no film was needed).
    """

    mean_mm: float
    sd_mm: float
    calibrated: bool

    def __post_init__(self) -> None:
        if not math.isfinite(self.mean_mm):
            raise SizingError("/mean_mm", "The mean length must be a finite number of millimetres.")
        require_spread("/sd_mm", self.sd_mm)


@dataclass(frozen=True, slots=True)
class View:
    """One view of the hip with the screw in it, as measured on the film.

    Parameters
    ----------
    tip_to_apex_film_mm
        Distance from the screw's tip to the apex of the femoral head on the film in mm, 0 or more.
    screw_true_mm
        True diameter of the screw in mm, above 0.
    screw_film_mm
        Diameter of the screw on this film in mm, above 0.
    """

    tip_to_apex_film_mm: float
    screw_true_mm: float
    screw_film_mm: float


def require_length(pointer: str, value_mm: float) -> None:
    """Refuse a length that is not a plausible positive number.

    Parameters
    ----------
    pointer
        Where the value stands.
    value_mm
        The length in mm.

    Raises
    ------
    SizingError
        If the value is zero, negative, not finite or above 1000 mm.

    Examples
    --------
    >>> require_length("/film_mm", 114.0)
    """
    if not math.isfinite(value_mm) or value_mm <= 0:
        raise SizingError(pointer, f"A length must be a finite number above 0 mm, not {value_mm}.")
    if value_mm > LARGEST_MM:
        raise SizingError(
            pointer,
            f"{value_mm:g} mm is longer than anything measured at a hip "
            f"({LARGEST_MM:g} mm at most); check the unit.",
        )


def require_spread(pointer: str, value: float) -> None:
    """Refuse a standard deviation that is negative or not finite.

    Parameters
    ----------
    pointer
        Where the value stands.
    value
        The standard deviation in its own unit.

    Raises
    ------
    SizingError
        If the value is negative or not finite.

    Examples
    --------
    >>> require_spread("/sd_mm", 0.0)
    """
    if not math.isfinite(value) or value < 0:
        raise SizingError(
            pointer, f"A standard deviation must be a finite number of 0 or more, not {value}."
        )


def true_size(
    film_mm: float,
    *,
    marker_true_mm: float,
    marker_film_mm: float | None,
    sd_mm: float,
    assumed_magnification: float = 1.20,
    uncalibrated_sd_mm: float,
) -> Estimate:
    """Scale a length on a film to the true length.

    With a marker: ``film * marker true / marker on film``, and the SD is `sd_mm`. Without one:
    ``film / assumed magnification``, and the unknown magnification adds its own independent
    error, so the SD is ``sqrt(sd_mm**2 + uncalibrated_sd_mm**2)``.

    Assumptions: both SDs are of the true length (not of the length on the film), errors are
    normal and independent, and the marker lay at the height of the bone.

    Parameters
    ----------
    film_mm
        Length on the film in mm, above 0 and at most 1000.
    marker_true_mm
        True size of the marker in mm (a 25 mm ball is common).
    marker_film_mm
        Size of the marker on the film in mm, or None when there was no marker.
    sd_mm
        SD of the true length with a marker in mm, 0 or more.
    assumed_magnification
        Film length over true length where there is no marker, above 0.
    uncalibrated_sd_mm
        Further SD of the true length without a marker in mm, 0 or more; see
        `magnification_sd_mm`.

    Returns
    -------
    Estimate
        Mean and SD of the true length; ``calibrated`` is False without a marker.

    Raises
    ------
    SizingError
        If a length is zero, negative, not finite or implausible, or an SD is negative.

    Notes
    -----
    Source: mean magnification 119.8 % of hip films, Brew 2012 (J Arthroplasty 27(4):643-647).

    Examples
    --------
    >>> true_size(114, marker_true_mm=25, marker_film_mm=30, sd_mm=4.5, uncalibrated_sd_mm=3)
    Estimate(mean_mm=95.0, sd_mm=4.5, calibrated=True)
    >>> true_size(114, marker_true_mm=25, marker_film_mm=None, sd_mm=4, uncalibrated_sd_mm=3)
    Estimate(mean_mm=95.0, sd_mm=5.0, calibrated=False)
    """
    require_length("/film_mm", film_mm)
    require_length("/marker_true_mm", marker_true_mm)
    require_length("/assumed_magnification", assumed_magnification)
    require_spread("/sd_mm", sd_mm)
    require_spread("/uncalibrated_sd_mm", uncalibrated_sd_mm)
    if marker_film_mm is None:
        mean_mm = film_mm / assumed_magnification
        require_length("/assumed_magnification", mean_mm)
        return Estimate(mean_mm, math.hypot(sd_mm, uncalibrated_sd_mm), calibrated=False)
    require_length("/marker_film_mm", marker_film_mm)
    mean_mm = film_mm * marker_true_mm / marker_film_mm
    # A marker typed in the wrong unit shows only in the length that follows from it.
    require_length("/marker_film_mm", mean_mm)
    return Estimate(mean_mm, sd_mm, calibrated=True)


def magnification_sd_mm(
    film_mm: float, *, assumed_magnification: float, magnification_sd: float
) -> float:
    """Give the SD of a true length that comes from not knowing the film's magnification.

    Formula: ``film / m * sd_m / m``, the first-order error of ``film / m``.

    Parameters
    ----------
    film_mm
        Length on the film in mm, above 0.
    assumed_magnification
        Mean magnification m, above 0.
    magnification_sd
        SD of the magnification sd_m, 0 or more (0.04 for 4 percentage points).

    Returns
    -------
    float
        SD of the true length in mm; hand it to `true_size` as ``uncalibrated_sd_mm``.

    Raises
    ------
    SizingError
        If a length or the magnification is not above 0, or the SD is negative.

    Notes
    -----
    Assumption: the magnification's SD is small against its mean. Source: first-order propagation
    of error, any textbook of measurement.

    Examples
    --------
    >>> round(magnification_sd_mm(114, assumed_magnification=1.2, magnification_sd=0.04), 3)
    3.167
    """
    require_length("/film_mm", film_mm)
    require_length("/assumed_magnification", assumed_magnification)
    require_spread("/magnification_sd", magnification_sd)
    return film_mm / assumed_magnification * magnification_sd / assumed_magnification


def tip_apex_distance_mm(views: Sequence[View]) -> float:
    """Give the tip-apex distance from an anteroposterior and a lateral view.

    Formula: the sum over two views of ``X * D_true / D_film``, where X is the distance from the
    screw's tip to the apex of the head on the film and D the screw's diameter.

    Parameters
    ----------
    views
        Exactly two views, in any order; lengths in mm.

    Returns
    -------
    float
        Tip-apex distance in mm; below 25 mm is the usual target.

    Raises
    ------
    SizingError
        If there are not exactly two views, or a length is impossible.

    Notes
    -----
    Source: Baumgaertner 1995 (J Bone Joint Surg Am 77:1058-1064).

    Examples
    --------
    >>> round(tip_apex_distance_mm([View(13, 10, 12), View(11, 10, 12.5)]), 2)
    19.63
    """
    if len(views) != VIEWS_NEEDED:
        raise SizingError(
            "/views",
            f"The distance needs two views, anteroposterior and lateral; {len(views)} given.",
        )
    return math.fsum(_true_tip_distance_mm(index, view) for index, view in enumerate(views))


def _true_tip_distance_mm(index: int, view: View) -> float:
    pointer = f"/views/{index}"
    require_length(f"{pointer}/screw_true_mm", view.screw_true_mm)
    require_length(f"{pointer}/screw_film_mm", view.screw_film_mm)
    # A tip at the apex is bad surgery but a possible measurement, so 0 is let through.
    if view.tip_to_apex_film_mm != 0:
        require_length(f"{pointer}/tip_to_apex_film_mm", view.tip_to_apex_film_mm)
    return view.tip_to_apex_film_mm * view.screw_true_mm / view.screw_film_mm
