"""Readiness: the probability that the cases of a day can be done, from plans and stock."""

import math
from collections.abc import Callable, Collection, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime

from service.core.catalogue import describe_size
from service.core.constructs.planned import read_planned
from service.core.cover.results import CaseCheck, reasons_of
from service.core.cover.units import Reason, StockUnits
from service.core.list_order import PlannedCase, SetStock, better_order, set_clashes
from service.core.par import ParError, ParTooLarge, answer_par
from service.core.readiness import ProblemError, ReadinessProblem, answer_to_json, solve
from service.core.readiness.best_unit import most_helpful_unit
from service.core.readiness.from_plans import CasePlan, problem_of, waiting_items
from service.core.readiness.kit import choose_kit, kit_to_json
from service.core.readiness.results import STANDARD_ERRORS
from service.core.readiness.simulation import Tell
from service.core.readiness.words import percent
from service.errors import BadInput, FieldFault, TooLarge
from service.operations.cases.plans import plan_body
from service.operations.cover.check import check_day, refuse_past
from service.operations.cover.requirements import (
    CaseRequirements,
    case_requirements,
    check_until,
)
from service.operations.planner import planner_of
from service.operations.stock_units import read_stock_units, sets_back_later, sets_of_day
from service.operations.work import Unit
from service.schemas.cover import CaseCheckOut, CheckOut
from service.schemas.par_problem import par_problem_from
from service.schemas.readiness import (
    CaseReadiness,
    ConstructReadiness,
    DayReadiness,
    GainOut,
    HelpOut,
    ListOrderOut,
    Method,
    NeedReadiness,
    Probability,
    SharedPack,
    WorstCase,
)
from service.schemas.readiness_problem import kit_problem_from, problem_from


def answer_readiness(data: Mapping[str, object]) -> dict[str, object]:
    """Answer a readiness problem; nothing is read from the database or stored.

    Raises
    ------
    BadInput
        Names the place of every fault.
    """
    return solved(data)[1]


def solved(
    data: Mapping[str, object], tell: Tell | None = None
) -> tuple[ReadinessProblem, dict[str, object]]:
    """Read and answer a readiness problem; gives what was read, too.

    Where it is simulated, ``tell`` hears how many runs are done, and of how many.

    Raises
    ------
    BadInput
        Names the place of every fault.
    """
    try:
        problem = problem_from(data)
        return problem, answer_to_json(solve(problem, tell))
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
    return BadInput("This problem cannot be solved as it is.", faults=faults)


@dataclass(frozen=True, slots=True)
class DayProblem:
    """The readiness problem of every planned case from today to a day, and who they are.

    ``sets_awaited`` names the set that an item stands for, where it stands for one that is back.
    """

    problem: dict[str, object]
    cases: tuple[str, ...]
    sets_awaited: Mapping[str, str]

    def refs_of(self, item: str) -> list[str]:
        """Return the references that an item of the problem stands for."""
        return [self.sets_awaited[item]] if item in self.sets_awaited else item.split("|")


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

    Those that cannot be sized are left out. Of what is on its way only that counts which the check
    names to some case as due in time, or counts on as in transit and not late.
    """
    planner, checked = planner_of(unit), check_until(unit, last)
    plans = [
        _case_plan(one, checked[one.row.reference])
        for one in case_requirements(unit, last)
        if one.case is not None and one.plan is not None
    ]
    named = {why.units.key for one in checked.values() for why in _due_in_time(one) if why.units}
    named |= {key for one in checked.values() for key in _counted_in_transit(one)}
    problem = problem_of(
        plans,
        templates=planner.templates,
        catalogue=planner.catalogue.by_kind,
        values=planner.values,
        parcels=[
            one
            for one in read_stock_units(unit)
            if one.is_here or (one.key in named and not _is_overdue(unit, one))
        ],
        turnarounds=planner.catalogue.turnarounds,
        zone=unit.zone,
    )
    return DayProblem(problem, tuple(plan.case for plan in plans), waiting_items(plans))


def _due_in_time(check: CaseCheck) -> Iterator[Reason]:
    lines = (line for one in check.constructs for line in one.lines)
    return (why for why in reasons_of(lines) if why.because == "not_here_yet")


def _counted_in_transit(check: CaseCheck) -> Iterator[str]:
    lines = (line for one in check.constructs for line in one.lines)
    parcels = (pick.parcel for line in lines for pick in line.picks)
    return (one.key for one in parcels if one.sent_from and not one.is_late)


def _is_overdue(unit: Unit, parcel: StockUnits) -> bool:
    """Tell whether a delivery should have come and has not been received: it may never come."""
    return parcel.usable_from is not None and parcel.usable_from <= unit.now


def _case_plan(one: CaseRequirements, check: CaseCheck) -> CasePlan:
    if one.plan is None:
        message = "a case without a plan has no readiness to calculate"
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
        # What is in transit is stock that arrives; a set that comes back is waited for beside it.
        tuple(
            tuple(one for one in construct.expectations if not one.sent_from)
            for construct in check.constructs
        ),
    )


#: How often the days are played through unless asked otherwise: quick, the error below 0.01.
SAMPLES = 5_000


#: Units whose gain is worked out; a case by itself is played with the same draws as its day.
GAINS = 12


def day_readiness(
    unit: Unit, day: date, method: Method = "simulated", samples: int = SAMPLES
) -> DayReadiness:
    """Work out a day's readiness; the cases of the days before come first and may use stock up.

    Raises
    ------
    BadInput
        When the day is in the past, or too much for an exact answer.
    """
    check, problem = check_day(unit, day), problem_for(unit, day)
    on_day = [one for one in case_requirements(unit, day) if one.operating_list.list_date == day]
    if not problem.cases:
        return DayReadiness(
            check=check,
            method=None,
            samples=None,
            until_here=None,
            cases=[],
            worst=None,
            gains=[],
            shared=_shared(check),
            orders=_orders(unit, on_day, check),
        )
    asked, answer = solved(
        {
            **problem.problem,
            "method": method,
            "samples": samples,
            # Several waits may stand for one set; of the sets and packs the first are shown.
            "gains": GAINS + len(problem.sets_awaited),
        }
    )
    readiness = _cases(answer, (case for one in check.lists for case in one.cases))
    names = {
        item.ref: f"{item.description} {describe_size(item)}".strip()
        for item in planner_of(unit).facts
    }
    return DayReadiness(
        check=check,
        method=str(answer["method"]),
        samples=samples if answer["method"] == "simulated" else None,
        until_here=Probability.model_validate(answer["list_readiness"]),
        cases=readiness,
        worst=least_ready_case(asked, readiness, names, problem.refs_of),
        gains=_gains(answer, names, problem.refs_of),
        shared=_shared(check),
        orders=_orders(unit, on_day, check),
    )


def case_question(unit: Unit, day: date) -> dict[str, object] | None:
    """Write the question that `case_answer` answers; None when no case can be asked about.

    Parameters
    ----------
    day
        The list day of the case meant; every case from today to it is asked about.
    """
    problem = problem_for(unit, day)
    if not problem.cases:
        return None
    return {**problem.problem, "method": "simulated", "samples": SAMPLES, "gains": GAINS}


def case_answer(
    question: Mapping[str, object] | None, check: CaseCheckOut | None
) -> CaseReadiness | None:
    """Work out the readiness of one case as its list day would; nothing is read from the rows.

    Returns
    -------
    CaseReadiness or None
        None when the case is not planned or cannot be sized.
    """
    if question is None or check is None:
        return None
    return next(iter(_cases(solved(question)[1], [check])), None)


def _cases(answer: dict[str, object], cases: Iterable[CaseCheckOut]) -> list[CaseReadiness]:
    by_case = {one["case"]: one for one in _rows(answer["cases"])}
    found = []
    for case in cases:
        told = by_case.get(case.case)
        if told is None:
            continue
        coverage = {one["construct"]: one["coverage"] for one in _rows(told["constructs"])}
        found.append(
            CaseReadiness(
                case=case.case,
                readiness=Probability(
                    value=told["readiness"], standard_error=told["standard_error"]
                ),
                counting_on=case.counting_on,
                needs=[
                    NeedReadiness(need=one["need"], readiness=one["readiness"])
                    for one in _rows(told["needs"])
                ],
                constructs=[
                    ConstructReadiness(
                        planned=one.planned,
                        name=one.name,
                        says=one.says,
                        coverage=coverage[one.planned],
                    )
                    for one in case.constructs
                    if one.planned in coverage
                ],
            )
        )
    return found


def _rows(value: object) -> list[dict]:  # type: ignore[type-arg] # plain JSON of the contract
    return value if isinstance(value, list) else []


def _gains(
    answer: dict[str, object], names: Mapping[str, str], refs_of: Callable[[str], list[str]]
) -> list[GainOut]:
    # A copy more of a set, and a set back for certain, are the same to order: the larger gain.
    found: dict[tuple[str, ...], GainOut] = {}
    for one in _rows(answer["gains"]):
        refs = refs_of(one["item"])
        told = GainOut(
            refs=refs,
            description=names.get(refs[0], ""),
            gain=one["gain"],
            standard_error=one["standard_error"],
        )
        found.setdefault(tuple(refs), told)
    return list(found.values())[:GAINS]


def _shared(check: CheckOut) -> list[SharedPack]:
    """Say which cases share a pack, and what happens when the first opens it."""
    found = {}
    for one in check.lists:
        places = {case.case: case.position for case in one.cases}
        for case in one.cases:
            for row in case.pick_list:
                if row.shared_with:
                    names = sorted({case.case, *row.shared_with}, key=lambda n: places.get(n, 0))
                    key = (row.ref, row.lot, row.serial, row.shelf)
                    found[key] = _shared_pack(row.label, names)
    return list(found.values())


def _shared_pack(label: str, names: list[str]) -> SharedPack:
    first, *rest = names
    says = (
        f"{' and '.join(names)} share the same unopened {label}. If {first} opens it, "
        f"{' and '.join(rest)} {'loses' if len(rest) == 1 else 'lose'} it."
    )
    return SharedPack(label=label, cases=names, says=says)


def _orders(unit: Unit, on_day: Sequence[CaseRequirements], check: CheckOut) -> list[ListOrderOut]:
    by_case = {case.case: case for one in check.lists for case in one.cases}
    planned = [
        _planned(unit, one, by_case[one.row.reference])
        for one in on_day
        if one.row.reference in by_case and one.case is not None
    ]
    stock = _set_stock(unit, check, {case.case for case in planned})
    clashing = set_clashes(planned, stock)
    orders = []
    for theatre in sorted({case.theatre for case in planned}):
        own = [case for case in planned if case.theatre == theatre]
        others = [case for case in planned if case.theatre != theatre]
        found = better_order(own, stock, others=others)
        names = {case.case for case in own}
        orders.append(
            ListOrderOut(
                theatre=theatre,
                clashes=[clash.reason for clash in clashing if clash.case in names],
                outcome=found.outcome,
                order=list(found.order),
                reason=found.reason,
            )
        )
    return orders


def _planned(unit: Unit, one: CaseRequirements, case: CaseCheckOut) -> PlannedCase:
    starts, ends = one.row.starts_at, one.row.ends_at
    primary = case.constructs[0]
    sets = [line.refs[0] for line in primary.lines if line.what == "instrument set" and line.refs]
    return PlannedCase(
        case.case,
        one.operating_list.theatre,
        _minutes(unit, starts, starts),
        _minutes(unit, starts, ends),
        tuple(dict.fromkeys(sets)),
    )


def _set_stock(unit: Unit, check: CheckOut, names: Collection[str]) -> list[SetStock]:
    """Return the sets that the day wants; what a closed case has had comes back after it."""
    minutes = planner_of(unit).catalogue.turnarounds
    starts = {name: when for name, when in check.case_starts().items() if name in names}
    copies = sets_of_day(unit, check.date, starts)
    later = sets_back_later(unit, check.date, starts)
    wanted = {
        line.refs[0]
        for one in check.lists
        for case in one.cases
        for construct in case.constructs
        for line in construct.lines
        if line.what == "instrument set" and line.refs
    }
    return [
        SetStock(
            ref,
            copies.get(ref, 0),
            minutes.get(ref, 0),
            tuple((_minutes(unit, back, back), case) for back, case in sorted(later.get(ref, ()))),
        )
        for ref in sorted(wanted)
    ]


def _minutes(unit: Unit, day: datetime, moment: datetime) -> int:
    """Count the minutes to a moment from the midnight at the site that begins a day."""
    midnight = unit.local(day).replace(hour=0, minute=0, second=0, microsecond=0)
    return round((unit.local(moment) - midnight).total_seconds() / 60)


def answer_par_problem(data: object) -> dict[str, object]:
    """Evaluate levels, reach a target readiness at least cost, or make the best use of a budget.

    Raises
    ------
    BadInput
        Names the place of every fault.
    TooLarge
        When the answer would take too long; names the limit.
    """
    try:
        return answer_par(par_problem_from(data))
    except ParError as error:
        raise par_refusal(error) from error


def par_refusal(error: ParError) -> BadInput | TooLarge:
    """Turn the core's refusal into the service's."""
    faults = [FieldFault(pointer, sentence) for pointer, sentence in error.faults]
    if isinstance(error, ParTooLarge):
        return TooLarge("This problem is too large to solve.", faults=faults)
    return BadInput("This problem cannot be solved as it is.", faults=faults)


def least_ready_case(
    problem: ReadinessProblem,
    cases: Sequence[CaseReadiness],
    descriptions: Mapping[str, str],
    refs_of: Callable[[str], list[str]],
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
    refs_of
        Returns the references that an item of the problem stands for.

    Returns
    -------
    WorstCase or None
        None when there is no case, or every case is sure.
    """
    worst = min(cases, key=lambda case: case.readiness.value, default=None)
    if worst is None or worst.readiness.value >= 1:
        return None
    unanswered = _unanswered(problem, worst.case)
    unit = _unit(problem, worst, descriptions, refs_of)
    return WorstCase(
        case=worst.case,
        readiness=worst.readiness,
        unit=unit,
        unanswered=list(unanswered),
        says=_says(worst, unit, unanswered),
    )


def _unanswered(problem: ReadinessProblem, name: str) -> dict[str, float]:
    """Return the needs of a case for which nothing is planned, likeliest first."""
    (case,) = (case for case in problem.cases if case.name == name)
    found = {
        need.name: need.probability
        for need in case.needs
        if need.probability > 0 and not need.constructs
    }
    return dict(sorted(found.items(), key=lambda pair: -pair[1]))


def _unit(
    problem: ReadinessProblem,
    worst: CaseReadiness,
    descriptions: Mapping[str, str],
    refs_of: Callable[[str], list[str]],
) -> HelpOut | None:
    found = most_helpful_unit(problem, worst.case)
    if found is None:
        return None
    before = worst.readiness.value
    # What is simulated scatters: of what lies within the error nothing is promised.
    error = STANDARD_ERRORS * math.hypot(found.standard_error, worst.readiness.standard_error)
    if found.readiness - before <= error:
        return None
    refs = refs_of(found.item)
    return HelpOut(
        refs=refs,
        description=descriptions.get(refs[0], ""),
        readiness_from=before,
        readiness_to=found.readiness,
    )


def _says(worst: CaseReadiness, unit: HelpOut | None, unanswered: Mapping[str, float]) -> str:
    before = worst.readiness.value
    said = [f"{worst.case}, {percent(before)} chance of having everything"]
    if unit is not None:
        said.append(f"one more {unit.refs[0]} {_makes_it(before, unit.readiness_to)}")
    # An alternate for one need adds that need's probability at most.
    largest = next(iter(unanswered), None)
    gain = 0.0 if unit is None else unit.readiness_to - unit.readiness_from
    if largest is not None and unanswered[largest] > gain:
        how = "would" if unit is None else "could"
        said.append(f"no backup for '{largest}': a backup {how} help more than stock")
    elif unit is None:
        said.append("no single unit makes it clearly higher")
    return "; ".join(said) + "."


def _makes_it(before: float, after: float) -> str:
    """Say what a chance becomes; of what lies within one per cent, only that it is so little."""
    then = percent(after)
    return "adds less than 1 %" if then == percent(before) else f"makes it {then}"
