"""From lengths on a film to true lengths: scaling by a marker, and the tip-apex distance."""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from service.core.faults import ValueFault

# No bone, marker or film of a hip is longer; a larger figure is a slip of units.
LARGEST_MM = 1000.0


VIEWS_NEEDED = 2


class SizingError(ValueFault):
    """A measurement, a size rule or a default cannot be used."""


@dataclass(frozen=True, slots=True)
class LengthEstimate:
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
            f"{value_mm:g} mm is too long for a measurement at the hip ({LARGEST_MM:g} mm at "
            "most); check the unit.",
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
) -> LengthEstimate:
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
    LengthEstimate
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
    LengthEstimate(mean_mm=95.0, sd_mm=4.5, calibrated=True)
    >>> true_size(114, marker_true_mm=25, marker_film_mm=None, sd_mm=4, uncalibrated_sd_mm=3)
    LengthEstimate(mean_mm=95.0, sd_mm=5.0, calibrated=False)
    """
    require_length("/film_mm", film_mm)
    require_length("/marker_true_mm", marker_true_mm)
    require_length("/assumed_magnification", assumed_magnification)
    require_spread("/sd_mm", sd_mm)
    require_spread("/uncalibrated_sd_mm", uncalibrated_sd_mm)
    if marker_film_mm is None:
        mean_mm = film_mm / assumed_magnification
        require_length("/assumed_magnification", mean_mm)
        return LengthEstimate(mean_mm, math.hypot(sd_mm, uncalibrated_sd_mm), calibrated=False)
    require_length("/marker_film_mm", marker_film_mm)
    mean_mm = film_mm * marker_true_mm / marker_film_mm
    # A marker typed in the wrong unit shows only in the length that follows from it.
    require_length("/marker_film_mm", mean_mm)
    return LengthEstimate(mean_mm, sd_mm, calibrated=True)


def magnification_sd_mm(
    film_mm: float, *, assumed_magnification: float, magnification_sd: float
) -> float:
    """Return the SD of a true length that comes from not knowing the film's magnification.

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
    """Return the tip-apex distance from an anteroposterior and a lateral view.

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


@dataclass(frozen=True, slots=True)
class Measurements:
    """What was measured; every length may be absent.

    Parameters
    ----------
    neck_film_mm, canal_film_mm
        Lengths on the film in mm, magnified as the film is.
    nail_length_mm
        True length of a long nail, estimated on the patient or the other side, in mm.
    marker_film_mm, marker_true_mm
        The marker on the film and in truth, in mm; no marker on the film means uncalibrated.
    """

    neck_film_mm: float | None = None
    canal_film_mm: float | None = None
    nail_length_mm: float | None = None
    marker_film_mm: float | None = None
    marker_true_mm: float | None = None


@dataclass(frozen=True, slots=True)
class Dimension:
    """An estimate, where it comes from, and how many sizes either side to bring.

    Parameters
    ----------
    basis
        One sentence: measured how, or assumed from what.
    sizes_either_side
        How many neighbouring sizes belong to the pick list.
    is_measured
        Whether it was measured on this patient; if not, it is assumed.
    has_rack
        Whether it is never measured before the operation, so that every size is brought.
    magnification_sd_mm
        The part of the SD in mm that comes from the film's magnification: the same error in every
        length on that film.
    """

    estimate: LengthEstimate
    basis: str
    sizes_either_side: int
    is_measured: bool = True
    has_rack: bool = False
    magnification_sd_mm: float = 0.0


#: Least and largest true length in mm of what is measured at a hip: anatomy with room to spare,
#: common practice, no source. What lies outside is a slip of the pen, a unit or a marker.
PLAUSIBLE_MM: Mapping[str, tuple[str, float, float]] = {
    "neck_film_mm": ("The neck path", 50, 160),
    "canal_film_mm": ("The canal", 5, 30),
    "nail_length_mm": ("The nail length", 150, 560),
    "marker_true_mm": ("The marker", 5, 100),
}


def implausible_lengths(
    measurements: Measurements, values: Mapping[str, float]
) -> tuple[ValueFault, ...]:
    """Name the measurements that no patient has, with the bound each breaks.

    Parameters
    ----------
    measurements
        Lengths in mm, as far as known.
    values
        The sizing defaults in force, by key.

    Returns
    -------
    tuple of ValueFault
        One a length outside `PLAUSIBLE_MM`, at its own field; empty when all are plausible.

    Notes
    -----
    Source: common practice, no source.

    Examples
    --------
    >>> values = {"neck_sd_mm": 4.5, "marker_true_mm": 25, "assumed_magnification": 1.2,
    ...     "uncalibrated_magnification_sd": 0.04, "sizes_either_side_calibrated": 1,
    ...     "sizes_either_side_uncalibrated": 2}
    >>> (slip,) = implausible_lengths(Measurements(neck_film_mm=92, marker_film_mm=5), values)
    >>> slip.pointer
    '/neck_film_mm'
    """
    faults = []
    for name, (what, least, most) in PLAUSIBLE_MM.items():
        given = getattr(measurements, name)
        if given is None:
            continue
        true_mm, scaled = given, ""
        if name.endswith("film_mm"):
            known = _from_film(given, 0.0, measurements, values)
            true_mm, scaled = known.estimate.mean_mm, f" ({known.basis})"
        if not least <= true_mm <= most:
            reason = (
                f"{what} would be {true_mm:.0f} mm{scaled}; at a hip it is {least:g} to {most:g} "
                "mm. Check this length and the marker."
            )
            faults.append(SizingError(f"/{name}", reason))
    return tuple(faults)


def estimate_dimensions(
    measurements: Measurements, sex: str, values: Mapping[str, float]
) -> Mapping[str, Dimension]:
    """Turn what was measured into one estimate for each dimension a construct sizes by.

    Parameters
    ----------
    measurements
        Lengths in mm, as far as known.
    sex
        ``F``, ``M`` or ``unknown``; used only where there is no film.
    values
        The sizing defaults in force, by key.

    Returns
    -------
    Mapping of str to Dimension
        For ``neck``, ``canal``, ``femur``, ``distal`` and ``shaft``.

    Raises
    ------
    SizingError
        When a length is not usable.

    Notes
    -----
    Without a film the neck and the nail length are those of the sex; of unknown sex, a mixture of
    both in equal parts: mean ``(f + m) / 2``, variance ``(s_f² + s_m²) / 2 + ((f − m) / 2)²``.
    Source: the defaults carry theirs; moments of a mixture, any textbook.

    Examples
    --------
    >>> values = {"neck_sd_mm": 4.5, "canal_sd_mm": 1, "marker_true_mm": 25, "long_nail_sd_mm": 15,
    ...     "assumed_magnification": 1.2, "uncalibrated_magnification_sd": 0.05,
    ...     "canal_without_film_mm": 12, "canal_without_film_sd_mm": 2, "distal_screw_mean_mm": 38,
    ...     "distal_screw_sd_mm": 5, "shaft_screw_mean_mm": 38, "shaft_screw_sd_mm": 4,
    ...     "sizes_either_side_calibrated": 1, "sizes_either_side_uncalibrated": 2}
    >>> known = estimate_dimensions(
    ...     Measurements(neck_film_mm=114, nail_length_mm=340, marker_film_mm=30), "F", values)
    >>> known["neck"].estimate.mean_mm, known["canal"].sizes_either_side
    (95.0, 2)
    """
    screws = int(values["sizes_either_side_calibrated"])
    return {
        "neck": _neck(measurements, sex, values),
        "canal": _canal(measurements, values),
        "femur": _femur(measurements, sex, values),
        "distal": _assumed("distal_screw", values, screws),
        "shaft": _assumed("shaft_screw", values, screws),
    }


def width_on_film(
    film_mm: float, measurements: Measurements, values: Mapping[str, float]
) -> Dimension:
    """Scale a width read across the femur on its film: the canal, or the lateral wall.

    Parameters
    ----------
    film_mm
        The width on the film in mm, above 0.
    measurements
        The marker of that film.
    values
        The sizing defaults in force, by key.

    Returns
    -------
    Dimension
        Mean and SD of the true width in mm.

    Raises
    ------
    SizingError
        When a length is not usable.

    Notes
    -----
    Assumption: the wall is read as closely as the canal. Source: the canal on an anteroposterior
    film differs by about 1 mm, PMC3757481.

    Examples
    --------
    >>> values = {"canal_sd_mm": 1, "marker_true_mm": 25, "assumed_magnification": 1.2,
    ...     "uncalibrated_magnification_sd": 0.04, "sizes_either_side_calibrated": 1,
    ...     "sizes_either_side_uncalibrated": 2}
    >>> width_on_film(24, Measurements(), values).estimate.mean_mm
    20.0
    """
    return _from_film(film_mm, values["canal_sd_mm"], measurements, values)


def _from_film(
    film_mm: float, sd_mm: float, measurements: Measurements, values: Mapping[str, float]
) -> Dimension:
    marker_true_mm = measurements.marker_true_mm
    if marker_true_mm is None:
        marker_true_mm = values["marker_true_mm"]
    spread = magnification_sd_mm(
        film_mm,
        assumed_magnification=values["assumed_magnification"],
        magnification_sd=values["uncalibrated_magnification_sd"],
    )
    estimate = true_size(
        film_mm,
        marker_true_mm=marker_true_mm,
        marker_film_mm=measurements.marker_film_mm,
        sd_mm=sd_mm,
        assumed_magnification=values["assumed_magnification"],
        uncalibrated_sd_mm=spread,
    )
    if estimate.calibrated:
        basis = f"{film_mm:g} mm on the film, scaled by the {marker_true_mm:g} mm marker"
    else:
        basis = (
            f"{film_mm:g} mm on a film without a marker, magnification assumed "
            f"{values['assumed_magnification']:g}"
        )
    shared = 0.0 if estimate.calibrated else spread
    either_side = _either_side(estimate, values)
    return Dimension(estimate, basis, either_side, magnification_sd_mm=shared)


def _either_side(estimate: LengthEstimate, values: Mapping[str, float]) -> int:
    key = "calibrated" if estimate.calibrated else "uncalibrated"
    return int(values[f"sizes_either_side_{key}"])


def _neck(measurements: Measurements, sex: str, values: Mapping[str, float]) -> Dimension:
    if measurements.neck_film_mm is not None:
        return _from_film(measurements.neck_film_mm, values["neck_sd_mm"], measurements, values)
    mean, sd = _of_sex("neck_path_without_film", sex, values)
    estimate = LengthEstimate(mean, sd, calibrated=False)
    either_side = _either_side(estimate, values)
    return Dimension(estimate, _assumed_for(sex), either_side, is_measured=False)


def _canal(measurements: Measurements, values: Mapping[str, float]) -> Dimension:
    if measurements.canal_film_mm is not None:
        return width_on_film(measurements.canal_film_mm, measurements, values)
    estimate = LengthEstimate(
        values["canal_without_film_mm"], values["canal_without_film_sd_mm"], calibrated=False
    )
    either_side = _either_side(estimate, values)
    return Dimension(estimate, "not measured; assumed", either_side, is_measured=False)


def _femur(measurements: Measurements, sex: str, values: Mapping[str, float]) -> Dimension:
    screws = int(values["sizes_either_side_calibrated"])
    if measurements.nail_length_mm is not None:
        estimate = LengthEstimate(
            measurements.nail_length_mm, values["long_nail_sd_mm"], calibrated=True
        )
        return Dimension(estimate, "nail length measured on the patient", screws)
    mean, sd = _of_sex("long_nail_without_measure", sex, values)
    estimate = LengthEstimate(mean, sd, calibrated=False)
    either_side = _either_side(estimate, values)
    return Dimension(estimate, _assumed_for(sex), either_side, is_measured=False)


def _assumed_for(sex: str) -> str:
    if sex in ("F", "M"):
        return f"not measured; assumed for sex {sex}"
    return "not measured; assumed between the values for women and men, as the sex is unknown"


def _assumed(name: str, values: Mapping[str, float], sizes: int) -> Dimension:
    # Measured with the depth gauge on the table, so neighbours are those of a calibrated length.
    estimate = LengthEstimate(values[f"{name}_mean_mm"], values[f"{name}_sd_mm"], calibrated=True)
    basis = "not measured before the operation; assumed"
    return Dimension(estimate, basis, sizes, is_measured=False, has_rack=True)


def _of_sex(name: str, sex: str, values: Mapping[str, float]) -> tuple[float, float]:
    means = {key: values[f"{name}_{key.lower()}_mm"] for key in ("F", "M")}
    common = values.get(f"{name}_sd_mm")
    spreads = {
        key: common if common is not None else values[f"{name}_{key.lower()}_sd_mm"]
        for key in ("F", "M")
    }
    if sex in means:
        return means[sex], spreads[sex]
    half_gap = (means["F"] - means["M"]) / 2
    variance = (spreads["F"] ** 2 + spreads["M"] ** 2) / 2 + half_gap**2
    return (means["F"] + means["M"]) / 2, math.sqrt(variance)
