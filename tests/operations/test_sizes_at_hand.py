"""The probability of a demo case's sizes, drawn a second time from its figures and its picks."""

import csv
import math
import tomllib
from datetime import date
from pathlib import Path

import numpy as np
import pytest

from service.operations.cases.lookup import get_case
from service.operations.cover.check import check_case, check_day
from service.operations.planning.case_changes import change_case
from service.operations.sizing import list_defaults, set_default
from service.operations.work import Unit, Work
from service.schemas.cases import CaseFields
from service.schemas.cover import CaseCheckOut, CheckOut, ConstructCheckOut
from service.schemas.planning import SizingDefaultBody
from tests.core.sizing.size_cases import plainly_chosen
from tests.operations.test_demo import DAYS

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
    check = _check(demo_work, reference)
    construct = check.constructs[0]
    assert construct.planned == "long-single-lag-nail@Ambleford/130"
    assert construct.sizes is not None
    # Five standard errors of a share of so many draws.
    assert construct.sizes.probability == pytest.approx(
        _drawn(check, construct, "right"), abs=5 * 0.5 / math.sqrt(DRAWS)
    )


def test_the_check_says_the_probability_and_that_of_each_implant(demo_work: Work) -> None:
    check = _check(demo_work, "HAR-0720")
    sizes = check.constructs[0].sizes
    assert sizes is not None
    assert [one.role for one in sizes.implants] == ["nail", "lag screw", "distal locking screw"]
    assert all(sizes.probability <= one.probability <= 1 for one in sizes.implants)
    percent = math.floor(100 * sizes.probability)
    assert sizes.says.startswith(f"Chance of the sizes needed: {percent} % (nail ")


def _check(work: Work, reference: str) -> CaseCheckOut:
    return work.read(lambda unit: check_case(unit, reference))


def _day(work: Work, day: date) -> CheckOut:
    return work.read(lambda unit: check_day(unit, day))


def _measured(work: Work, reference: str, measurements: dict[str, float]) -> None:
    """Change what was measured of a case; the sex it is assumed by stays."""

    def change(unit: Unit) -> None:
        known = get_case(unit, reference)
        facts = known.model_dump(include=set(CaseFields.model_fields))
        clock = {"starts": f"{known.starts_at:%H:%M}", "ends": f"{known.ends_at:%H:%M}"}
        body = CaseFields.model_validate({**facts, **clock, "measurements": measurements})
        change_case(unit, reference, body, known.version)

    work.write(change)


def _want(work: Work, key: str, value: float) -> None:
    body = SizingDefaultBody(value=value, source="ours")
    work.write(lambda unit: set_default(unit, key, body, 1))


def test_a_case_of_which_nothing_was_measured_is_not_covered_but_unknown(demo_work: Work) -> None:
    before = _check(demo_work, "HAR-0711")
    assert before.state == "covered"
    _measured(demo_work, "HAR-0711", {})
    after = _check(demo_work, "HAR-0711")
    assert after.state == "not covered"
    assert "Sizes unknown: nothing has been measured." in after.says
    assert {one.state for one in after.constructs} == {"not covered"}
    _measured(demo_work, "HAR-0711", {"canal_film_mm": 14.1, "neck_film_mm": 100.6})
    assert _check(demo_work, "HAR-0711").state != "not covered"


def test_a_case_below_the_department_s_figure_is_refused_with_that_figure(demo_work: Work) -> None:
    _want(demo_work, "sizes_covered_probability", 0.98)
    check = _check(demo_work, "HAR-0711")
    assert check.state == "partly covered"
    first = check.constructs[0]
    assert first.sizes is not None
    percent = math.floor(100 * first.sizes.probability)
    said = f"Chance of the sizes needed: only {percent} %; 98 % is required."
    assert (first.state, first.sizes.refused) == ("partly covered", said)
    assert said in check.says
    assert said in first.says
    # Nothing that was listed is missing, so there is nothing to order.
    assert first.gaps == []


def test_a_higher_target_lists_more_sizes_and_makes_the_case_surer(demo_work: Work) -> None:
    before = _check(demo_work, "HAR-0711").constructs[0]
    _want(demo_work, "sizes_listed_probability", 0.97)
    after = _check(demo_work, "HAR-0711").constructs[0]
    assert before.sizes is not None
    assert after.sizes is not None
    assert len(after.lines) > len(before.lines)
    assert after.sizes.probability > before.sizes.probability
    # No more than eight sizes are added, which is too few for a screw that nobody measured.
    reached = {one.role: one.probability >= 0.97 for one in after.sizes.implants}
    assert reached == {"nail": True, "helical blade": True, "distal locking screw": False}


def test_what_is_never_measured_is_brought_as_a_rack(demo_work: Work) -> None:
    for reference, says in {
        "HAR-0711": "Bring the rack: distal locking screw 26 to 60 mm.",
        "HAR-0729": "Bring the rack: cortical screw 26 to 60 mm.",
    }.items():
        check = _check(demo_work, reference)
        assert check.constructs[0].sizes is not None
        assert says in check.constructs[0].sizes.says
        assert "every" not in check.constructs[0].says


def test_every_covered_construct_of_the_demo_is_as_sure_as_the_figure_wants(
    demo_work: Work,
) -> None:
    figures = demo_work.read(list_defaults).defaults
    (wanted,) = [one.value for one in figures if one.key == "sizes_covered_probability"]
    sure = [
        one.sizes.probability
        for day in DAYS
        for theatre in _day(demo_work, day).lists
        for case in theatre.cases
        for one in case.constructs
        if one.state in {"covered", "covered if"} and one.sizes is not None
    ]
    assert len(sure) > 100
    assert min(sure) >= wanted
