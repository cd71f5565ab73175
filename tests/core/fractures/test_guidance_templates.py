"""Rules and templates are both data: rules name templates that are there, and findings follow."""

import copy
import tomllib
from pathlib import Path
from typing import Any

import pytest

from service.core.fractures.guidance import Guidance
from service.errors import BadInput
from service.operations.guidance import get_rules, load_guidance, suggestions
from service.operations.work import Unit, Work
from service.schemas.cases import FindingsBody
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


def ask(work: Work, primary: str, **findings: Any) -> Guidance:  # noqa: ANN401 - any finding
    return work.read(
        lambda unit: suggestions(
            unit,
            primary=primary,
            fracture_class=None,
            class_year=None,
            findings=FindingsBody(**findings),
            calibrated=True,
        )
    )


def test_the_departments_wall_threshold_is_the_one_that_counts(demo_work: Work) -> None:
    def near() -> set[str]:
        return {one.what for one in ask(demo_work, PLATE, lateral_wall_mm=21.0).near}

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


def test_a_wall_of_no_thickness_is_refused_where_it_stands(demo_work: Work) -> None:
    with pytest.raises(BadInput) as error:
        ask(demo_work, PLATE, lateral_wall_mm=0)
    (fault,) = error.value.faults
    assert fault.pointer == "/findings/lateral_wall_mm"
