"""What a malformed problem is told: the JSON pointer and a sentence."""

from collections.abc import Callable
from typing import Any

import pytest

from service.core.readiness import ProblemError
from service.schemas.readiness_problem import problem_from

Json = dict[str, Any]


def _problem() -> Json:
    window = {"from": "2031-03-02T08:00", "until": "2031-03-09T00:00"}
    return {
        "stock": [{"item": "lag-95", "quantity": 1, **window}],
        "sets": [{"item": "nail-set", "quantity": 1, "turnaround_minutes": 240}],
        "cases": [
            {
                "case": "K1",
                "starts": "2031-03-03T08:30",
                "ends": "2031-03-03T10:00",
                "factors": [{"name": "neck", "probabilities": [0.25, 0.5, 0.25]}],
                "needs": [{"need": "as planned", "probability": 1.0, "constructs": ["single"]}],
                "constructs": [
                    {
                        "construct": "single",
                        "takes": [
                            {"factors": ["neck"], "items": [{"lag-90": 1}, {"lag-95": 1}, None]},
                            {"factors": [], "items": [{"nail-set": 1}]},
                        ],
                    }
                ],
            }
        ],
        "samples": 1000,
        "seed": 7,
        "method": "auto",
        "gains": 10,
    }  # fmt: skip


def _set(*path: object) -> Callable[[Json], None]:
    *steps, last, value = path

    def change(problem: Json) -> None:
        place: Any = problem
        for step in steps:
            place = place[step]
        place[last] = value

    return change


def _drop(*path: object) -> Callable[[Json], None]:
    *steps, last = path

    def change(problem: Json) -> None:
        place: Any = problem
        for step in steps:
            place = place[step]
        del place[last]

    return change


def _twice(key: str) -> Callable[[Json], None]:
    return lambda problem: problem[key].append(problem[key][0])


CASE = ("cases", 0)


CHANCES = (*CASE, "factors", 0, "probabilities")


TAKE = (*CASE, "constructs", 0, "takes", 0)


def test_a_whole_problem_is_read() -> None:
    found = problem_from(_problem())
    assert found.cases[0].constructs[0].takes[0].entries == (
        (("lag-90", 1),),
        (("lag-95", 1),),
        None,
    )
    assert (found.samples, found.seed, found.method, found.gains) == (1000, 7, "auto", 10)
    assert found.sets[0].turnaround_us == 240 * 60 * 1_000_000  # fmt: skip


@pytest.mark.parametrize(
    ("change", "pointer"),
    [
        (_set("cases", []), "/cases"),
        (_drop("cases"), "/cases"),
        (_drop("stock"), "/stock"),
        (_set("until", 1), "/until"),
        (_set("stock", 0, "form", "2031-03-02T08:00"), "/stock/0/form"),
        (_set("stock", 0, "quantity", -1), "/stock/0/quantity"),
        (_set("stock", 0, "quantity", True), "/stock/0/quantity"),
        (_set("stock", 0, "quantity", 1.5), "/stock/0/quantity"),
        (_set("stock", 0, "quantity", 10**9), "/stock/0/quantity"),
        (_set("stock", 0, "item", " "), "/stock/0/item"),
        (_set("stock", 0, "item", "x" * 201), "/stock/0/item"),
        (_set("stock", 0, "item", "nail-set"), "/sets/0/item"),
        (_set("stock", 0, "from", "soon"), "/stock/0/from"),
        (_set("stock", 0, "from", "2031-03-02T08:00Z"), "/stock/0/until"),
        (_set("stock", 3), "/stock"),
        (_twice("sets"), "/sets/1/item"),
        (_twice("cases"), "/cases/1/case"),
        (_set("sets", 0, "turnaround_minutes", -1), "/sets/0/turnaround_minutes"),
        (_set("sets", 0, "turnaround_minutes", float("nan")), "/sets/0/turnaround_minutes"),
        (_drop(*CASE, "starts"), "/cases/0/starts"),
        (_drop(*CASE, "ends"), "/cases/0/ends"),
        (_set(*CASE, "ends", "2031-03-03T08:00"), "/cases/0/ends"),
        (_set(*CHANCES, [0.5, 0.4, 0.2]), "/cases/0/factors/0/probabilities"),
        (_set(*CHANCES, 0, -0.25), "/cases/0/factors/0/probabilities/0"),
        (_set(*CHANCES, 0, float("nan")), "/cases/0/factors/0/probabilities/0"),
        (_set(*CHANCES, 0, True), "/cases/0/factors/0/probabilities/0"),
        (_set(*CASE, "needs", 0, "probability", 0.9), "/cases/0/needs"),
        (_set(*CASE, "needs", 0, "constructs", ["double"]), "/cases/0/needs/0/constructs/0"),
        (_set(*CASE, "needs", []), "/cases/0/needs"),
        (_set(*TAKE, "factors", ["canal"]), "/cases/0/constructs/0/takes/0/factors/0"),
        (_set(*TAKE, "factors", ["neck", "neck"]), "/cases/0/constructs/0/takes/0/factors/1"),
        (_set(*TAKE, "items", [{"lag-90": 1}]), "/cases/0/constructs/0/takes/0/items"),
        (_set(*TAKE, "items", 0, {"a/~": False}), "/cases/0/constructs/0/takes/0/items/0/a~1~0"),
        (_set(*TAKE, "items", 0, "lag-90", -2), "/cases/0/constructs/0/takes/0/items/0/lag-90"),
        (_set("samples", 1), "/samples"),
        (_set("samples", 10**12), "/samples"),
        (_set("seed", -1), "/seed"),
        (_set("seed", 10**400), "/seed"),
        (_set("sets", 0, "turnaround_minutes", 10**400), "/sets/0/turnaround_minutes"),
        (_set("stock", 0, "until", "2031-02-30T00:00"), "/stock/0/until"),
        (_set("stock", 0, "until", 20310302), "/stock/0/until"),
        (_set("cases", 0, []), "/cases/0"),
        (_set("cases", {}), "/cases"),
        (_set("method", "guess"), "/method"),
        (_set("method", ["auto"]), "/method"),
        (_set("gains", "ten"), "/gains"),
    ],
)  # fmt: skip
def test_a_malformed_problem_is_refused_at_its_place(
    change: Callable[[Json], None], pointer: str
) -> None:
    problem = _problem()
    change(problem)
    with pytest.raises(ProblemError) as refusal:
        problem_from(problem)
    assert pointer in [place for place, _ in refusal.value.faults]
    assert all(sentence.endswith(".") for _, sentence in refusal.value.faults)


def test_what_is_no_object_is_refused() -> None:
    with pytest.raises(ProblemError) as refusal:
        problem_from([])  # type: ignore[arg-type]  # what a client may send
    assert refusal.value.faults == (("", "This must be an object."),)


@pytest.mark.parametrize("moment", ["0001-01-01T00:00+14:00", "9999-12-31T23:59-14:00"])
def test_times_at_the_ends_of_the_calendar_are_read(moment: str) -> None:
    problem = _problem()
    problem["stock"] = [{"item": "x", "quantity": 1, "from": moment}]
    for key in ("starts", "ends"):
        problem["cases"][0][key] = moment
    assert problem_from(problem).stock[0].from_us == problem_from(problem).cases[0].starts_us


def test_every_fault_is_told_at_once() -> None:
    problem = _problem()
    _set("stock", 0, "quantity", -1)(problem)
    _set("method", "guess")(problem)
    with pytest.raises(ProblemError) as refusal:
        problem_from(problem)
    assert [place for place, _ in refusal.value.faults] == ["/stock/0/quantity", "/method"]


def test_probabilities_may_be_off_by_rounding_only() -> None:
    problem = _problem()
    _set(*CHANCES, [0.25, 0.5, 0.25 + 5e-10])(problem)
    assert sum(problem_from(problem).cases[0].factors[0].probabilities) == pytest.approx(
        1, abs=1e-15
    )
    _set(*CHANCES, [0.25, 0.5, 0.25 + 5e-9])(problem)
    with pytest.raises(ProblemError):
        problem_from(problem)  # fmt: skip


def test_takes_that_link_too_many_outcomes_are_refused() -> None:
    problem = _problem()
    case = problem["cases"][0]
    even = [1 / 200] * 200
    case["factors"] = [{"name": f"f{n}", "probabilities": even} for n in range(3)]
    pairs = [["f0", "f1"], ["f1", "f2"]]
    case["constructs"][0]["takes"] = [
        {"factors": pair, "items": [{"lag-95": 1}] * 40_000} for pair in pairs
    ]
    with pytest.raises(ProblemError) as refusal:
        problem_from(problem)
    assert refusal.value.faults[0][0] == "/cases/0/constructs"
    assert "8000000" in refusal.value.faults[0][1]


def test_optional_members_may_be_absent_or_null_and_times_are_not_always_needed() -> None:
    problem = _problem()
    for key in ("samples", "seed", "method", "gains"):
        del problem[key]
    problem["sets"] = None
    problem["stock"] = [{"item": "lag-95", "quantity": 1, "from": None, "until": None}]
    problem["cases"][0] |= {"starts": None, "ends": None}
    found = problem_from(problem)
    assert (found.samples, found.method, found.gains, found.sets) == (100_000, "auto", 10, ())
