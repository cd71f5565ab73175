"""What if: see a list day again with a change that is not saved."""

from collections.abc import Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, replace
from datetime import date, timedelta

from service.core.case_times import ends_on
from service.core.catalogue import ItemFacts
from service.core.constructs.planned import read_planned
from service.core.constructs.templates import DIMENSIONS
from service.core.sizing import SizingError
from service.core.sizing.film import Dimension, Measurements, estimate_dimensions
from service.errors import BadInput, FieldFault
from service.operations.cases.lookup import get_case, newest_plan, require_case
from service.operations.cases.plans import plan_body, suggest_plan
from service.operations.catalogue import require_item
from service.operations.cover.check import check_case, check_day, check_one_case
from service.operations.holds.holds import hold_cases
from service.operations.locations import item_key, ledger_line
from service.operations.planner import PlannerContext, planner_of
from service.operations.planning.case_changes import add_case, change_case, make_plan
from service.operations.readiness import case_answer, case_question
from service.operations.work import SYSTEM, Unit
from service.schemas.cases import ENDS_LATE, CaseFields, CaseOut
from service.schemas.cover import CaseCheckOut, CheckOut, ConstructCheckOut, PickLineOut
from service.schemas.planning import SuggestedPlan
from service.schemas.what_if import (
    BesideOut,
    CasePlanBody,
    CaseView,
    CaseWhatIfBody,
    MeasureOut,
    PlanPreviewOut,
    SizeThatFollows,
    WhatIfBody,
)
from service.storage.queries import cases, stock
from service.storage.tables import Location, Lot

#: Units of a what-if do not expire before the lists that are looked at.
_LASTS = timedelta(days=365)


def what_if(unit: Unit, day: date, body: WhatIfBody) -> CheckOut:
    """Check a day as it would be; the caller undoes everything this writes.

    Promises are made anew in order of start, for the moved case on its new day, too: the answer
    is what a fresh plan of the days would give.
    """
    if body.add_units:
        place = Location(site_id=unit.site_id, store="What if", shelf="borrowed")
        unit.session.add(place)
        unit.session.flush()
        for number, units in enumerate(body.add_units):
            item = require_item(unit, units.ref, f"/add_units/{number}/ref")
            lot = Lot(
                item_id=item_key(item),
                lot_number=f"WHAT-IF-{number + 1}",
                use_by=None if item.reusable else day + _LASTS,
            )
            unit.session.add(lot)
            unit.session.flush()
            # Whoever may read may try it out: nothing of it is kept.
            line = ledger_line(
                replace(unit, caller=SYSTEM),
                "receive",
                lot.id,
                units.quantity,
                origin=None,
                target=place.id,
                reason="what if",
            )
            stock.post_movements(unit.session, [line])
    if body.move_case is not None:
        _move(unit, body)
    if body.add_case is not None:
        with _inside("/add_case/case"):
            add_case(unit, body.add_case.case)
        version = require_case(unit, body.add_case.case.reference).version
        with _inside("/add_case/plan"):
            make_plan(unit, body.add_case.case.reference, body.add_case.plan, version)
    moved_to = body.move_case.list_date if body.move_case is not None else None
    _hold_again(unit, max(day, moved_to or day))
    return check_day(unit, day)


def _move(unit: Unit, body: WhatIfBody) -> None:
    move = body.move_case
    if move is None:
        return
    known = get_case(unit, move.case)
    facts = known.model_dump(include=set(CaseFields.model_fields))
    facts |= {"starts": move.starts, "ends": move.ends, "twice": move.twice}
    if move.list_date is not None:
        facts["list_date"] = move.list_date
    if move.theatre is not None:
        facts["theatre"] = move.theatre
    if ends_on(known.list_date, move.starts, move.ends) is None:
        fault = FieldFault("/move_case/ends", ENDS_LATE)
        raise BadInput("The case cannot be moved in this way.", faults=[fault])
    with _inside("/move_case"):
        change_case(unit, move.case, CaseFields.model_validate(facts), known.version)


@contextmanager
def _inside(pointer: str) -> Iterator[None]:
    """Say of a fault in which part of the body it is."""
    try:
        yield
    except BadInput as error:
        faults = [FieldFault(pointer + one.pointer, one.reason) for one in error.faults]
        raise BadInput(error.detail, faults=faults, facts=error.facts) from error


def _hold_again(unit: Unit, last: date) -> None:
    """Hold for every coming case anew, in order of start, as a fresh plan of the days would."""
    pairs = cases.cases_between(unit.session, unit.site_id, unit.today, last)
    hold_cases(unit, [case.reference for _, case in pairs], "what if")


def what_if_case(unit: Unit, reference: str, body: CaseWhatIfBody) -> CaseView:
    """Show a case as it would be; the caller undoes everything this writes.

    Raises
    ------
    BadInput
        When nothing is to be tried, the item is not in the catalogue, or the case was on a past
        day.
    """
    measures = body.model_dump(exclude={"add_units"}, exclude_none=True)
    if not measures and not body.add_units:
        fault = FieldFault("", "choose a unit to add or a measurement to change")
        raise BadInput("Nothing to try.", faults=[fault])
    case = get_case(unit, reference)
    if measures:
        facts = case.model_dump(include=set(CaseFields.model_fields))
        facts |= {"starts": case.starts_at.time(), "ends": case.ends_at.time()}
        facts["measurements"] |= measures
        change_case(unit, reference, CaseFields.model_validate(facts), case.version)
    what_if(unit, case.list_date, WhatIfBody(add_units=body.add_units))
    return view_case(unit, reference)


#: Which measurement gives a dimension, where one does.
_GIVEN = {"neck": "neck_film_mm", "canal": "canal_film_mm", "femur": "nail_length_mm"}


def measures_of(
    unit: Unit, reference: str, constructs: Sequence[ConstructCheckOut]
) -> list[MeasureOut]:
    """Return each dimension of a case with the sizes that follow from it.

    Parameters
    ----------
    constructs
        What is planned, checked, the primary first. The sizes are those of the first construct
        that has a size by the dimension; without a construct no size follows yet.

    Returns
    -------
    list of MeasureOut
        In the order of ``DIMENSIONS``; empty when no sizing figures have been loaded.

    Raises
    ------
    BadInput
        When a measurement cannot be used.
    """
    row, planner = require_case(unit, reference), planner_of(unit)
    if not planner.values:
        return []
    try:
        found = estimate_dimensions(Measurements(**row.measurements), row.sex, planner.values)
    except SizingError as error:
        fault = FieldFault(f"/measurements{error.pointer}", error.reason)
        raise BadInput("Some measurements are not valid.", faults=[fault]) from error
    return [
        _measure(key, known, row.measurements.get(_GIVEN.get(key, "")), planner, constructs)
        for key, known in found.items()
    ]


def _measure(
    key: str,
    known: Dimension,
    given_mm: float | None,
    planner: PlannerContext,
    constructs: Sequence[ConstructCheckOut],
) -> MeasureOut:
    return MeasureOut(
        dimension=key,
        meaning=DIMENSIONS[key],
        given_mm=given_mm,
        mean_mm=known.estimate.mean_mm,
        sd_mm=known.estimate.sd_mm,
        calibrated=known.estimate.calibrated,
        basis=known.basis,
        sizes=next(filter(None, (_sizes(key, planner, one) for one in constructs)), []),
    )


def _sizes(
    dimension: str, planner: PlannerContext, planned: ConstructCheckOut
) -> list[SizeThatFollows]:
    template = planner.templates.get(read_planned(planned.planned).parts[0].template)
    whose = "" if planned.role == "primary" else " (backup)"
    return [
        _size(
            role.role + whose,
            size.field,
            [one for one in planned.lines if one.role == role.role],
            planner.catalogue.by_ref,
        )
        for role in (template.roles if template is not None else ())
        for size in role.sizes
        if size.dimension == dimension
    ]


def _size(
    role: str, field: str, lines: Sequence[PickLineOut], facts: Mapping[str, ItemFacts]
) -> SizeThatFollows:
    there: dict[float, bool] = {}
    nominal: float | None = None
    for line in lines:
        size = getattr(facts.get(line.refs[0]), field, None) if line.refs else None
        if size is None:
            continue
        if line.why == "nominal":
            nominal = size
        there[size] = there.get(size, True) and line.gap is None
    return SizeThatFollows(
        role=role,
        size_mm=nominal,
        is_there=nominal is not None and there[nominal],
        beside=[
            BesideOut(size_mm=size, is_there=is_there)
            for size, is_there in sorted(there.items())
            if size != nominal
        ],
    )


#: As many alternates as a plan may name.
_MOST_ALTERNATES = 8


@dataclass(frozen=True, slots=True)
class PlanPreview:
    """A tried plan whose readiness has not been worked out.

    A trial runs where it keeps other writers waiting; what needs no rows is left for afterwards.

    Parameters
    ----------
    told
        What was tried, without its readiness.
    question
        The readiness problem of the case and all before it; None when there is none.
    """

    told: PlanPreviewOut
    question: Mapping[str, object] | None

    def finished(self) -> PlanPreviewOut:
        """Work out the readiness, too."""
        return self.told.model_copy(
            update={"readiness": case_answer(self.question, self.told.check)}
        )


def save_case_plan(unit: Unit, reference: str, body: CasePlanBody, version: int) -> CaseOut:
    """Store what is known of a fracture and the plan for it, both or neither.

    Raises
    ------
    Stale
        When the case has been changed since it was read.
    """
    changed = _change_fracture(unit, reference, body, version)
    if body.plan is None:
        return changed
    return make_plan(unit, reference, body.plan, changed.version)


def _change_fracture(unit: Unit, reference: str, body: CasePlanBody, version: int) -> CaseOut:
    known = get_case(unit, reference)
    facts = known.model_dump(include=set(CaseFields.model_fields))
    facts |= {"starts": known.starts_at.time(), "ends": known.ends_at.time()}
    asked = CaseFields.model_validate({**facts, **body.model_dump(exclude={"plan"})})
    if known.version == version and asked == CaseFields.model_validate(facts):
        return known
    return change_case(unit, reference, asked, version)


def preview_case_plan(unit: Unit, reference: str, body: CasePlanBody, version: int) -> PlanPreview:
    """Answer a plan as it would be; the caller undoes everything this writes.

    What the rules suggest and the plan does not name is checked as well, as if it stood by: the
    constructs of a case share packs, so what stands by takes nothing from what is planned.
    """
    # The whole store is looked at in the end; what is known at first is not read piece by piece.
    planner_of(unit).stock_of(None)
    case = save_case_plan(unit, reference, body, version)
    if body.plan is None:
        told = PlanPreviewOut(
            case=case,
            check=None,
            readiness=None,
            measures=measures_of(unit, reference, []),
            suggested=None,
            offered={},
        )
        return PlanPreview(told, None)
    view, question = _case_view(unit, reference)
    offered = [
        one.alternate
        for one in (view.suggested.alternates if view.suggested else ())
        if one.can_be_done and one.alternate not in {body.plan.primary, *body.plan.alternates}
    ]
    told = PlanPreviewOut(**dict(view), offered=_cover_of(unit, reference, offered))
    return PlanPreview(told, question)


def _cover_of(unit: Unit, reference: str, offered: Iterable[str]) -> dict[str, ConstructCheckOut]:
    """Check further constructs as if they stood by, and give the cover of each."""
    plan = newest_plan(unit, require_case(unit, reference))
    if plan is None:
        return {}
    body = plan_body(plan)
    wider = [*body.alternates, *offered][:_MOST_ALTERNATES]
    plan.body = body.model_copy(update={"alternates": wider, "refused": []}).model_dump(mode="json")
    unit.session.flush()
    check = check_case(unit, reference)
    return {one.planned: one for one in check.constructs if one.planned in set(offered)}


def view_case(unit: Unit, reference: str) -> CaseView:
    """Return a case with its cover, its probabilities, its sizes and what the rules suggest.

    A case that was on a past day, or has been cancelled, has no cover: stock as it is now says
    nothing about it.
    """
    view, question = _case_view(unit, reference)
    return view.model_copy(update={"readiness": case_answer(question, view.check)})


def _case_view(unit: Unit, reference: str) -> tuple[CaseView, dict[str, object] | None]:
    """Return a case without its readiness, and the question that asks for it."""
    case = get_case(unit, reference)
    check: CaseCheckOut | None = None
    question: dict[str, object] | None = None
    if case.status != "cancelled" and case.list_date >= unit.today:
        check = check_one_case(unit, reference, case.list_date)
        question = case_question(unit, case.list_date)
    view = CaseView(
        case=case,
        check=check,
        readiness=None,
        measures=_measures(unit, reference, check),
        suggested=_suggested(unit, case),
    )
    return view, question


def _measures(unit: Unit, reference: str, check: CaseCheckOut | None) -> list[MeasureOut]:
    try:
        return measures_of(unit, reference, check.constructs if check else [])
    except BadInput:
        # The check of the case says which measurement cannot be used, and why.
        return []


def _suggested(unit: Unit, case: CaseOut) -> SuggestedPlan | None:
    """Ask the rules about a plan; where there are no rules yet, nothing is suggested."""
    if case.plan is None or planner_of(unit).guidance is None:
        return None
    return suggest_plan(unit, case.reference, case.plan.primary)
