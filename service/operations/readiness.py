"""Readiness: the probability that the cases of a day can be done, from plans and stock."""

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date

from service.core.case_problem import CasePlan, problem_of
from service.core.constructs import read_planned
from service.core.kit import choose_kit, kit_to_json
from service.core.readiness import Problem, ProblemError, answer_to_json, solve
from service.core.units import StockUnits
from service.errors import BadInput, FieldFault
from service.operations.checks import refuse_past
from service.operations.planner import planner_of
from service.operations.plans import plan_body
from service.operations.preparing import Prepared, parcels, prepare
from service.operations.schemas.readiness_problem import kit_problem_from, problem_from
from service.operations.unit import Unit

__all__ = ["answer_kit", "answer_readiness", "day_problem", "problem_for", "solved"]


def answer_readiness(data: Mapping[str, object]) -> dict[str, object]:
    """Answer a readiness problem; nothing is read from the database or stored.

    Raises
    ------
    BadInput
        Names the place of every fault.
    """
    return solved(data)[1]


def solved(data: Mapping[str, object]) -> tuple[Problem, dict[str, object]]:
    """Read and answer a readiness problem; gives what was read, too.

    Raises
    ------
    BadInput
        Names the place of every fault.
    """
    try:
        problem = problem_from(data)
        return problem, answer_to_json(solve(problem))
    except ProblemError as error:
        raise _refusal(error) from error


def answer_kit(data: Mapping[str, object]) -> dict[str, object]:
    """Answer a kit problem: the fewest packs that reach a target."""
    try:
        return kit_to_json(choose_kit(kit_problem_from(data)))
    except ProblemError as error:
        raise _refusal(error) from error


def _refusal(error: ProblemError) -> BadInput:
    faults = [FieldFault(pointer, sentence) for pointer, sentence in error.faults]
    return BadInput("The problem cannot be answered as it stands.", faults=faults)


@dataclass(frozen=True, slots=True)
class DayProblem:
    """The readiness problem of every planned case from today to a day, and who they are."""

    problem: dict[str, object]
    cases: tuple[str, ...]


def day_problem(unit: Unit, last: date) -> DayProblem:
    """Write the readiness problem of a day: the cases before it come first and may use stock up.

    Built from a handful of queries that read balances, never the ledger.

    Raises
    ------
    BadInput
        When the day is in the past.
    """
    refuse_past(unit, last)
    return problem_for(unit, last)


def problem_for(unit: Unit, last: date) -> DayProblem:
    """Write the readiness problem of the cases from today to a day.

    Those that cannot be sized are left out.
    """
    planner = planner_of(unit)
    plans = [
        _case_plan(one)
        for one in prepare(unit, last)
        if one.case is not None and one.plan is not None
    ]
    problem = problem_of(
        plans,
        templates=planner.templates,
        catalogue=planner.catalogue.by_kind,
        values=planner.values,
        parcels=[one for one in parcels(unit) if not _is_overdue(unit, one)],
        turnarounds=planner.catalogue.turnarounds,
        zone=unit.zone,
    )
    return DayProblem(problem, tuple(plan.case for plan in plans))


def _is_overdue(unit: Unit, parcel: StockUnits) -> bool:
    """Tell whether a delivery should have come and has not been received: it may never come."""
    return parcel.usable_from is not None and parcel.usable_from <= unit.now


def _case_plan(one: Prepared) -> CasePlan:
    if one.plan is None:
        message = "a case without a plan has no readiness problem"
        raise ValueError(message)
    body = plan_body(one.plan)
    return CasePlan(
        one.row.reference,
        one.row.starts_at,
        one.row.ends_at,
        one.row.side,
        tuple(read_planned(text) for text in (body.primary, *body.alternates)),
        tuple((need.need, need.probability, tuple(need.constructs)) for need in body.needs),
        one.dimensions,
    )
