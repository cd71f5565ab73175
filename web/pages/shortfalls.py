"""Shortfalls: what is missing for coming lists, until when it can be got, and drafts made of it."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Annotated, Any
from urllib.parse import urlencode

from fastapi import APIRouter, Query, Request
from pydantic import BaseModel, TypeAdapter, ValidationError
from starlette.datastructures import FormData
from starlette.responses import RedirectResponse, Response

from service.errors import NotFound, ServiceError
from service.operations import shortfalls
from service.operations.long_work import Report
from service.operations.orders.board import asked_for
from service.operations.orders.drafting import draft
from service.operations.rules import ORDER, READ, requires
from service.operations.schemas.base import Count, OptionalText
from service.operations.schemas.faults import faults_of
from service.operations.schemas.orders import DraftBody
from service.operations.schemas.orders_out import Orders
from service.operations.schemas.shortfalls import ShortfallOut, Shortfalls
from service.operations.unit import Unit
from web.forms import LongForm, texts
from web.labels import FIELD_LABELS
from web.once import new_key, write_once
from web.pages.long_work import job_of, long_work_of
from web.render import page, work_of
from web.row_faults import RowFault, whole_form, wrongs
from web.shortfall_groups import calls_of, groups_of

__all__ = ["router"]

router = APIRouter()

#: Days of lists ahead that can be chosen.
SPANS = (7, 14, 28)
_USUAL = 14
_LONGEST_WHY = 500
_COUNT: TypeAdapter[int] = TypeAdapter(Count)


class _Wanted(BaseModel):
    """Every draft that one form asks for."""

    drafts: list[DraftBody]


@dataclass(frozen=True, slots=True)
class _Tick:
    """A way that was ticked: its shortfall on the page, what it is as an order, and its REF."""

    number: str
    kind: str
    ref: str


@router.get("/shortfalls")
@requires(READ)
def show_shortfalls(
    request: Request,
    days: Annotated[OptionalText, Query()] = "",
    case: Annotated[OptionalText, Query()] = "",
    work: Annotated[OptionalText, Query()] = "",
) -> Response:
    """Show what is short, the moment that passes first standing first."""
    if not work:
        return _show(request, _span(days or (str(SPANS[-1]) if case else "")), case=case)
    job = job_of(request, work)
    if not job.is_over:
        return RedirectResponse(f"/progress/{job.token}", status_code=303)
    if job.error is not None:
        faults = whole_form(job.error.detail)
        return _show(request, int(job.facts["days"]), faults=faults)
    reckoned = Shortfalls.model_validate(job.result)
    return _show(request, int(job.facts["days"]), reckoned=reckoned)


@router.post("/shortfalls/gains")
@requires(READ)
def reckon(request: Request, form: LongForm) -> Response:
    """Work out what one more unit of each would add, while whoever asked watches."""
    days, work = _span(str(form.get("days", ""))), work_of(request)

    def run(report: Report) -> Shortfalls:
        report(f"playing the lists of {days} days through, some thousand times", 0, 0)
        return work.read(lambda unit: shortfalls.shortfalls(unit, days, with_gains=True))

    title = "What one more of each would add"
    owner = work.caller.person_id
    job = long_work_of(request).start(owner, title, "/shortfalls", run, days=days)
    return RedirectResponse(f"/progress/{job.token}", status_code=303)


@router.post("/shortfalls/drafts")
@requires(ORDER)
def make_drafts(request: Request, form: LongForm) -> Response:
    """Put what was ticked on drafts, one a supplier; a loan has one of its own for its cases."""
    days, key = _span(str(form.get("days", ""))), str(form.get("once", ""))
    ticks = [_tick(text) for text in texts(form, "take")]
    faults = _wrong_quantities(ticks, form)
    if not ticks:
        faults = whole_form("tick at least one way to order or borrow")
    if faults:
        return _show(request, days, faults=faults, form=form)
    now = work_of(request).read(lambda unit: shortfalls.shortfalls(unit, days))
    try:
        body = _Wanted(drafts=_drafts(ticks, form, now.shortfalls))
        write_once(request, key, body, lambda unit: _draft_all(unit, body), Orders)
    except ValidationError as error:
        faults = [RowFault("", "", fault.reason) for fault in faults_of(error.errors())]
        return _show(request, days, faults=faults, form=form)
    except ServiceError as error:
        faults = [RowFault("", "", fault.reason) for fault in error.faults]
        return _show(request, days, faults=faults or whole_form(error.detail), form=form)
    return RedirectResponse(f"/orders?{urlencode({'done': key})}", status_code=303)


def _wrong_quantities(ticks: Sequence[_Tick], form: FormData) -> list[RowFault]:
    found = []
    for tick in ticks:
        field = f"quantity-{tick.number}"
        try:
            _COUNT.validate_python(str(form.get(field, "")).strip())
        except ValidationError as error:
            reason = "; ".join(fault.reason for fault in faults_of(error.errors()))
            found.append(RowFault(field, f"{tick.ref}, {FIELD_LABELS['quantity']}", reason))
    return found


def _span(text: str) -> int:
    return int(text) if text in {str(span) for span in SPANS} else _USUAL


def _tick(text: str) -> _Tick:
    parts = text.split("\t")
    if len(parts) != len(_Tick.__dataclass_fields__):
        raise NotFound("This form is out of date: open the page again. Nothing was saved.")
    return _Tick(*parts)


def _drafts(ticks: Sequence[_Tick], form: FormData, now: Sequence[ShortfallOut]) -> list[Any]:
    """Write what was ticked as drafts; loans for different cases are kept apart."""
    drafts: dict[tuple[str, str], dict[str, Any]] = {}
    for tick in ticks:
        cases = _cases(tick.ref, now)
        wanted_for = ", ".join(dict.fromkeys(cases)) if tick.kind == "loan" else ""
        made = drafts.setdefault(
            (tick.kind, wanted_for),
            {"kind": tick.kind, "lines": [], "wanted_for": wanted_for[:_LONGEST_WHY]},
        )
        line = {
            "ref": tick.ref,
            "quantity": str(form.get(f"quantity-{tick.number}", "")).strip(),
            "why": [f"short for {name}, {day}"[:_LONGEST_WHY] for name, day in cases.items()],
        }
        made["lines"].append(line)
    return list(drafts.values())


def _cases(ref: str, now: Sequence[ShortfallOut]) -> Mapping[str, str]:
    """Give the cases that miss an item, with their days."""
    return {
        each.case: str(each.list_date)
        for one in now
        if any(item.ref == ref for item in one.items)
        for each in one.missing
    }


def _draft_all(unit: Unit, wanted: _Wanted) -> Orders:
    made = [order for body in wanted.drafts for order in draft(unit, body).orders]
    # Added to twice, an order is shown as it was left.
    return Orders(orders=list({order.reference: order for order in made}.values()))


def _show(
    request: Request,
    days: int,
    *,
    faults: Sequence[RowFault] = (),
    form: FormData | None = None,
    reckoned: Shortfalls | None = None,
    case: str = "",
) -> Response:
    work = work_of(request)
    found, asked = work.read(lambda unit: (shortfalls.shortfalls(unit, days), asked_for(unit)))
    groups = groups_of(found, case)
    typed = {} if form is None else {name: str(value) for name, value in form.items()}
    return page(
        request,
        "shortfalls.html",
        status=422 if faults else 200,
        found=found,
        groups=groups,
        calls=calls_of(groups),
        spans=[(f"/shortfalls?days={span}", f"{span} days", span == days) for span in SPANS],
        days=days,
        case=case,
        faults=faults,
        wrongs=wrongs(faults),
        typed=typed,
        ticked=set() if form is None else set(texts(form, "take")),
        asked=asked,
        reckoned=reckoned,
        gains={} if reckoned is None else {_name(one): one.gain for one in reckoned.shortfalls},
        name_of=_name,
        once=typed.get("once") or new_key(),
    )


def _name(one: ShortfallOut) -> tuple[str, ...]:
    return (one.label, *(item.ref for item in one.items))
