"""One par proposal: what it costs, how ready it makes, and every line to accept or not."""

from collections.abc import Callable, Mapping, Sequence
from typing import Annotated, Any
from urllib.parse import urlencode

from fastapi import APIRouter, Path, Query, Request
from pydantic import ValidationError
from starlette.responses import RedirectResponse, Response

from service.errors import BadInput, Conflict, FieldFault, NotFound, ServiceError
from service.operations import par
from service.operations.par import view
from service.operations.people.permissions import READ, SET_LEVELS, may, requires
from service.schemas.base import OptionalText
from service.schemas.faults import faults_of
from service.schemas.par import (
    CurveOut,
    DecisionsBody,
    ProposalAnswer,
    ProposalLinesOut,
    ReadinessOut,
    ViewedLine,
)
from web.forms import Filled, LongForm, answered_before, new_key, texts, write_once
from web.pictures.charts.cost_curve import PlottedPoint, cost_curve
from web.pictures.svg import Picture
from web.render import page, work_of

router = APIRouter()


Key = Annotated[int, Path(gt=0, le=10**9)]


#: Lines shown at once; each is a form of its own.
_AT_ONCE = 20


#: What can be shown of a proposal, and its name.
_PARTS = {
    "raise": "Raise",
    "lower": "Lower",
    "same": "As today",
    "decided": "Decided",
    "all": "All",
}


_PARTS_OF: dict[str, Callable[[ViewedLine], bool]] = {
    "raise": lambda one: one.decision == "open" and one.change > 0,
    "lower": lambda one: one.decision == "open" and one.change < 0,
    "same": lambda one: one.decision == "open" and one.change == 0,
    "decided": lambda one: one.decision != "open",
    "all": lambda _one: True,
}


#: What of the address is kept while lines are decided.
_KEPT = ("show", "kind", "system")


@router.get("/par/{key}")
@requires(READ)
def show_proposal(  # noqa: PLR0917 - FastAPI fills the parameters by name
    request: Request,
    key: Key,
    show: Annotated[OptionalText, Query()] = "",
    kind: Annotated[OptionalText, Query()] = "",
    system: Annotated[OptionalText, Query()] = "",
    start: Annotated[int, Query(ge=0, le=100_000)] = 0,
    sheet: Annotated[OptionalText, Query()] = "",
    done: Annotated[OptionalText, Query()] = "",
) -> Response:
    """Show a proposal: chance and cost in figures and as a curve, and its lines by family.

    ``sheet`` puts every line on one sheet, to print.
    """
    where = {"show": show, "kind": kind, "system": system}
    return _proposal(request, key, where, start=start, done=done, as_sheet=sheet == "yes")


@router.post("/par/{key}/line")
@requires(SET_LEVELS)
def decide_line(request: Request, key: Key, values: Filled) -> Response:
    """Accept one line, put another number, or refuse it."""
    one = {"ref": values.get("ref", ""), "decision": values.get("decision", "")}
    if one["decision"] == "changed":
        one["level"] = values.get("level", "")
    if values.get("why"):
        one["again" if values.get("settled") == "yes" else "why"] = values["why"]
    return _decide(request, key, values, [one])


@router.post("/par/{key}/lines")
@requires(SET_LEVELS)
def accept_ticked(request: Request, key: Key, form: LongForm) -> Response:
    """Accept every line that is ticked, all of them or none."""
    values = {name: str(form.get(name, "")) for name in (*_KEPT, "once")}
    ticked = [{"ref": ref, "decision": "accepted"} for ref in texts(form, "ref")]
    if not ticked:
        said = BadInput("No line is ticked. Nothing was saved.")
        return _proposal(request, key, values, error=said)
    return _decide(request, key, values, ticked)


def _decide(
    request: Request, key: int, values: Mapping[str, str], decisions: Sequence[Mapping[str, str]]
) -> Response:
    once = values.get("once", "")
    where = {name: values.get(name, "") for name in _KEPT}
    try:
        body = DecisionsBody.model_validate({"decisions": decisions})
        write_once(
            request, once, body, lambda unit: par.decide_lines(unit, key, body), ProposalLinesOut
        )
    except ValidationError as error:
        faults = [_of_line(fault, decisions) for fault in faults_of(error.errors())]
        said: ServiceError = BadInput("Nothing was saved.", faults=faults)
        return _proposal(request, key, where, error=said)
    except NotFound:
        raise
    except ServiceError as error:
        return _proposal(request, key, where, error=error)
    to = urlencode({**{name: value for name, value in where.items() if value}, "done": once})
    return RedirectResponse(f"/par/{key}?{to}#said", status_code=303)


def _of_line(fault: FieldFault, decisions: Sequence[Mapping[str, str]]) -> FieldFault:
    """Name the line a fault is in instead of its number in what was sent."""
    parts = fault.pointer.split("/")
    number = next((int(part) for part in parts if part.isdigit()), 0)
    name = {"again": "why it is decided again"}.get(parts[-1], parts[-1])
    return FieldFault("", f"{decisions[number]['ref']}, {name}: {fault.reason}")


def _proposal(
    request: Request,
    key: int,
    where: Mapping[str, str],
    *,
    start: int = 0,
    done: str = "",
    as_sheet: bool = False,
    error: ServiceError | None = None,
) -> Response:
    work = work_of(request)
    found = work.read(lambda unit: view.view_proposal(unit, key))
    parts = {name: [one for one in found.lines if _PARTS_OF[name](one)] for name in _PARTS}
    show = where["show"] if where["show"] in _PARTS else _first(parts, whole=bool(where["kind"]))
    lines = [one for one in parts["all" if as_sheet else show] if _in_family(one, where)]
    at_once = len(lines) if as_sheet else _AT_ONCE
    answer = found.proposal.answer
    links = _links(key, where, show, parts)
    following = _first(parts, whole=False)
    return page(
        request,
        "par_proposal.html",
        status=200 if error is None else 409 if isinstance(error, Conflict) else 422,
        view=found,
        proposal=found.proposal,
        answer=answer,
        picture=_curve(answer),
        parts_of_it=links,
        next_part=links[list(_PARTS).index(following)],
        show=show,
        kept={**where, "show": show},
        lines=lines[start : start + at_once],
        more=_address(key, {**where, "show": show, "start": start + at_once})
        if start + at_once < len(lines)
        else "",
        first=_address(key, {**where, "show": show}) if start else "",
        count=len(lines),
        start=start,
        as_sheet=as_sheet,
        error=error,
        done=answered_before(request, done, ProposalLinesOut),
        once=new_key(),
        can_decide=may(work.caller.roles, SET_LEVELS),
    )


def _first(parts: Mapping[str, Sequence[ViewedLine]], *, whole: bool) -> str:
    """Return the part to begin with: what to raise, then what to lower; of a family, all of it."""
    if whole:
        return "all"
    return next((name for name in ("raise", "lower", "same") if parts[name]), "decided")


def _in_family(line: ViewedLine, where: Mapping[str, str]) -> bool:
    kind = where["kind"]
    return not kind or (line.kind == kind and (line.system or "") == where["system"])


def _links(
    key: int, where: Mapping[str, str], shown: str, parts: Mapping[str, Sequence[ViewedLine]]
) -> list[tuple[str, str, bool]]:
    found = []
    for name, lines in parts.items():
        count = sum(1 for one in lines if _in_family(one, where))
        address = _address(key, {**where, "show": name})
        found.append((f"{address}#lines", f"{_PARTS[name]}: {count}", name == shown))
    return found


def _address(key: int, facts: Mapping[str, Any]) -> str:
    return f"/par/{key}?{urlencode({name: value for name, value in facts.items() if value})}"


def _curve(answer: ProposalAnswer) -> Picture:
    return cost_curve(
        [_curve_step(one, answer.currency) for one in answer.curve],
        today=_point(answer.today, answer.currency),
        proposal=_point(answer.proposed, answer.currency),
        currency=answer.currency,
        prefix="curve",
        title="Chance fully stocked, by cost",
    )


def _curve_step(one: CurveOut, currency: str) -> PlottedPoint:
    added = one.item.split("|", maxsplit=1)[0]
    cost = view.whole_units(one.cost_minor, currency)
    return PlottedPoint(cost, one.readiness, f"one more {added}" if added else "")


def _point(one: ReadinessOut, currency: str) -> PlottedPoint:
    return PlottedPoint(view.whole_units(one.cost_minor, currency), one.value)
