"""Rules and templates are both data: rules name templates that are there, and findings follow."""

import copy
import tomllib
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import pytest

from service.core.fractures.guidance import Guidance
from service.errors import BadInput
from service.operations.guidance import get_rules, load_guidance, suggestions
from service.operations.work import Unit, Work
from service.schemas.cases import FindingsBody, MeasurementsBody
from service.storage.tables import SizingDefault

SEED = Path(__file__).parents[3] / "seed_data"


TABLE: dict[str, Any] = tomllib.loads((SEED / "guidance.toml").read_text(encoding="utf-8"))


PLATE = "sliding-hip-screw"


def refused(work: Work, data: dict[str, Any]) -> list[tuple[str, str]]:
    with pytest.raises(BadInput) as error:
        work.write(lambda unit: load_guidance(unit, data))
    return [(fault.pointer, fault.reason) for fault in error.value.faults]


@pytest.mark.parametrize(
    ("path", "value", "pointer"),
    [
        (("need", 0, "constructs", 1), "wooden-peg", "/need/0/constructs/1"),
        (("need", 0, "constructs", 1), f"{PLATE}+wooden-peg", "/need/0/constructs/1"),
        (("need", 0, "constructs", 1), "planned+wooden-peg", "/need/0/constructs/1"),
        (("need", 0, "when", 0, "equals"), "wooden-peg", "/need/0/when/0/equals"),
        (("near", 0, "what", 0), "wooden-peg", "/near/0/what/0"),
    ],
)
def test_a_rule_that_names_a_template_that_is_not_there_is_refused_where_it_stands(
    demo_work: Work, path: tuple[str | int, ...], value: str, pointer: str
) -> None:
    data = copy.deepcopy(TABLE)
    place: Any = data
    for step in path[:-1]:
        place = place[step]
    place[path[-1]] = value
    before = demo_work.read(get_rules)
    ((where, why),) = refused(demo_work, data)
    assert where == pointer
    assert why.startswith("there is no construct 'wooden-peg'; known are ")
    assert PLATE in why
    assert demo_work.read(get_rules) == before


def test_a_base_and_an_add_on_each_stand_in_their_own_place(demo_work: Work) -> None:
    data = copy.deepcopy(TABLE)
    data["need"][0]["constructs"] = ["cerclage-wire", f"planned+{PLATE}"]
    assert refused(demo_work, data) == [
        ("/need/0/constructs/0", "'cerclage-wire' is an add-on; a base is needed here"),
        ("/need/0/constructs/1", f"'{PLATE}' is a base; an add-on is needed here"),
    ]


def test_rules_are_refused_before_there_are_constructs(work: Work) -> None:
    reasons = {reason for _, reason in refused(work, TABLE)}
    assert f"there is no construct '{PLATE}'; known are none yet: import the constructs first" in (
        reasons
    )


def ask(
    work: Work,
    primary: str,
    film: Mapping[str, float] | None = None,
    **findings: Any,  # noqa: ANN401 - any finding
) -> Guidance:
    return work.read(
        lambda unit: suggestions(
            unit,
            primary=primary,
            fracture_class=None,
            class_year=None,
            findings=FindingsBody(**findings),
            measurements=MeasurementsBody(**(film or {})),
        )
    )


def test_the_departments_wall_threshold_is_the_one_that_counts(demo_work: Work) -> None:
    def near() -> set[str]:
        # 25 mm on a film without a marker are 25 / 1.20 = 20.8 mm (Brew 2012: mean 119.8 %).
        return {one.what for one in ask(demo_work, PLATE, lateral_wall_mm=25.0).near}

    assert "trochanteric-buttress-plate" not in near()

    def set_threshold(unit: Unit) -> None:
        unit.session.get_one(SizingDefault, "lateral_wall_threshold_mm").value = 21.0

    demo_work.write(set_threshold)
    assert "trochanteric-buttress-plate" in near()


@pytest.mark.parametrize(
    ("primary", "says"),
    [
        ("wooden-peg", "there is no construct 'wooden-peg'"),
        ("cerclage-wire", "write a base first, then its add-ons"),
        (f"{PLATE}+two-screw-nail", "write a base first, then its add-ons"),
        ("Wooden peg", "is not a construct code"),
    ],
)
def test_a_plan_of_no_known_templates_is_refused_at_the_primary(
    demo_work: Work, primary: str, says: str
) -> None:
    with pytest.raises(BadInput) as error:
        ask(demo_work, primary)
    (fault,) = error.value.faults
    assert fault.pointer == "/primary"
    assert says in fault.reason


def test_the_wall_is_scaled_as_everything_else_on_its_film(demo_work: Work) -> None:
    """Without a marker by 1.20 (Brew 2012); thin at 20.5 mm or less in truth (Hsu 2013)."""

    def is_thin(wall_mm: float, **film: float) -> bool:
        told = ask(demo_work, PLATE, film, lateral_wall_mm=wall_mm)
        return "alternate-buttress-for-thin-wall" in {one.rule for one in told.alternates}

    # 24 / 1.2 = 20.0 and 25 / 1.2 = 20.8.
    assert is_thin(24)
    assert not is_thin(25)
    # A ball of 25 mm that shows as 30: 24.6 * 25 / 30 = 20.5, 24.7 makes 20.6.
    marker = {"marker_film_mm": 30, "marker_true_mm": 25}
    assert is_thin(24.6, **marker)
    assert not is_thin(24.7, **marker)


def test_a_narrow_canal_asks_for_reamers_with_a_short_nail_too(demo_work: Work) -> None:
    """A nail of 9 mm, reamed 1 to 1.5 mm over: common practice, no source."""

    def near(canal_film_mm: float) -> set[str]:
        film = {"canal_film_mm": canal_film_mm, "marker_film_mm": 30, "marker_true_mm": 25}
        return {one.what for one in ask(demo_work, "short-single-lag-nail", film).near}

    # 12.6 * 25 / 30 = 10.5 and 13 * 25 / 30 = 10.8.
    assert {"reamer_set", "ball_tip_guide_wire"} <= near(12.6)
    assert "reamer_set" not in near(13)
