"""The least sure case of a day, and what would help it most."""

from collections.abc import Mapping, Sequence

from service.core.readiness import Problem
from service.core.worst_case import unit_that_helps
from service.operations.schemas.readiness import CaseReadiness, HelpOut, WorstCase

__all__ = ["worst_of"]


def worst_of(
    problem: Problem, cases: Sequence[CaseReadiness], descriptions: Mapping[str, str]
) -> WorstCase | None:
    """Find the least sure of some cases and what would help it: a unit, or an alternate.

    Parameters
    ----------
    problem
        The readiness problem that the cases were answered with.
    cases
        The cases of the day; of equally sure ones the first.
    descriptions
        Of catalogue lines, by reference.

    Returns
    -------
    WorstCase or None
        None when there is no case, or every case is sure.
    """
    worst = min(cases, key=lambda case: case.readiness.value, default=None)
    if worst is None or worst.readiness.value >= 1:
        return None
    unanswered = _unanswered(problem, worst.case)
    unit = _unit(problem, worst, descriptions)
    return WorstCase(
        case=worst.case,
        readiness=worst.readiness,
        unit=unit,
        unanswered=list(unanswered),
        says=_says(worst, unit, unanswered),
    )


def _unanswered(problem: Problem, name: str) -> dict[str, float]:
    """Give the needs of a case for which nothing is planned, likeliest first."""
    (case,) = (case for case in problem.cases if case.name == name)
    found = {
        need.name: need.probability
        for need in case.needs
        if need.probability > 0 and not need.constructs
    }
    return dict(sorted(found.items(), key=lambda pair: -pair[1]))


def _unit(
    problem: Problem, worst: CaseReadiness, descriptions: Mapping[str, str]
) -> HelpOut | None:
    found = unit_that_helps(problem, worst.case)
    before = worst.readiness.value
    # What is simulated may come out lower by chance: then nothing is promised of the unit.
    if found is None or found.readiness <= before:
        return None
    refs = found.item.split("|")
    return HelpOut(
        refs=refs,
        description=descriptions.get(refs[0], ""),
        readiness_from=before,
        readiness_to=found.readiness,
    )


def _says(worst: CaseReadiness, unit: HelpOut | None, unanswered: Mapping[str, float]) -> str:
    before = worst.readiness.value
    said = [f"{worst.case} is the least sure: {_share(before)}"]
    if unit is not None:
        now, then = _shares(before, unit.readiness_to)
        said = [f"{worst.case} is the least sure: {now}; one more {unit.refs[0]} makes it {then}"]
    # An alternate for one need adds that need's probability at most.
    largest = next(iter(unanswered), None)
    gain = 0.0 if unit is None else unit.readiness_to - unit.readiness_from
    if largest is not None and unanswered[largest] > gain:
        how = "would" if unit is None else "could"
        said.append(f"nothing planned answers '{largest}': an alternate {how} help more than stock")
    elif unit is None:
        said.append("no single unit makes it surer")
    return "; ".join(said) + "."


def _shares(before: float, after: float) -> tuple[str, str]:
    """Say two probabilities in as few digits as tell them apart."""
    out_of = 100 if _share(before) != _share(after) else 1000
    return _share(before, out_of), _share(after, out_of)


def _share(probability: float, out_of: int = 100) -> str:
    """Say a probability in whole cases, never more than it is."""
    return f"{int(probability * out_of + 1e-9)} in {out_of}"
