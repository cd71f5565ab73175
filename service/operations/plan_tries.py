"""Plan a case on one page: try what has been typed, then save fracture and plan together."""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass

from service.errors import BadInput
from service.operations.case_life import change_case, make_plan
from service.operations.cases import get_case, newest_plan, the_case
from service.operations.checks import check_case, check_one
from service.operations.day_readiness import case_answer, case_question
from service.operations.measures import measures_of
from service.operations.planner import planner_of
from service.operations.plans import plan_body, suggest_plan
from service.operations.schemas.cases import CaseFields, CaseOut
from service.operations.schemas.checks import CaseCheckOut, ConstructCheckOut
from service.operations.schemas.plan_path import (
    CasePlanBody,
    CaseView,
    MeasureOut,
    TriedPlan,
)
from service.operations.schemas.planning import SuggestedPlan
from service.operations.unit import Unit

__all__ = ["Trial", "save_case_plan", "try_case_plan", "view_case"]

#: As many alternates as a plan may name.
_MOST_ALTERNATES = 8


@dataclass(frozen=True, slots=True)
class Trial:
    """A tried plan whose readiness has not been worked out.

    A trial runs where it keeps other writers waiting; what needs no rows is left for afterwards.

    Parameters
    ----------
    told
        What was tried, without its readiness.
    question
        The readiness problem of the case and all before it; None when there is none.
    """

    told: TriedPlan
    question: Mapping[str, object] | None

    def finished(self) -> TriedPlan:
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


def try_case_plan(unit: Unit, reference: str, body: CasePlanBody, version: int) -> Trial:
    """Answer a plan as it would be; the caller undoes everything this writes.

    What the rules suggest and the plan does not name is checked as well, as if it stood by: the
    constructs of a case share packs, so what stands by takes nothing from what is planned.
    """
    # The whole store is looked at in the end; what is known at first is not read piece by piece.
    planner_of(unit).stock_of(None)
    case = save_case_plan(unit, reference, body, version)
    if body.plan is None:
        told = TriedPlan(
            case=case,
            check=None,
            readiness=None,
            measures=measures_of(unit, reference, []),
            suggested=None,
            offered={},
        )
        return Trial(told, None)
    view, question = _seen(unit, reference)
    offered = [
        one.alternate
        for one in (view.suggested.alternates if view.suggested else ())
        if one.can_be_done and one.alternate not in {body.plan.primary, *body.plan.alternates}
    ]
    told = TriedPlan(**dict(view), offered=_cover_of(unit, reference, offered))
    return Trial(told, question)


def _cover_of(unit: Unit, reference: str, offered: Iterable[str]) -> dict[str, ConstructCheckOut]:
    """Check further constructs as if they stood by, and give the cover of each."""
    plan = newest_plan(unit, the_case(unit, reference))
    if plan is None:
        return {}
    body = plan_body(plan)
    wider = [*body.alternates, *offered][:_MOST_ALTERNATES]
    plan.body = body.model_copy(update={"alternates": wider, "refused": []}).model_dump(mode="json")
    unit.session.flush()
    check = check_case(unit, reference)
    return {one.planned: one for one in check.constructs if one.planned in set(offered)}


def view_case(unit: Unit, reference: str) -> CaseView:
    """Give a case with its cover, its probabilities, its sizes and what the rules suggest.

    A case that was on a past day, or has been cancelled, has no cover: stock as it is now says
    nothing about it.
    """
    view, question = _seen(unit, reference)
    return view.model_copy(update={"readiness": case_answer(question, view.check)})


def _seen(unit: Unit, reference: str) -> tuple[CaseView, dict[str, object] | None]:
    """Give a case without its readiness, and the question that asks for it."""
    case = get_case(unit, reference)
    check: CaseCheckOut | None = None
    question: dict[str, object] | None = None
    if case.status != "cancelled" and case.list_date >= unit.today:
        check = check_one(unit, reference, case.list_date)
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
