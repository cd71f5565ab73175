"""The sizing numbers that are data: each with its unit and where it comes from."""

import math
from collections.abc import Mapping
from dataclasses import dataclass

from service.core.sizing.film import SizingError

NEEDED_KEYS = frozenset(
    {
        "antirotation_offset_mm",
        "antirotation_within_mm",
        "assumed_magnification",
        "barrel_short_up_to_mm",
        "canal_sd_mm",
        "canal_without_film_mm",
        "canal_without_film_sd_mm",
        "distal_screw_largest_mm",
        "distal_screw_mean_mm",
        "distal_screw_sd_mm",
        "distal_screw_smallest_mm",
        "distal_screws_at_least",
        "distal_screws_at_most",
        "dropped_pack_probability",
        "lag_offset_mm",
        "lateral_wall_threshold_mm",
        "long_nail_sd_mm",
        "long_nail_step_mm",
        "long_nail_without_measure_f_mm",
        "long_nail_without_measure_m_mm",
        "long_nail_without_measure_sd_mm",
        "marker_true_mm",
        "nail_diameter_offset_mm",
        "neck_path_without_film_f_mm",
        "neck_path_without_film_f_sd_mm",
        "neck_path_without_film_m_mm",
        "neck_path_without_film_m_sd_mm",
        "neck_sd_mm",
        "shaft_screw_mean_mm",
        "shaft_screw_sd_mm",
        "sizes_either_side_calibrated",
        "sizes_either_side_uncalibrated",
        "tip_apex_target_mm",
        "uncalibrated_magnification_sd",
    }
)


UNITS = ("mm", "ratio", "sizes", "screws", "hours", "days")


FIELDS = frozenset({"key", "value", "unit", "source", "note"})


@dataclass(frozen=True, slots=True)
class SizingFigure:
    """One number the planner uses until someone sets it.

    Parameters
    ----------
    key
        Its name, unique.
    value
        The number, in `unit`.
    unit
        ``mm``, ``ratio``, ``sizes``, ``screws``, ``hours`` or ``days``; days are whole.
    source
        Where it comes from; "assumption" or "common practice" where that is the truth.
    note
        What it is for, in a sentence, or empty.
    """

    key: str
    value: float
    unit: str
    source: str
    note: str = ""


def defaults_from(data: Mapping[str, object]) -> Mapping[str, SizingFigure]:
    """Check a table of defaults and give it by key.

    Parameters
    ----------
    data
        A mapping with one entry ``default``: a list of mappings with ``key``, ``value``,
        ``unit``, ``source`` and, if wanted, ``note``.

    Returns
    -------
    Mapping of str to SizingFigure
        Each default by its key, in the order given. Keys beyond the needed ones are kept.

    Raises
    ------
    SizingError
        If a row is incomplete, a number is unusable, a key comes twice or a needed one is absent.

    Notes
    -----
    Assumption: only an offset may be negative. Source: the rows carry their own.

    Examples
    --------
    >>> row = {"value": 1, "unit": "mm", "source": "assumption"}
    >>> read = defaults_from({"default": [{"key": key, **row} for key in sorted(NEEDED_KEYS)]})
    >>> read["neck_sd_mm"].value
    1.0
    """
    rows = data.get("default")
    if not isinstance(rows, list):
        raise SizingError("/default", "There must be a list of defaults.")
    defaults: dict[str, SizingFigure] = {}
    for index, row in enumerate(rows):
        default = _default(f"/default/{index}", row)
        if default.key in defaults:
            raise SizingError(f"/default/{index}/key", f"'{default.key}' is listed twice.")
        defaults[default.key] = default
    absent = sorted(NEEDED_KEYS - defaults.keys())
    if absent:
        raise SizingError("/default", f"Figures missing: {', '.join(absent)}.")
    return defaults


def _default(pointer: str, row: object) -> SizingFigure:
    if not isinstance(row, Mapping):
        raise SizingError(pointer, "A default must be a table with key, value, unit and source.")
    unknown = sorted(str(field) for field in row if field not in FIELDS)
    if unknown:
        raise SizingError(f"{pointer}/{unknown[0]}", f"A default has no field '{unknown[0]}'.")
    key = _text(pointer, row, "key")
    unit = _text(pointer, row, "unit")
    if unit not in UNITS:
        raise SizingError(f"{pointer}/unit", f"The unit must be one of {', '.join(UNITS)}.")
    note = _text(pointer, row, "note") if "note" in row else ""
    value = _value(pointer, key, row.get("value"))
    if unit == "days" and not value.is_integer():
        raise SizingError(f"{pointer}/value", f"'{key}' must be a whole number of days.")
    return SizingFigure(key, value, unit, _text(pointer, row, "source"), note)


def _text(pointer: str, row: Mapping[str, object], field: str) -> str:
    value = row.get(field)
    if not isinstance(value, str) or not value.strip():
        raise SizingError(f"{pointer}/{field}", f"A default needs a {field}.")
    return value


def _value(pointer: str, key: str, value: object) -> float:
    if isinstance(value, bool) or not isinstance(value, int | float) or not math.isfinite(value):
        raise SizingError(f"{pointer}/value", f"'{key}' must be a finite number.")
    if value < 0 and "offset" not in key:
        raise SizingError(f"{pointer}/value", f"'{key}' must be 0 or more.")
    if value > 1 and key.endswith("_probability"):
        raise SizingError(f"{pointer}/value", f"'{key}' is a probability: it must be at most 1.")
    return float(value)


_SOURCE = "common practice, no source; set by the department"


#: How likely what is expected is there when a case counts on it.
DELIVERY_IN_TIME = "delivery_in_time_probability"


SET_IN_TIME = "set_in_time_probability"


#: Every figure, by key, as it is until somebody sets it.
SUPPLY_FIGURES: Mapping[str, SizingFigure] = {
    one.key: one
    for one in (
        SizingFigure(
            "delivery_receiving_hours",
            4,
            "hours",
            _SOURCE,
            "From delivery to the shelf: unpacked, checked, booked in.",
        ),
        SizingFigure(
            "loan_reprocessing_hours",
            48,
            "hours",
            _SOURCE,
            "From the arrival of a loan, or anything else delivered unsterile, until it has been "
            "reprocessed at this site and can be used.",
        ),
        SizingFigure(
            "store_transfer_hours",
            2,
            "hours",
            _SOURCE,
            "From one store to another at this site.",
        ),
        SizingFigure(
            "site_transfer_hours",
            24,
            "hours",
            _SOURCE,
            "From another site's shelf to a shelf at this site, once that site agrees.",
        ),
        SizingFigure(
            "loan_lead_days",
            2,
            "days",
            _SOURCE,
            "From requesting a loan until it arrives, in the supplier's working days.",
        ),
        SizingFigure(
            "call_off_days",
            1,
            "days",
            _SOURCE,
            "From a call-off until consignment units arrive, in the supplier's working days.",
        ),
        SizingFigure(
            "short_dated_days",
            90,
            "days",
            _SOURCE,
            "A pack that expires sooner than this after delivery is accepted only with a reason.",
        ),
        SizingFigure(
            DELIVERY_IN_TIME,
            0.95,
            "ratio",
            _SOURCE,
            "Probability that a delivery due in time arrives in time, complete and usable.",
        ),
        SizingFigure(
            SET_IN_TIME,
            0.98,
            "ratio",
            _SOURCE,
            "Probability that an instrument set expected back is back, sterile, in time.",
        ),
    )
}


@dataclass(frozen=True, slots=True)
class SupplyFigures:
    """How long it takes to get something; hours pass, days are those of the supplier."""

    delivery_receiving_hours: float
    loan_reprocessing_hours: float
    store_transfer_hours: float
    site_transfer_hours: float
    loan_lead_days: int
    call_off_days: int


def supply_figures(values: Mapping[str, float]) -> SupplyFigures:
    """Take the figures in force, and the usual one where there is none.

    Parameters
    ----------
    values
        Figures by key; others may be among them.

    Returns
    -------
    SupplyFigures
        All of them.

    Notes
    -----
    Source: common practice, no source.

    Examples
    --------
    >>> figures = supply_figures({"loan_reprocessing_hours": 72})
    >>> figures.loan_reprocessing_hours, figures.delivery_receiving_hours
    (72, 4)
    """
    known = {key: values.get(key, one.value) for key, one in SUPPLY_FIGURES.items()}
    return SupplyFigures(
        known["delivery_receiving_hours"],
        known["loan_reprocessing_hours"],
        known["store_transfer_hours"],
        known["site_transfer_hours"],
        int(known["loan_lead_days"]),
        int(known["call_off_days"]),
    )


#: Every figure about which sizes are brought, by key, as it is until somebody sets it.
ROOM_FIGURES: Mapping[str, SizingFigure] = {
    one.key: one
    for one in (
        SizingFigure(
            "sizes_listed_probability",
            0.9,
            "ratio",
            _SOURCE,
            "Target probability that the size needed is among those listed. Beyond one size either "
            "side, the fewest further sizes that reach it are added.",
        ),
        SizingFigure(
            "sizes_added_at_most",
            8,
            "sizes",
            _SOURCE,
            "At most this many sizes are added to one size either side.",
        ),
        SizingFigure(
            "sizes_covered_probability",
            0.7,
            "ratio",
            _SOURCE,
            "A construct is not covered when the probability that the sizes needed are available "
            "is below this. One size either side in each of three lengths gives 0.74.",
        ),
    )
}


#: Figures that need not be in a file: they come along as they usually are.
USUAL_FIGURES: Mapping[str, SizingFigure] = {**SUPPLY_FIGURES, **ROOM_FIGURES}


@dataclass(frozen=True, slots=True)
class RoomFigures:
    """How sure it should be that the size needed is at hand, and at what price."""

    listed_probability: float
    added_at_most: int
    covered_probability: float


def room_figures(values: Mapping[str, float]) -> RoomFigures:
    """Take the figures in force, and the usual one where there is none.

    Parameters
    ----------
    values
        Figures by key; others may be among them.

    Returns
    -------
    RoomFigures
        All of them.

    Notes
    -----
    Source: common practice, no source.

    Examples
    --------
    >>> room_figures({"sizes_listed_probability": 0.95})
    RoomFigures(listed_probability=0.95, added_at_most=8, covered_probability=0.7)
    """
    known = {key: values.get(key, one.value) for key, one in ROOM_FIGURES.items()}
    return RoomFigures(
        known["sizes_listed_probability"],
        int(known["sizes_added_at_most"]),
        known["sizes_covered_probability"],
    )
