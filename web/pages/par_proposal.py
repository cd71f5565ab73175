"""One par proposal: what it costs, how ready it makes, and every line to accept or not."""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Annotated, Any
from urllib.parse import urlencode

from fastapi import APIRouter, Path, Query, Request
from pydantic import ValidationError
from starlette.responses import RedirectResponse, Response

from service.core.readiness.words import in_hundred
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
    ProposalView,
    ReadinessOut,
    ViewedLine,
)
from web.forms import Filled, LongForm, answered_before, new_key, texts, write_once
from web.labels import item_name
from web.pictures.charts.cost_curve import PlottedPoint, cost_curve
from web.pictures.svg import Picture
from web.render import page, work_of

router = APIRouter()


Key = Annotated[int, Path(gt=0, le=10**9)]


#: Lines shown at once; each is a form of its own.
_AT_ONCE = 40


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
    done: Annotated[OptionalText, Query()] = "",
) -> Response:
    """Show a proposal: readiness and cost in words and as a curve, and its lines by family."""
    where = {"show": show, "kind": kind, "system": system}
    return _proposal(request, key, where, start=start, done=done)


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
    error: ServiceError | None = None,
) -> Response:
    work = work_of(request)
    found = work.read(lambda unit: view.view_proposal(unit, key))
    parts = {name: [one for one in found.lines if _PARTS_OF[name](one)] for name in _PARTS}
    show = where["show"] if where["show"] in _PARTS else _first(parts, whole=bool(where["kind"]))
    lines = [one for one in parts[show] if _in_family(one, where)]
    at_once = len(lines) if show == "all" and not where["kind"] else _AT_ONCE
    answer = found.proposal.answer
    return page(
        request,
        "par_proposal.html",
        status=200 if error is None else 409 if isinstance(error, Conflict) else 422,
        view=found,
        proposal=found.proposal,
        answer=answer,
        picture=_curve(answer),
        words=sentences_of(found, view.money),
        parts_of_it=_links(key, where, show, parts),
        show=show,
        kept={**where, "show": show},
        lines=lines[start : start + at_once],
        more=_address(key, {**where, "show": show, "start": start + at_once})
        if start + at_once < len(lines)
        else "",
        first=_address(key, {**where, "show": show}) if start else "",
        count=len(lines),
        as_sheet=show == "all" and not where["kind"],
        item_name=item_name,
        money=view.money,
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
        title="What readiness costs",
    )


def _curve_step(one: CurveOut, currency: str) -> PlottedPoint:
    added = one.item.split("|", maxsplit=1)[0]
    cost = view.whole_units(one.cost_minor, currency)
    return PlottedPoint(cost, one.readiness, f"one more {added}" if added else "")


def _point(one: ReadinessOut, currency: str) -> PlottedPoint:
    return PlottedPoint(view.whole_units(one.cost_minor, currency), one.value)


#: Less than one in ten thousand is said as that.
_LEAST = 0.0001


#: A change of readiness below this is none.
_SAME = 0.0005


#: Units short on average that round to nothing worth saying.
_NEVER_SHORT = 0.0005


@dataclass(frozen=True, slots=True)
class ProposalWords:
    """What a proposal says first, and what it rests on.

    Parameters
    ----------
    change
        Readiness and cost, today and proposed.
    rests_on
        Where the figures come from.
    why
        Why each line is as it is, by reference.
    """

    change: Sequence[str]
    rests_on: str
    why: dict[str, str]


def sentences_of(view: ProposalView, money: Callable[[float, str], str]) -> ProposalWords:
    """Put a proposal in words."""
    answer = view.proposal.answer
    worth = [money(one.cost_minor, answer.currency) for one in (answer.today, answer.proposed)]
    change = [
        f"Today: {_ready(answer.today)}, for {worth[0]} of stock.",
        f"Proposed: {_ready(answer.proposed)}, for {worth[1]}.",
        _difference(view, money),
    ]
    rests_on = (
        f"{answer.arrivals_per_day * 365.25:.0f} cases a year ({answer.arrivals_from}), and the "
        f"{answer.plans} plans that stand for them. No level can make the shelf readier than "
        f"{in_hundred(answer.reachable, tenths=True)} in 100."
    )
    return ProposalWords(change, rests_on, {line.ref: why_of(line) for line in view.lines})


def _ready(one: ReadinessOut) -> str:
    value, low, high, first = (
        in_hundred(probability, tenths=True)
        for probability in (one.value, one.lower, one.upper, one.first_choice)
    )
    said = f"the next case can be completed in {value} in 100"
    if low != high:
        said += f" (between {low} and {high}, as far as the number of cases is known)"
    return f"{said}, from its first choice in {first} in 100"


def _difference(view: ProposalView, money: Callable[[float, str], str]) -> str:
    answer = view.proposal.answer
    gain = answer.proposed.value - answer.today.value
    cost = answer.proposed.cost_minor - answer.today.cost_minor
    if abs(gain) < _SAME:
        ready = "Readiness stays as it is"
    else:
        ready = f"Readiness {'rises' if gain > 0 else 'falls'} by {abs(100 * gain):.1f} in 100"
    amount = money(abs(cost), answer.currency)
    spent = f"{amount} {'more' if cost > 0 else 'less'} stands on the shelf" if cost else ""
    return f"{ready}{f', and {spent}' if spent else ''}."


def why_of(line: ViewedLine) -> str:
    """Say in sentences why a line proposes its level."""
    said = [_use(line), _coming(line), *_step_words(line), *_short(line), *_takers(line)]
    return " ".join(said)


def _use(line: ViewedLine) -> str:
    why = line.why
    said = f"The cases to come take about {why.expected_per_year:.1f} a year"
    if why.per_year is None:
        return f"{said}; what is used is not on record."
    used = why.per_year
    return (
        f"{said}; used were {used.mean:.1f} a year, and with 95 in 100 it is between "
        f"{used.lower:.1f} and {used.upper:.1f}."
    )


def _coming(line: ViewedLine) -> str:
    days = line.why.lead_time_days
    price = "" if line.why.minimum == 0 else f" First choices keep at least {line.why.minimum}."
    return f"A new one takes {days} {'day' if days == 1 else 'days'} to come.{price}"


def _step_words(line: ViewedLine) -> list[str]:
    if not line.change:
        return []
    count = f"{abs(line.change)} {'more' if line.change > 0 else 'fewer'}"
    gain = line.why.readiness_added
    if abs(gain) < _LEAST:
        return [f"With {count}, readiness changes by less than 0.01 in 100."]
    up_or_down = "gains" if gain > 0 else "loses"
    return [f"With {count}, readiness {up_or_down} {abs(100 * gain):.2f} in 100."]


def _short(line: ViewedLine) -> list[str]:
    today, then = line.why.expected_short_today, line.why.expected_short_proposed
    if max(today, then) < _NEVER_SHORT:
        return ["On average hardly any unit is short, today or then."]
    return [f"Short on average: {_units(today)} today, {_units(then)} then."]


def _units(value: float) -> str:
    return "none" if value < _NEVER_SHORT else f"{value:.3f}".rstrip("0").rstrip(".")


def _takers(line: ViewedLine) -> list[str]:
    said = []
    if line.why.constructs and not any(one.first_choice for one in line.why.constructs):
        said.append("Only alternates take it.")
    if line.why.stands_with:
        said.append(f"It stands for the same need as {', '.join(line.why.stands_with)}.")
    return said
