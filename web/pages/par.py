"""Par levels: those in force, what is below them, one level with its demand, and proposing."""

from collections.abc import Mapping, Sequence
from decimal import Decimal, InvalidOperation
from typing import Annotated, Any
from urllib.parse import quote, urlencode

from fastapi import APIRouter, Query, Request
from pydantic import ValidationError
from starlette.responses import RedirectResponse, Response

from service.errors import BadInput, Conflict, FieldFault, NotFound, Required, ServiceError, Stale
from service.operations import par
from service.operations.long_work import Report
from service.operations.par import view
from service.operations.par.proposal import STEPS
from service.operations.people.permissions import ORDER, READ, SET_LEVELS, may, requires
from service.schemas.base import OptionalText
from service.schemas.faults import faults_of
from service.schemas.orders import Orders
from service.schemas.par import (
    ItemLevel,
    LevelBody,
    LevelOut,
    LevelsView,
    ProposalBody,
    ProposalMade,
    TickedBody,
)
from web.forms import Filled, FilledForm, answered_before, new_key, texts, version_of, write_once
from web.labels import item_name
from web.pages.imports import job_of, job_queue_of
from web.render import page, work_of

router = APIRouter()


_EARLIER = 20


#: Levels shown at once, and items below par that stand open; the others are folded.
_AT_ONCE, _FEW = 25, 12


#: The form's fields by the names the operation knows.
_FIELDS = {"target_readiness": "target", "budget_minor": "budget"}


@router.get("/par")
@requires(READ)
def show_levels(  # noqa: PLR0917 - FastAPI fills the parameters by name
    request: Request,
    kind: Annotated[OptionalText, Query()] = "",
    system: Annotated[OptionalText, Query()] = "",
    start: Annotated[int, Query(ge=0, le=100_000)] = 0,
    work: Annotated[OptionalText, Query()] = "",
    ordered: Annotated[OptionalText, Query()] = "",
) -> Response:
    """Show levels in force and what is below them; after a proposal was worked out, lead to it."""
    if work:
        return _came_of_it(request, work)
    return _levels(request, kind, system, start=start, ordered=ordered)


def _came_of_it(request: Request, token: str) -> Response:
    job = job_of(request, token)
    if not job.is_over:
        return RedirectResponse(f"/progress/{job.token}", status_code=303)
    if job.error is None:
        return RedirectResponse(f"/par/{ProposalMade.model_validate(job.result).id}", 303)
    return _levels(request, "", "", asked=job.facts["form"], error=job.error)


@router.post("/par")
@requires(SET_LEVELS)
def propose(request: Request, values: Filled) -> Response:
    """Work levels out while whoever asked watches, and store them as a proposal."""
    work, key = work_of(request), values.get("once", "")
    made = answered_before(request, key, ProposalMade)
    if made is not None:
        return RedirectResponse(f"/par/{made.id}", status_code=303)
    try:
        body = _asked(values)
    except ServiceError as error:
        return _levels(request, "", "", asked=values, error=error)

    def run(report: Report) -> ProposalMade:
        worked = work.read(lambda unit: par.compute_proposal(unit, body, report))
        _require_currency(body, worked.answer.currency, values.get("currency", ""))
        report("saving", STEPS - 1, STEPS)
        return write_once(
            request,
            key,
            body,
            lambda unit: ProposalMade(id=par.store_proposal(unit, worked).id),
            ProposalMade,
        )

    owner = work.caller.person_id
    job = job_queue_of(request).start(owner, "Proposing par levels", "/par", run, form=values)
    return RedirectResponse(f"/progress/{job.token}", status_code=303)


def _asked(values: Mapping[str, str]) -> ProposalBody:
    """Read the form: a target in per cent, or money in whole units."""
    facts: dict[str, object] = {"keep_first_choices": values.get("keep_first_choices") == "yes"}
    if values.get("target"):
        facts["target_readiness"] = _figure(values["target"], "target") / 100
    if values.get("budget"):
        facts["budget_minor"] = view.budget_minor(values["budget"], values.get("currency", ""))
    if values.get("arrivals_per_day"):
        facts["arrivals_per_day"] = _figure(values["arrivals_per_day"], "arrivals_per_day")
    if "target_readiness" in facts and "budget_minor" in facts:
        reason = "give either a readiness or a sum of money, not both"
        raise BadInput("Nothing was calculated.", faults=[FieldFault("/budget", reason)])
    try:
        return ProposalBody.model_validate(facts)
    except ValidationError as error:
        faults = [_named(fault) for fault in faults_of(error.errors())]
        raise BadInput("Nothing was calculated.", faults=faults) from error


def _figure(text: str, name: str) -> float:
    try:
        return float(Decimal(text.strip().removesuffix("%").replace(",", ".")))
    except InvalidOperation as error:
        fault = FieldFault(f"/{name}", f"'{text[:40]}' is not a number")
        raise BadInput("Nothing was calculated.", faults=[fault]) from error


def _named(fault: FieldFault) -> FieldFault:
    """Say a fault of the operation at the field of the form, in the form's unit."""
    name = fault.pointer.removeprefix("/")
    reason = fault.reason
    if name == "target_readiness":
        reason = reason.replace(
            "enter either target_readiness or budget_minor", "enter this or a budget"
        )
        reason = reason.replace("less than 1", "less than 100")
    return FieldFault(f"/{_FIELDS.get(name, name)}", reason)


def _require_currency(body: ProposalBody, currency: str, shown: str) -> None:
    if body.budget_minor is not None and currency != shown:
        reason = f"these items are priced in {currency}, the budget was entered in {shown}"
        raise BadInput("Nothing was saved.", faults=[FieldFault("/budget", reason)])


@router.post("/par/orders")
@requires(ORDER)
def order_missing(request: Request, form: FilledForm) -> Response:
    """Put what is below its level on drafts, those that are ticked."""
    refs, key = texts(form, "ref"), str(form.get("once", ""))
    try:
        if not refs:
            raise BadInput("Nothing is ticked. Nothing was ordered.")
        body = TickedBody(refs=refs)
        write_once(request, key, body, lambda unit: view.draft_missing(unit, refs), Orders)
    except ServiceError as error:
        return _levels(request, "", "", error=error)
    return RedirectResponse(f"/par?{urlencode({'ordered': key})}", status_code=303)


@router.get("/par/levels/{ref:path}")
@requires(READ)
def show_level(request: Request, ref: str, done: Annotated[OptionalText, Query()] = "") -> Response:
    """Show one item's level and demand, with the form that sets the level by hand."""
    return _level(request, ref, {}, (), done=done)


@router.post("/par/levels/{ref:path}")
@requires(SET_LEVELS)
def set_level(request: Request, ref: str, values: Filled) -> Response:
    """Set a level by hand, with the reason."""
    key, version = values.get("once", ""), version_of(values) or None
    try:
        body = LevelBody.model_validate(
            {name: values[name] for name in ("level", "why") if values.get(name)}
        )
        write_once(
            request, key, body, lambda unit: par.set_level(unit, ref, body, version), LevelOut
        )
    except ValidationError as error:
        return _level(request, ref, values, faults_of(error.errors()))
    except NotFound:
        raise
    except (Stale, Required) as error:
        return _level(request, ref, values, (), stale=error.detail)
    except ServiceError as error:
        faults = [*error.faults] or [FieldFault("", error.detail)]
        return _level(request, ref, values, faults)
    where = f"/par/levels/{quote(ref)}?{urlencode({'done': key})}"
    return RedirectResponse(where, status_code=303)


def _level(
    request: Request,
    ref: str,
    values: Mapping[str, str],
    faults: Sequence[FieldFault],
    *,
    stale: str = "",
    done: str = "",
) -> Response:
    work = work_of(request)
    return page(
        request,
        "par_level.html",
        status=409 if stale else 422 if faults else 200,
        view=work.read(lambda unit: view.view_level(unit, ref)),
        item_name=item_name,
        values=values,
        faults=faults,
        stale=stale,
        done=answered_before(request, done, LevelOut),
        once=new_key(),
        can_set=may(work.caller.roles, SET_LEVELS),
    )


def _levels(
    request: Request,
    kind: str,
    system: str,
    *,
    start: int = 0,
    asked: Mapping[str, Any] | None = None,
    error: ServiceError | None = None,
    ordered: str = "",
) -> Response:
    work = work_of(request)
    found = work.read(view.view_levels)
    roles = work.caller.roles
    shown = _shown(found, kind, system)
    return page(
        request,
        "par.html",
        status=200 if error is None else _status(error),
        view=found,
        shown=shown[start : start + _AT_ONCE],
        start=start,
        count=len(shown),
        first=_levels_at(kind, system) if start else "",
        more=_levels_at(kind, system, start + _AT_ONCE) if shown[start + _AT_ONCE :] else "",
        few=_FEW,
        kinds=sorted({one.kind for one in found.families}),
        systems=sorted({one.system for one in found.families if one.system}),
        kind=kind,
        system=system,
        proposals=work.read(lambda unit: par.list_proposals(unit, _EARLIER)).proposals,
        item_name=item_name,
        asked=asked or {"keep_first_choices": "yes"},
        error=error,
        faults=[] if error is None else [_named(fault) for fault in error.faults],
        ordered=answered_before(request, ordered, Orders),
        once=new_key(),
        can_set=may(roles, SET_LEVELS),
        can_propose=may(roles, SET_LEVELS),
        can_order=may(roles, ORDER),
    )


def _levels_at(kind: str, system: str, start: int = 0) -> str:
    facts = {"kind": kind, "system": system, "start": start}
    given = urlencode({name: value for name, value in facts.items() if value})
    return f"/par?{given}#levels"


def _status(error: ServiceError) -> int:
    return 409 if isinstance(error, Conflict) else 422


def _shown(found: LevelsView, kind: str, system: str) -> list[ItemLevel]:
    """Return the lines of a kind and a system, level or not; without either, what has a level."""
    if not kind and not system:
        return [one for one in found.levels if one.level is not None]
    return [
        one for one in found.levels if kind in ("", one.kind) and system in ("", one.system or "")
    ]
