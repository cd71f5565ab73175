"""Answer a readiness problem."""

from collections.abc import Callable

from service.core.readiness import exact
from service.core.readiness.coverage import expected_coverage
from service.core.readiness.exact import TooManyTransitions
from service.core.readiness.packed_state import state_layout
from service.core.readiness.parts import ListPart, parts_of
from service.core.readiness.problem import (
    CaseAnswer,
    ProbabilityEstimate,
    ProblemError,
    ReadinessAnswer,
    ReadinessProblem,
)
from service.core.readiness.results import PartResult, gains_of, list_readiness
from service.core.readiness.simulation import Tell, simulate


def solve(problem: ReadinessProblem, tell: Tell | None = None) -> ReadinessAnswer:
    """Work out how ready a list is.

    Stock that cannot run out is dropped, outcomes that look alike on what is left are merged,
    cases that compete for nothing are answered apart, and each part is solved by dynamic
    programming over its residual stock, or by simulation where that would take more than
    `exact.MAX_TRANSITIONS` pairs of state and outcome; `exact`, asked for by name, goes to
    `exact.MAX_TRANSITIONS_IF_ASKED` before it is refused. Same problem, same answer.

    Parameters
    ----------
    problem : ReadinessProblem
        A parsed problem.
    tell : Callable or None
        Hears meanwhile how many simulated runs are done, over all parts, and of how many.

    Returns
    -------
    ReadinessAnswer
        Probabilities in [0, 1]; gains are expected further cases, only those above their error.

    Raises
    ------
    ProblemError
        Where `exact` is asked for and would take more than the bound.

    Examples
    --------
    >>> from service.core.readiness.problem import Case, Construct, Need, DatedStock, Take
    >>> def case(name):
    ...     takes = (Take((), ((("x", 1),),)),)
    ...     needs = (Need("n", 1.0, (0,)),)
    ...     return Case(name, None, None, (), needs, (Construct("c", takes),))
    >>> answer = solve(ReadinessProblem((DatedStock("x", 1),), (), (case("K1"), case("K2"))))
    >>> answer.list_readiness.value, [each.readiness.value for each in answer.cases], answer.gains
    (0.0, [1.0, 0.0], (('x', 1.0),))
    """
    parts = parts_of(problem)

    def told(number: int) -> Callable[[int], None] | None:
        before, total = number * problem.samples, len(parts) * problem.samples
        return None if tell is None else lambda done: tell(before + done, total)

    results = [
        _solve_part(problem, part, number, told(number)) for number, part in enumerate(parts)
    ]
    cases: list[CaseAnswer | None] = [None] * len(problem.cases)
    for result in results:
        for index, position in enumerate(result.positions):
            cases[position] = _case_answer(problem, position, result, index)
    simulated = any(result.samples is not None for result in results)
    gains = gains_of(results, problem.gains) if problem.gains else ()
    return ReadinessAnswer(
        method="simulated" if simulated else "exact",
        samples=problem.samples if simulated else None,
        list_readiness=list_readiness(results),
        cases=tuple(case for case in cases if case is not None),
        gains=tuple((item, gain.value) for item, gain in gains),
        gain_errors=tuple(gain.standard_error for _, gain in gains),
    )


def _solve_part(
    problem: ReadinessProblem, part: ListPart, number: int, tell: Callable[[int], None] | None
) -> PartResult:
    gains = problem.gains > 0
    layout = state_layout(part)
    asked = problem.method == "exact"
    most = exact.MAX_TRANSITIONS_IF_ASKED if asked else exact.MAX_TRANSITIONS
    if problem.method != "simulated":
        try:
            return exact.solve_exactly(part, layout, gains=gains, most=most)
        except TooManyTransitions as refusal:
            if asked:
                raise _refused(part, refusal, most) from None
    return simulate(part, layout, problem.samples, (problem.seed, number), gains=gains, tell=tell)


def _refused(part: ListPart, refusal: TooManyTransitions, most: int) -> ProblemError:
    names = f"{part.cases[0].name!r} to {part.cases[-1].name!r} ({len(part.cases)} cases)"
    sentence = (
        f"An exact answer for {names} would take at least {refusal.transitions:,} pairs of "
        f"residual stock and outcome; the limit is {most:,}. Use the method auto or simulated."
    )
    return ProblemError((("/method", sentence),))


def _case_answer(
    problem: ReadinessProblem, position: int, result: PartResult, index: int
) -> CaseAnswer:
    case = problem.cases[position]
    return CaseAnswer(
        case=case.name,
        readiness=result.cases[index],
        needs=tuple(
            (need.name, float(value))
            for need, value in zip(case.needs, result.needs[index], strict=True)
        ),
        constructs=tuple(
            (construct.name, expected_coverage(problem, case, number))
            for number, construct in enumerate(case.constructs)
        ),
    )


def answer_to_json(answer: ReadinessAnswer) -> dict[str, object]:
    """Return an answer as plain JSON values.

    Parameters
    ----------
    answer : ReadinessAnswer
        What `solve` returned.

    Returns
    -------
    dict
        Members `method`, `samples`, `list_readiness`, `cases` and `gains`.

    Examples
    --------
    >>> sure = ProbabilityEstimate(1.0, 0.0)
    >>> answer_to_json(ReadinessAnswer("exact", None, sure, (), (("x", 0.5),), (0.0,)))["gains"]
    [{'item': 'x', 'gain': 0.5, 'standard_error': 0.0}]
    """
    return {
        "method": answer.method,
        "samples": answer.samples,
        "list_readiness": _estimate(answer.list_readiness),
        "cases": [
            {
                "case": case.case,
                "readiness": case.readiness.value,
                "standard_error": case.readiness.standard_error,
                "needs": [{"need": name, "readiness": value} for name, value in case.needs],
                "constructs": [
                    {"construct": name, "coverage": value} for name, value in case.constructs
                ],
            }
            for case in answer.cases
        ],
        "gains": [
            {"item": item, "gain": gain, "standard_error": error}
            for (item, gain), error in zip(answer.gains, answer.gain_errors, strict=True)
        ],
    }


def _estimate(estimate: ProbabilityEstimate) -> dict[str, float]:
    return {"value": estimate.value, "standard_error": estimate.standard_error}
