"""A small invented catalogue and the figures the planner's tests are worked with by hand."""

from datetime import UTC, date, datetime
from typing import Any

from service.core.catalogue import ItemFacts
from service.core.constructs.kit_lines import FIRST_USE, IMPLANT, IN_ROOM, INSTRUMENT_SET, KitLine
from service.core.cover.results import CaseToCheck, ConstructToCheck
from service.core.cover.units import StockUnits

#: The sizing figures of the tests: round ones, so that sizes can be worked in the head.
VALUES = {
    "marker_true_mm": 25.0,
    "assumed_magnification": 1.2,
    "uncalibrated_magnification_sd": 0.04,
    "sizes_either_side_calibrated": 1.0,
    "sizes_either_side_uncalibrated": 2.0,
    "neck_sd_mm": 4.5,
    "neck_path_without_film_f_mm": 93.0,
    "neck_path_without_film_f_sd_mm": 6.0,
    "neck_path_without_film_m_mm": 102.0,
    "neck_path_without_film_m_sd_mm": 7.0,
    "lag_offset_mm": -5.0,
    "antirotation_offset_mm": -15.0,
    "canal_sd_mm": 1.0,
    "canal_without_film_mm": 12.0,
    "canal_without_film_sd_mm": 2.0,
    "nail_diameter_offset_mm": -1.0,
    "long_nail_sd_mm": 15.0,
    "long_nail_without_measure_f_mm": 370.0,
    "long_nail_without_measure_m_mm": 400.0,
    "long_nail_without_measure_sd_mm": 25.0,
    "barrel_short_up_to_mm": 80.0,
    "distal_screw_mean_mm": 38.0,
    "distal_screw_sd_mm": 5.0,
    "shaft_screw_mean_mm": 38.0,
    "shaft_screw_sd_mm": 5.0,
    # The trade's rule alone; what comes on top of it is tested with a figure of its own.
    "sizes_listed_probability": 0.0,
}


DAY = date(2031, 3, 4)


def lag_screws(*lengths: int, head: str = "headed", system: str = "Demo") -> list[ItemFacts]:
    return [
        ItemFacts(
            f"{system}-L-{length}-{head}",
            "lag_screw",
            system=system,
            length_mm=length,
            head_design=head,
        )
        for length in lengths
    ]


def short_nails(*diameters: int, angle: float = 130, side: str = "either") -> list[ItemFacts]:
    return [
        ItemFacts(
            f"N-{diameter}-{angle:g}-{side}",
            "single_lag_screw_nail",
            system="Demo",
            length_mm=180,
            diameter_mm=diameter,
            angle_deg=angle,
            side=side,
        )
        for diameter in diameters
    ]


def at(hour: int, minute: int = 0, day: date = DAY) -> datetime:
    return datetime(day.year, day.month, day.day, hour, minute, tzinfo=UTC)


def line(
    *refs: str,
    role: str = "lag screw",
    quantity: int = 1,
    first: bool = True,
    what: str = IMPLANT,
    label: str = "lag screw 95 mm",
    why: str = "nominal",
    part: str = "t",
) -> KitLine:
    """A line for first use, or a backup in the room."""
    place = FIRST_USE if first else IN_ROOM
    return KitLine(
        role, label, refs, quantity, why, place, what, is_nominal=first, is_sized=True, part=part
    )


def set_line(*refs: str, role: str = "nail instrument set", quantity: int = 1) -> KitLine:
    return line(*refs, role=role, quantity=quantity, what=INSTRUMENT_SET, label=role)


def case(
    name: str,
    *constructs: tuple[KitLine, ...],
    starts: datetime | None = None,
    ends: datetime | None = None,
    near: tuple[KitLine, ...] = (),
    theatre: str = "T1",
) -> CaseToCheck:
    begins = starts or at(9)
    return CaseToCheck(
        name,
        begins.date(),
        begins,
        ends or begins.replace(hour=begins.hour + 1),
        tuple(ConstructToCheck(f"c{place}", lines) for place, lines in enumerate(constructs)),
        near,
        f"{begins.date()} {theatre}",
    )


def parcel(ref: str, quantity: int = 1, lot: str = "A", **facts: Any) -> StockUnits:  # noqa: ANN401 - any field of a parcel
    return StockUnits(f"{ref}@{lot}", ref, quantity, lot=lot, **facts)
