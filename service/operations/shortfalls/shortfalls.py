"""Shortfalls: what is missing across coming lists, until when it can still be got, and how."""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date, datetime, timedelta

from service.core.catalogue import describe_size
from service.core.cover.results import CaseCheck
from service.core.cover.shelf import ClaimedStock
from service.core.cover.units import Claim
from service.core.readiness.simulation import Tell
from service.core.shortfalls.shortages import NEAR, CheckInput, MissingLine, Shortage, shortages
from service.core.shortfalls.ways import SupplyOption, first_order, supply_options
from service.core.sizing.figures import SUPPLY_FIGURES, SupplyFigures, supply_figures
from service.operations.cases.plans import construct_name, suggest_plan
from service.operations.cover.requirements import (
    CaseRequirements,
    case_requirements,
    check_until,
    input_until,
)
from service.operations.planner import PlannerContext, planner_of
from service.operations.readiness import problem_for, solved
from service.operations.shortfalls.sources import (
    RemainingStock,
    SupplyFacts,
    read_supply_facts,
    sources_of,
)
from service.operations.shortfalls.substitutes import Named, SubstituteFinder
from service.operations.stock_units import read_stock_units
from service.operations.work import CAUTION, Unit
from service.schemas.shortfalls import (
    FigureOut,
    ItemShortOut,
    MissingOut,
    QuestionOut,
    ShortfallOut,
    Shortfalls,
    UncheckedOut,
    WayOut,
)

#: How often the days are played through for gains, and how many gains are kept.
_SAMPLES, _GAINS = 5_000, 100


@dataclass(frozen=True, slots=True)
class _ShortfallContext:
    """Everything shortfalls are told from, read once for all of them."""

    unit: Unit
    planner: PlannerContext
    prepared: Mapping[str, CaseRequirements]
    supply: SupplyFacts
    asker: SubstituteFinder
    figures: SupplyFigures
    gains: Mapping[str, float]


def shortfalls(
    unit: Unit, days: int, *, with_gains: bool = False, tell: Tell | None = None
) -> Shortfalls:
    """Return what is missing for the lists of some days, what is needed first standing first.

    Parameters
    ----------
    days
        How many days of lists ahead, from 0: today's only. Cases that have started are left out,
        but what they take is taken.
    with_gains
        Whether to play the days through for what one more unit would add; without it every gain is
        unknown.
    tell
        Hears meanwhile how many runs are done, and of how many.

    Returns
    -------
    Shortfalls
        From the same check as the list days, made once for all of them; see
        ``core.shortage`` for how units are counted.
    """
    ahead = forecast_cover(unit, unit.today + timedelta(days=days))
    suggested = _suggested(unit, ahead)
    desk = _read_shortfalls(unit, ahead, suggested or {}, with_gains=with_gains, tell=tell)
    terms = desk.supply.terms.values()
    return Shortfalls(
        today=unit.today,
        until=ahead.until,
        checked_at=unit.local(unit.now),
        shortfalls=[_shortfall(desk, one) for one in ahead.found],
        unchecked=[_unchecked(one) for one in ahead.prepared if _is_unchecked(one)],
        suppliers_unknown=[one.supplier for one in terms if not one.is_known],
        figures=_figures(unit),
        gains_searched=with_gains,
        suggestions_searched=suggested is not None,
        caution=CAUTION,
    )


@dataclass(frozen=True, slots=True)
class CoverForecast:
    """The cases of some days, checked together.

    Parameters
    ----------
    coming
        Checks of the cases that have not started.
    found
        What they are short of.
    claims
        Everything anybody counts on: as checked, or as promised for a later day.
    """

    until: date
    prepared: Sequence[CaseRequirements]
    turnarounds: Mapping[str, int]
    coming: Sequence[CaseCheck]
    found: Sequence[Shortage]
    claims: Sequence[Claim]


def _read_shortfalls(
    unit: Unit,
    ahead: CoverForecast,
    suggested: Named,
    *,
    with_gains: bool,
    tell: Tell | None,
) -> _ShortfallContext:
    planner = planner_of(unit)
    prepared = {one.row.reference: one for one in ahead.prepared}
    covered = _covered(ahead.coming, planner)
    asker = SubstituteFinder(unit, planner, prepared, covered, suggested)
    refs = {ref for one in ahead.found for ref in one.refs}
    there = read_stock_units(unit, refs | asker.sizes_wanted(ahead.found))
    room = RemainingStock(unit, ClaimedStock.of(there, ahead.claims), ahead.turnarounds)
    supply = read_supply_facts(unit, room, refs)
    gains = _gains(unit, ahead, tell) if with_gains and ahead.found else {}
    return _ShortfallContext(
        unit, planner, prepared, supply, asker, supply_figures(planner.values), gains
    )


def _covered(checks: Iterable[CaseCheck], planner: PlannerContext) -> Named:
    """Return the alternates of each case that are covered."""
    return {
        check.case.case: [
            (one.name, construct_name(one.name, planner.templates))
            for one in check.constructs[1:]
            if one.state == "covered"
        ]
        for check in checks
    }


def _suggested(unit: Unit, ahead: CoverForecast) -> Named | None:
    """Return what the rules suggest for the cases concerned and nobody has planned.

    ``None`` when there are no rules to ask.
    """
    if planner_of(unit).guidance is None:
        return None
    lines = (each for one in ahead.found for each in one.missing)
    short = {each.case.case: each.case for each in lines if each.place != NEAR}
    suggested = {}
    for name, case in short.items():
        planned = [each.name for each in case.constructs]
        told = suggest_plan(unit, name, planned[0])
        suggested[name] = [
            (each.alternate, each.name)
            for each in told.alternates
            if each.can_be_done and each.alternate not in planned
        ]
    return suggested


def _gains(unit: Unit, ahead: CoverForecast, tell: Tell | None) -> dict[str, float]:
    """Return what one more unit would add, by reference, for the units that add most."""
    problem = problem_for(unit, ahead.until)
    if not problem.cases:
        return {}
    asked = {"method": "simulated", "samples": _SAMPLES, "gains": _GAINS}
    _, answer = solved({**problem.problem, **asked}, tell)
    gains: dict[str, float] = {}
    rows = answer["gains"]
    for row in rows if isinstance(rows, list) else ():
        for ref in problem.refs_of(row["item"]):
            gains.setdefault(ref, row["gain"])
    return gains


def _shortfall(desk: _ShortfallContext, shortage: Shortage) -> ShortfallOut:
    unit, first = desk.unit, shortage.first
    ways = supply_options(
        shortage, sources_of(desk.supply, shortage), desk.figures, unit.now, unit.zone
    )
    order = first_order(ways)
    gains = [desk.gains[ref] for ref in shortage.refs if ref in desk.gains]
    return ShortfallOut(
        label=shortage.label,
        what=first.gap.what,
        because=first.gap.because,
        items=[_item(desk, ref) for ref in shortage.refs],
        quantity=shortage.quantity,
        needed_on=first.case.list_date,
        needed_at=unit.local(first.list_starts),
        order_by=None
        if order is None or order.last_moment is None
        else unit.local(order.last_moment),
        order_by_has_passed=None if order is None else order.has_passed,
        order_by_says=_order_words(shortage, order),
        gain=max(gains, default=None),
        missing=[_missing(desk, one) for one in shortage.missing],
        ways=[_way(unit, one) for one in ways],
        questions=[
            QuestionOut.model_validate(one)
            for one in desk.asker.questions(shortage, desk.supply.room)
        ],
    )


def _order_words(shortage: Shortage, order: SupplyOption | None) -> str:
    if not shortage.refs:
        return "This size is not made and cannot be ordered. Ask the surgeon."
    if order is None:
        return "The lead time is not known, so there is no order deadline. Ask the supplier."
    return order.says


def _item(desk: _ShortfallContext, ref: str) -> ItemShortOut:
    facts = desk.planner.catalogue.by_ref[ref]
    row = desk.supply.facts[ref]
    return ItemShortOut(
        ref=ref,
        description=facts.description,
        size=describe_size(facts),
        supplier=row.supplier,
        lead_time_days=row.lead_time_days,
        pack_quantity=row.pack_quantity,
    )


_STANDS = {NEAR: "near", 0: "primary"}


def _missing(desk: _ShortfallContext, one: MissingLine) -> MissingOut:
    prepared, line = desk.prepared[one.case.case], one.line
    name = construct_name(one.construct, desk.planner.templates) if one.construct else ""
    return MissingOut.model_validate(
        {
            "case": one.case.case,
            "list_date": one.case.list_date,
            "theatre": prepared.operating_list.theatre,
            "starts_at": desk.unit.local(one.case.starts),
            "list_starts_at": desk.unit.local(one.list_starts),
            "side": prepared.row.side,
            "name": name,
            "planned": one.construct,
            "stands": _STANDS.get(one.place, "alternate"),
            "role": line.role,
            "label": line.label,
            "why": line.why,
            "missing": one.gap.missing,
            "because": one.gap.because,
            "sentence": one.gap.sentence,
        }
    )


def _way(unit: Unit, way: SupplyOption) -> WayOut:
    moment = None if way.last_moment is None else unit.local(way.last_moment)
    out = WayOut.model_validate(way)
    return out.model_copy(update={"last_moment": moment})


def _is_unchecked(one: CaseRequirements) -> bool:
    return one.case is None and one.row.status != "closed"


def _unchecked(one: CaseRequirements) -> UncheckedOut:
    return UncheckedOut(
        case=one.row.reference,
        list_date=one.operating_list.list_date,
        theatre=one.operating_list.theatre,
        says=one.says,
    )


def _figures(unit: Unit) -> list[FigureOut]:
    """Return the figures in force, and the usual ones where the department has none."""
    set_here = {row.key: row for row in planner_of(unit).sizing_rows}
    return [FigureOut.model_validate(set_here.get(key, one)) for key, one in SUPPLY_FIGURES.items()]


def forecast_cover(unit: Unit, until: date) -> CoverForecast:
    """Check every case up to a day, as the list days are checked, in one go."""
    prepared, given = case_requirements(unit, until), input_until(unit, until)
    checked = check_until(unit, until)
    coming = [check for check in checked.values() if check.case.starts > unit.now]
    left = _without_started(given, checked, unit.now)
    return CoverForecast(
        until,
        prepared,
        given.turnarounds,
        coming,
        shortages(left, coming, _list_starts(prepared)),
        _claims(checked, planner_of(unit).claims),
    )


def _list_starts(prepared: Iterable[CaseRequirements]) -> dict[str, datetime]:
    """Return for each case when the first case of its list starts."""
    starts: dict[int, datetime] = {}
    names = []
    for one in prepared:
        key = one.operating_list.id or 0
        starts[key] = min(starts.get(key, one.row.starts_at), one.row.starts_at)
        names.append((one.row.reference, key))
    return {name: starts[key] for name, key in names}


def _without_started(
    given: CheckInput, checked: Mapping[str, CaseCheck], now: datetime
) -> CheckInput:
    """Leave out cases that have started: what they took is taken, what they lacked is past."""
    started = {case.case for case in given.cases if case.starts <= now}
    holds = [claim for claim in given.holds if claim.case not in started]
    taken = (claim for name in sorted(started) for claim in checked[name].claims)
    cases = tuple(case for case in given.cases if case.case not in started)
    return replace(given, cases=cases, holds=(*holds, *taken))


def _claims(checked: Mapping[str, CaseCheck], before: Sequence[Claim]) -> list[Claim]:
    """Return what every case counts on: as checked, or as promised where it was not."""
    promised = [claim for claim in before if claim.case not in checked]
    return [*promised, *(claim for one in checked.values() for claim in one.claims)]
