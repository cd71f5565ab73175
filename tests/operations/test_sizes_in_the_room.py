"""The probability of a demo case's sizes, drawn a second time from its figures and its picks."""

import csv
import math
import tomllib
from pathlib import Path

import numpy as np
import pytest

from service.operations.cover.check import check_case
from service.operations.work import Work
from service.schemas.cover import CaseCheckOut, ConstructCheckOut
from tests.core.sizing.size_cases import plainly_chosen

SEED = Path(__file__).parents[2] / "seed_data"

DRAWS = 20_000

#: What a lag screw needs of the neck and a nail of canal and femur is written down here again, as
#: in constructs.toml: offset, fit and step.
RULES = {
    "neck": ("lag_offset_mm", "nearest", 5.0),
    "canal": ("nail_diameter_offset_mm", "at_most", 1.0),
    "femur": (None, "nearest", 20.0),
    "distal": (None, "at_least", 2.0),
}

COLUMNS = {
    "nail": [("canal", "diameter_mm"), ("femur", "length_mm")],
    "lag screw": [("neck", "length_mm")],
    "distal locking screw": [("distal", "length_mm")],
}


def _catalogue() -> dict[str, dict[str, str]]:
    with (SEED / "catalogue.csv").open(encoding="utf-8", newline="") as file:
        return {row["ref"]: row for row in csv.DictReader(file)}


def _drawn(check: CaseCheckOut, construct: ConstructCheckOut, side: str) -> float:
    """Draw patients, size every implant by the plain rule, and look for it among the picks."""
    figures = tomllib.loads((SEED / "sizing.toml").read_text(encoding="utf-8"))["default"]
    offsets = {row["key"]: row["value"] for row in figures}
    catalogue = _catalogue()
    rng = np.random.default_rng(738)
    draws = {one.dimension: rng.normal(one.mean_mm, one.sd_mm, DRAWS) for one in check.dimensions}
    served = np.ones(DRAWS, dtype=bool)
    for role, columns in COLUMNS.items():
        lines = [line for line in construct.lines if line.role == role]
        made = [
            row
            for row in catalogue.values()
            if row["kind"] == catalogue[lines[0].refs[0]]["kind"]
            and row["system"] == "Ambleford"
            and (role != "nail" or (row["angle_deg"], row["side"]) == ("130", side))
        ]
        held = {
            tuple(float(catalogue[line.refs[0]][column]) for _, column in columns)
            for line in lines
            if line.gap is None
        }
        for place in range(DRAWS):
            sizes = []
            for dimension, column in columns:
                offset, fit, step = RULES[dimension]
                lengths = sorted({float(row[column]) for row in made})
                shift = 0.0 if offset is None else offsets[offset]
                sizes.append(plainly_chosen(draws[dimension][place], shift, fit, step, lengths))  # type: ignore[arg-type] # one of FITS
            served[place] &= tuple(sizes) in held
    return float(served.mean())


@pytest.mark.parametrize("reference", ["HAR-0738", "HAR-0720"])
def test_drawn_patients_find_their_sizes_as_often_as_the_check_says(
    demo_work: Work, reference: str
) -> None:
    check = demo_work.read(lambda unit: check_case(unit, reference))
    construct = check.constructs[0]
    assert construct.planned == "long-single-lag-nail@Ambleford/130"
    assert construct.sizes is not None
    # Five standard errors of a share of so many draws.
    assert construct.sizes.probability == pytest.approx(
        _drawn(check, construct, "right"), abs=5 * 0.5 / math.sqrt(DRAWS)
    )


def test_the_check_says_the_probability_and_that_of_each_implant(demo_work: Work) -> None:
    check = demo_work.read(lambda unit: check_case(unit, "HAR-0720"))
    sizes = check.constructs[0].sizes
    assert sizes is not None
    assert [one.role for one in sizes.implants] == ["nail", "lag screw", "distal locking screw"]
    assert all(sizes.probability <= one.probability <= 1 for one in sizes.implants)
    percent = math.floor(100 * sizes.probability)
    assert sizes.says.startswith(f"The sizes needed are in the room in {percent} of 100: nail ")
