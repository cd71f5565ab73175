"""What a par problem must look like, and how each fault is named."""

import copy
from collections.abc import Callable
from typing import Any

import pytest

from service.core.par import ParError, ParTooLarge, build_model
from service.schemas.par_problem import par_problem_from

Problem = dict[str, Any]


def sound() -> Problem:
    """Return a problem without a fault."""
    case = {
        "case": "short nail",
        "factors": [
            {"name": "neck", "probabilities": [0.25, 0.5, 0.25]},
            {"name": "canal", "probabilities": [0.5, 0.5]},
        ],
        "needs": [
            {"need": "as planned", "probability": 0.9, "constructs": ["single", "two"]},
            {"need": "wall broken", "probability": 0.1, "constructs": ["two"]},
        ],
        "constructs": [
            {
                "construct": "single",
                "takes": [
                    {"factors": ["neck"], "items": [{"lag-90": 1}, {"lag-95": 1}, None]},
                    {"factors": [], "items": [{"cap": 1}]},
                ],
            },
            {"construct": "two", "takes": [{"items": [{"cap": 2}]}]},
        ],
    }
    items = [
        {"item": "lag-90", "unit_cost": 12000, "lead_time_days": 7, "minimum": 0},
        {"item": "lag-95", "unit_cost": 12000, "lead_time_days": 7.5},
    ]
    return {
        "arrivals_per_day": 0.35,
        "case_mix": [{"weight": 0.6, "case": case}],
        "items": items,
        "target_readiness": 0.5,
    }


def faults(raw: object) -> list[str]:
    with pytest.raises(ParError) as refused:
        par_problem_from(raw)
    return [pointer for pointer, _ in refused.value.faults]


def test_a_sound_problem_is_read_with_its_defaults() -> None:
    problem = par_problem_from(sound())
    assert problem.items[1].minimum == 0
    assert problem.items[1].shelf_life_days is None
    assert problem.levels is None
    assert problem.case_mix[0].case.needs[0].constructs == (0, 1)
    assert problem.case_mix[0].case.constructs[0].takes[0].outcomes[2] is None


def put(path: str, value: object) -> Callable[[Problem], None]:
    """Return a change that puts a value at a path of names and positions."""

    def change(raw: Problem) -> None:
        *parents, last = [int(key) if key.isdigit() else key for key in path.split("/")]
        place: Any = raw
        for key in parents:
            place = place[key]
        place[last] = value

    return change


CASE = "case_mix/0/case"


@pytest.mark.parametrize(
    ("path", "value", "pointer"),
    [
        ("arrivals_per_day", -0.1, "/arrivals_per_day"),
        ("arrivals_per_day", float("nan"), "/arrivals_per_day"),
        ("arrivals_per_day", float("inf"), "/arrivals_per_day"),
        ("arrivals_per_day", True, "/arrivals_per_day"),
        ("arrivals_per_day", "0.5", "/arrivals_per_day"),
        ("case_mix", [], "/case_mix"),
        ("case_mix", {}, "/case_mix"),
        ("case_mix/0/weight", 0, "/case_mix"),
        ("case_mix/0/weight", -1, "/case_mix/0/weight"),
        ("case_mix/0/case", None, "/case_mix/0/case"),
        ("case_mix/0/case", [], "/case_mix/0/case"),
        ("items/0/unit_cost", -1, "/items/0/unit_cost"),
        ("items/0/unit_cost", 1.5, "/items/0/unit_cost"),
        ("items/0/lead_time_days", -1, "/items/0/lead_time_days"),
        ("items/0/minimum", -1, "/items/0/minimum"),
        ("items/0/shelf_life_days", "long", "/items/0/shelf_life_days"),
        ("items/0/item", "", "/items/0/item"),
        ("items/1/item", "lag-90", "/items/1/item"),
        ("items/0/minimun", 3, "/items/0/minimun"),
        ("target_readiness", 1.01, "/target_readiness"),
        ("budget", 5, ""),
        (f"{CASE}/factors/0/probabilities", [0.5, 0.6], f"/{CASE}/factors/0/probabilities"),
        (f"{CASE}/factors/0/probabilities", [1.5, -0.5, 0], f"/{CASE}/factors/0/probabilities/0"),
        (f"{CASE}/factors/1/name", "neck", f"/{CASE}/factors/1/name"),
        (f"{CASE}/needs/0/probability", 0.8, f"/{CASE}/needs"),
        (f"{CASE}/needs/1/need", "as planned", f"/{CASE}/needs/1/need"),
        (f"{CASE}/needs/1/constructs", ["plate"], f"/{CASE}/needs/1/constructs/0"),
        (f"{CASE}/constructs/1/construct", "single", f"/{CASE}/constructs/1/construct"),
        (
            f"{CASE}/constructs/0/takes/0/factors",
            ["bow"],
            f"/{CASE}/constructs/0/takes/0/factors/0",
        ),
        (
            f"{CASE}/constructs/0/takes/0/factors",
            ["neck", "canal"],
            f"/{CASE}/constructs/0/takes/0/items",
        ),
        (
            f"{CASE}/constructs/0/takes/0/items/1",
            {"lag/95": -1},
            f"/{CASE}/constructs/0/takes/0/items/1/lag~195",
        ),
        (f"{CASE}/constructs/0/takes/0/items/1", 1, f"/{CASE}/constructs/0/takes/0/items/1"),
        (f"{CASE}/needs/0/probability", "0.9", f"/{CASE}/needs/0/probability"),
    ],
)
def test_each_fault_is_named_where_it_is(path: str, value: object, pointer: str) -> None:
    raw = copy.deepcopy(sound())
    put(path, value)(raw)
    assert pointer in faults(raw)


@pytest.mark.parametrize("name", ["arrivals_per_day", "case_mix", "items"])
def test_what_is_required_is_missed_by_name(name: str) -> None:
    raw = sound()
    del raw[name]
    assert f"/{name}" in faults(raw)


def test_a_problem_that_asks_nothing_is_refused() -> None:
    raw = sound()
    del raw["target_readiness"]
    assert faults(raw) == [""]


def test_a_level_of_an_item_that_is_not_listed_is_refused() -> None:
    raw = sound()
    del raw["target_readiness"]
    raw["levels"] = {"lag-90": 1, "lag-99": 2, "lag-95": -1}
    assert faults(raw) == ["/levels/lag-99", "/levels/lag-95"]


def test_all_faults_are_named_at_once() -> None:
    raw = sound()
    raw["items"][0]["unit_cost"] = -1
    raw["items"][1]["lead_time_days"] = None
    assert faults(raw) == ["/items/0/unit_cost", "/items/1/lead_time_days"]


@pytest.mark.parametrize("raw", [None, 3, "par", [], [{}]])
def test_something_that_is_no_problem_is_refused(raw: object) -> None:
    assert "" in faults(raw)


def test_probabilities_may_miss_one_by_rounding_only() -> None:
    raw = sound()
    raw["case_mix"][0]["case"]["factors"][1]["probabilities"] = [0.5, 0.5 + 5e-10]
    assert par_problem_from(raw).arrivals_per_day == 0.35
    raw["case_mix"][0]["case"]["factors"][1]["probabilities"] = [0.5, 0.5 + 5e-9]
    assert faults(raw) == [f"/{CASE}/factors/1/probabilities"]


def test_too_many_items_are_refused_as_too_large() -> None:
    raw = sound()
    raw["items"] = [{**raw["items"][0], "item": f"i{n}"} for n in range(2001)]
    with pytest.raises(ParTooLarge):
        par_problem_from(raw)


def test_joint_outcomes_without_end_are_refused_as_too_large() -> None:
    raw = sound()
    case = raw["case_mix"][0]["case"]
    case["factors"] = [{"name": f"f{n}", "probabilities": [0.1] * 10} for n in range(6)]
    takes = [
        {"factors": [f"f{n}"], "items": [{f"lag-{90 + 5 * (s % 2)}": 1 + s} for s in range(10)]}
        for n in range(6)
    ]
    case["constructs"][0]["takes"] = takes
    assert build_model(par_problem_from(raw)).names == ("lag-90", "lag-95")
    linked = [
        {"factors": [f"f{n + k}" for k in range(4)], "items": [{"cap": 1}] * 10**4} for n in (0, 2)
    ]
    case["constructs"][0]["takes"] = linked
    with pytest.raises(ParTooLarge):
        build_model(par_problem_from(raw))


def test_more_on_order_than_is_looked_at_is_refused_as_too_large() -> None:
    raw = sound()
    raw["arrivals_per_day"] = 900
    raw["items"][0]["lead_time_days"] = 3000
    with pytest.raises(ParTooLarge) as refused:
        build_model(par_problem_from(raw))
    assert refused.value.faults[0][0] == "/items/0/lead_time_days"


@pytest.mark.parametrize("path", ["items/0/unit_cost", "items/0/minimum"])
def test_a_whole_number_may_be_written_with_a_point(path: str) -> None:
    raw = sound()
    put(path, 2.0)(raw)
    read = par_problem_from(raw).items[0]
    assert 2 in (read.unit_cost_minor, read.minimum)
    put(path, 2.5)(raw)
    assert faults(raw) == [f"/{path}"]
    put(path, True)(raw)
    assert faults(raw) == [f"/{path}"]


@pytest.mark.parametrize(
    ("path", "value", "pointer"),
    [
        ("case_mix", [sound()["case_mix"][0]] * 2001, "/case_mix"),
        (f"{CASE}/needs/0/constructs", ["two"] * 9, f"/{CASE}/needs/0/constructs"),
        (
            f"{CASE}/factors",
            [{"name": f"f{n}", "probabilities": [1]} for n in range(25)],
            f"/{CASE}/factors",
        ),
    ],
)
def test_a_list_beyond_its_limit_is_refused_as_too_large(
    path: str, value: object, pointer: str
) -> None:
    raw = sound()
    put(path, value)(raw)
    with pytest.raises(ParTooLarge) as refused:
        par_problem_from(raw)
    assert [at for at, _ in refused.value.faults] == [pointer]


def test_more_units_than_are_evaluated_are_refused_as_too_large() -> None:
    raw = sound()
    del raw["target_readiness"]
    raw["items"] = [{**raw["items"][0], "item": f"i{n}"} for n in range(21)]
    raw["levels"] = {f"i{n}": 1000 for n in range(20)}
    assert par_problem_from(raw).levels == raw["levels"]
    raw["levels"]["i20"] = 1
    with pytest.raises(ParTooLarge) as refused:
        par_problem_from(raw)
    assert [at for at, _ in refused.value.faults] == ["/levels"]
