"""A list day in words and probabilities: readiness, shared packs, gains, set clashes, order."""

from collections.abc import Iterable, Mapping, Sequence
from datetime import date

from service.core.items import describe_size
from service.core.sequencing import PlannedCase, SetStock, better_order, clashes
from service.operations.checks import check_day
from service.operations.planner import planner_of
from service.operations.preparing import Prepared, prepare
from service.operations.readiness import problem_for, solved
from service.operations.schemas.checks import CaseCheckOut, CheckOut
from service.operations.schemas.readiness import (
    CaseReadiness,
    ConstructReadiness,
    DayReadiness,
    GainOut,
    Method,
    NeedReadiness,
    OrderOut,
    Probability,
    SharedPack,
)
from service.operations.unit import Unit
from service.operations.worst import worst_of

__all__ = ["case_answer", "case_question", "day_readiness"]

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
    on_day = [one for one in prepare(unit, day) if one.operating_list.list_date == day]
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
        {**problem.problem, "method": method, "samples": samples, "gains": GAINS}
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
        worst=worst_of(asked, readiness, names),
        gains=_gains(answer, names),
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


def _gains(answer: dict[str, object], names: Mapping[str, str]) -> list[GainOut]:
    return [
        GainOut(
            refs=one["item"].split("|"),
            description=names.get(one["item"].split("|")[0], ""),
            gain=one["gain"],
        )
        for one in _rows(answer["gains"])
    ]


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
        f"{' and '.join(names)} count on the same unopened {label}. "
        f"If {first} opens it, {' and '.join(rest)} must do without or wait for another."
    )
    return SharedPack(label=label, cases=names, says=says)


def _orders(unit: Unit, on_day: Sequence[Prepared], check: CheckOut) -> list[OrderOut]:
    stock = _set_stock(unit, check)
    by_case = {case.case: case for one in check.lists for case in one.cases}
    planned = [
        _planned(unit, one, by_case[one.row.reference])
        for one in on_day
        if one.row.reference in by_case and one.case is not None
    ]
    clashing = clashes(planned, stock)
    orders = []
    for theatre in sorted({case.theatre for case in planned}):
        own = [case for case in planned if case.theatre == theatre]
        found = better_order(own, stock)
        names = {case.case for case in own}
        orders.append(
            OrderOut(
                theatre=theatre,
                clashes=[clash.reason for clash in clashing if clash.case in names],
                outcome=found.outcome,
                order=list(found.order),
                reason=found.reason,
            )
        )
    return orders


def _planned(unit: Unit, one: Prepared, case: CaseCheckOut) -> PlannedCase:
    midnight = unit.local(one.row.starts_at).replace(hour=0, minute=0, second=0)
    primary = case.constructs[0]
    sets = [line.refs[0] for line in primary.lines if line.what == "instrument set" and line.refs]
    return PlannedCase(
        case.case,
        one.operating_list.theatre,
        round((unit.local(one.row.starts_at) - midnight).total_seconds() / 60),
        round((unit.local(one.row.ends_at) - midnight).total_seconds() / 60),
        tuple(dict.fromkeys(sets)),
    )


def _set_stock(unit: Unit, check: CheckOut) -> list[SetStock]:
    minutes = planner_of(unit).catalogue.turnarounds
    copies = planner_of(unit).usable_sets
    wanted = {
        line.refs[0]
        for one in check.lists
        for case in one.cases
        for construct in case.constructs
        for line in construct.lines
        if line.what == "instrument set" and line.refs
    }
    return [SetStock(ref, copies.get(ref, 0), minutes.get(ref, 0)) for ref in sorted(wanted)]
