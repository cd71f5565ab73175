"""What the page of a case shows, put together from what the operations answer."""

from collections.abc import Sequence
from dataclasses import dataclass

from service.core.constructs import read_planned
from service.core.guidance import AS_PLANNED
from service.operations.schemas.checks import CaseCheckOut, ConstructCheckOut, PickRowOut
from service.operations.schemas.plan_path import CaseView
from service.operations.schemas.planning import SuggestedAlternate
from web.pictures.from_plan import ConstructPicture, construct_pictures
from web.pictures.picture import Picture
from web.pictures.readiness import ReadinessRow, readiness_bars

__all__ = ["Missing", "Shown", "case_facts", "missing_of"]


@dataclass(frozen=True, slots=True)
class Missing:
    """One thing that is missing; ``refs`` are the catalogue lines that would mend it."""

    sentence: str
    count: int
    refs: Sequence[str]


@dataclass(frozen=True, slots=True)
class Shown:
    """One construct of the plan: its cover, its picture, why it stands by, how likely it can be."""

    check: ConstructCheckOut
    picture: ConstructPicture | None
    why: SuggestedAlternate | None
    answers: Sequence[str]
    coverage: float | None


def case_facts(view: CaseView) -> dict[str, object]:
    """Give what the template of a case is filled with."""
    check = view.check
    return {
        "case": view.case,
        "check": check,
        "readiness": view.readiness,
        "measures": [one for one in view.measures if one.sizes or one.given_mm is not None],
        "missing": missing_of(check) if check else [],
        "likely_needs": {one.need: one.readiness for one in view.readiness.needs}
        if view.readiness
        else {},
        "shown": _shown(view),
        "refused": _refused(view),
        "bars": _bars(view),
        "shared": _shared(check.pick_list) if check else [],
        "packs": sum(row.quantity for row in check.pick_list) if check else 0,
    }


def missing_of(check: CaseCheckOut) -> list[Missing]:
    """Give everything that is missing once, with what would mend it."""
    found: dict[str, Missing] = {}
    lines = [line for one in check.constructs for line in one.lines] + check.near
    for line in lines:
        if line.gap is not None:
            one = Missing(line.gap.sentence, line.gap.missing, line.refs)
            found.setdefault(line.gap.sentence, one)
    return list(found.values())


def _shown(view: CaseView) -> list[Shown]:
    if view.check is None:
        return []
    pictures = construct_pictures(view.case, view.check, prefix="case")
    drawn = {one.planned: one for one in pictures}
    reasons = {
        _codes(one.alternate): one for one in (view.suggested.alternates if view.suggested else ())
    }
    likely = {
        one.planned: one.coverage for one in (view.readiness.constructs if view.readiness else ())
    }
    return [
        Shown(
            one,
            drawn.get(one.planned),
            reasons.get(_codes(one.planned)) if one.role == "alternate" else None,
            _answers(view, one.planned),
            likely.get(one.planned),
        )
        for one in view.check.constructs
    ]


def _refused(view: CaseView) -> list[tuple[str, str]]:
    """Give the name of each alternate that is not wanted, and why."""
    names = {
        one.alternate: one.name for one in (view.suggested.alternates if view.suggested else ())
    }
    refused = view.case.plan.refused if view.case.plan is not None else []
    return [(names.get(one.alternate, one.alternate), one.reason) for one in refused]


def _answers(view: CaseView, planned: str) -> list[str]:
    """Name the needs, beside everything going as planned, that a construct answers."""
    needs = view.case.plan.needs if view.case.plan is not None else []
    return [one.need for one in needs if one.need != AS_PLANNED and planned in one.constructs]


def _codes(planned: str) -> frozenset[str]:
    """Give what a construct is made of, whatever its system: so a reason is found again."""
    return frozenset(part.template for part in read_planned(planned).parts)


def _bars(view: CaseView) -> Picture | None:
    if view.readiness is None:
        return None
    told = view.readiness
    row = ReadinessRow(told.case, told.readiness.value, told.readiness.standard_error)
    return readiness_bars([row], prefix="likely", title=f"How likely {told.case} can be done")


def _shared(rows: Sequence[PickRowOut]) -> list[str]:
    return [
        f"{row.label}, lot {row.lot or row.serial}: {' and '.join(row.shared_with)} counts on the "
        "same unopened pack. Whoever opens it first leaves the other without."
        for row in rows
        if row.shared_with
    ]
