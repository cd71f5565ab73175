"""What is known of a femur before the operation: one estimate for each dimension."""

import math
from collections.abc import Mapping
from dataclasses import dataclass

from service.core.sizing import Estimate, magnification_sd_mm, true_size

__all__ = ["Dimension", "Measurements", "estimate_dimensions"]


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
    """

    estimate: Estimate
    basis: str
    sizes_either_side: int


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
            f"{film_mm:g} mm on a film without a marker, "
            f"magnification taken as {values['assumed_magnification']:g}"
        )
    return Dimension(estimate, basis, _either_side(estimate, values))


def _either_side(estimate: Estimate, values: Mapping[str, float]) -> int:
    key = "calibrated" if estimate.calibrated else "uncalibrated"
    return int(values[f"sizes_either_side_{key}"])


def _neck(measurements: Measurements, sex: str, values: Mapping[str, float]) -> Dimension:
    if measurements.neck_film_mm is not None:
        return _from_film(measurements.neck_film_mm, values["neck_sd_mm"], measurements, values)
    mean, sd = _of_sex("neck_path_without_film", sex, values)
    estimate = Estimate(mean, sd, calibrated=False)
    return Dimension(estimate, _assumed_for(sex), _either_side(estimate, values))


def _canal(measurements: Measurements, values: Mapping[str, float]) -> Dimension:
    if measurements.canal_film_mm is not None:
        return _from_film(measurements.canal_film_mm, values["canal_sd_mm"], measurements, values)
    estimate = Estimate(
        values["canal_without_film_mm"], values["canal_without_film_sd_mm"], calibrated=False
    )
    return Dimension(estimate, "not measured; assumed", _either_side(estimate, values))


def _femur(measurements: Measurements, sex: str, values: Mapping[str, float]) -> Dimension:
    screws = int(values["sizes_either_side_calibrated"])
    if measurements.nail_length_mm is not None:
        estimate = Estimate(measurements.nail_length_mm, values["long_nail_sd_mm"], calibrated=True)
        return Dimension(estimate, "nail length estimated on the patient", screws)
    mean, sd = _of_sex("long_nail_without_measure", sex, values)
    estimate = Estimate(mean, sd, calibrated=False)
    return Dimension(estimate, _assumed_for(sex), _either_side(estimate, values))


def _assumed_for(sex: str) -> str:
    if sex in ("F", "M"):
        return f"not measured; assumed for sex {sex}"
    return "not measured; assumed between women and men, as the sex is unknown"


def _assumed(name: str, values: Mapping[str, float], sizes: int) -> Dimension:
    # Measured with the depth gauge on the table, so neighbours are those of a calibrated length.
    estimate = Estimate(values[f"{name}_mean_mm"], values[f"{name}_sd_mm"], calibrated=True)
    return Dimension(estimate, "not measured before the operation; assumed", sizes)


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
