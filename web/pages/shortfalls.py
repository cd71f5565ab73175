"""Shortfalls: what is missing for coming lists, until when it can be got, and drafts made of it."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Annotated, Any
from urllib.parse import urlencode

from fastapi import APIRouter, Query, Request
from pydantic import BaseModel, TypeAdapter, ValidationError
from starlette.datastructures import FormData
from starlette.responses import RedirectResponse, Response

from service.errors import NotFound, ServiceError
from service.operations.long_work import Report
from service.operations.orders.board import unsent_units
from service.operations.orders.draft import draft_orders
from service.operations.people.permissions import ORDER, READ, requires
from service.operations.shortfalls import shortfalls
from service.operations.work import Unit
from service.schemas.base import Count, OptionalText
from service.schemas.faults import faults_of
from service.schemas.orders import DraftBody, Orders
from service.schemas.shortfalls import ItemShortOut, ShortfallOut, Shortfalls, WayOut
from web.forms import FormFault, LongForm, faults_by_field, new_key, texts, whole_form, write_once
from web.labels import FIELD_LABELS
from web.pages.imports import job_of, job_queue_of
from web.render import page, work_of

router = APIRouter()


#: Days of lists ahead that can be chosen.
SPANS = (7, 14, 28)


_USUAL = 14


_LONGEST_WHY = 500


_COUNT: TypeAdapter[int] = TypeAdapter(Count)


class _DraftRequest(BaseModel):
    """Every draft that one form asks for."""

    drafts: list[DraftBody]


@dataclass(frozen=True, slots=True)
class _TickedOption:
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
        stage = f"Runs of the lists of {days} days"
        return work.read(
            lambda unit: shortfalls.shortfalls(
                unit, days, with_gains=True, tell=lambda done, total: report(stage, done, total)
            )
        )

    title = "What to get first"
    owner = work.caller.person_id
    job = job_queue_of(request).start(owner, title, "/shortfalls", run, days=days)
    return RedirectResponse(f"/progress/{job.token}", status_code=303)


@router.post("/shortfalls/drafts")
@requires(ORDER)
def make_drafts(request: Request, form: LongForm) -> Response:
    """Put what was ticked on drafts, one a supplier; a loan has one of its own for its cases."""
    days, key = _span(str(form.get("days", ""))), str(form.get("once", ""))
    ticks = [_tick(text) for text in texts(form, "take")]
    faults = _wrong_quantities(ticks, form)
    if not ticks:
        faults = whole_form("tick at least one order or loan")
    if faults:
        return _show(request, days, faults=faults, form=form)
    now = work_of(request).read(lambda unit: shortfalls.shortfalls(unit, days))
    try:
        body = _DraftRequest(drafts=_drafts(ticks, form, now.shortfalls))
        write_once(request, key, body, lambda unit: _draft_all(unit, body), Orders)
    except ValidationError as error:
        faults = [FormFault("", "", fault.reason) for fault in faults_of(error.errors())]
        return _show(request, days, faults=faults, form=form)
    except ServiceError as error:
        faults = [FormFault("", "", fault.reason) for fault in error.faults]
        return _show(request, days, faults=faults or whole_form(error.detail), form=form)
    return RedirectResponse(f"/orders?{urlencode({'done': key})}", status_code=303)


def _wrong_quantities(ticks: Sequence[_TickedOption], form: FormData) -> list[FormFault]:
    found = []
    for tick in ticks:
        field = f"quantity-{tick.number}"
        try:
            _COUNT.validate_python(str(form.get(field, "")).strip())
        except ValidationError as error:
            reason = "; ".join(fault.reason for fault in faults_of(error.errors()))
            found.append(FormFault(field, f"{tick.ref}, {FIELD_LABELS['quantity']}", reason))
    return found


def _span(text: str) -> int:
    return int(text) if text in {str(span) for span in SPANS} else _USUAL


def _tick(text: str) -> _TickedOption:
    parts = text.split("\t")
    if len(parts) != len(_TickedOption.__dataclass_fields__):
        raise NotFound("This form is out of date: open the page again. Nothing was saved.")
    return _TickedOption(*parts)


def _drafts(
    ticks: Sequence[_TickedOption], form: FormData, now: Sequence[ShortfallOut]
) -> list[Any]:
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
    """Return the cases that miss an item, with their days."""
    return {
        each.case: str(each.list_date)
        for one in now
        if any(item.ref == ref for item in one.items)
        for each in one.missing
    }


def _draft_all(unit: Unit, wanted: _DraftRequest) -> Orders:
    made = [order for body in wanted.drafts for order in draft_orders(unit, body).orders]
    # Added to twice, an order is shown as it was left.
    return Orders(orders=list({order.reference: order for order in made}.values()))


def _show(
    request: Request,
    days: int,
    *,
    faults: Sequence[FormFault] = (),
    form: FormData | None = None,
    reckoned: Shortfalls | None = None,
    case: str = "",
) -> Response:
    work = work_of(request)
    found, asked = work.read(lambda unit: (shortfalls.shortfalls(unit, days), unsent_units(unit)))
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
        wrongs=faults_by_field(faults),
        typed=typed,
        ticked=set() if form is None else set(texts(form, "take")),
        asked=asked,
        reckoned=reckoned,
        first=[] if reckoned is None else _to_get_first(groups, reckoned),
        once=typed.get("once") or new_key(),
    )


#: What a way that a supplier carries out is as an order.
ORDER_KINDS = {"order": "purchase", "loan": "loan", "call_off": "call_off"}


_WEEK = timedelta(days=7)


#: Key, heading, and what to do there; what nobody can send for any more leads.
_GROUPS = (
    ("late", "Cannot arrive in time", "Ask the surgeon or move the case."),
    ("today", "Last chance today", "A deadline is today."),
    ("unknown", "Deadline not known", "Ask the supplier today."),
    ("week", "This week", "A deadline is within seven days."),
    ("later", "Later", "No deadline within seven days."),
)


#: Ways of which nothing is ordered: the units are here.
_HERE = frozenset({"reprocess", "release", "transfer_store"})


@dataclass(frozen=True, slots=True)
class ShownOption:
    """A way with its name in the form.

    Parameters
    ----------
    key
        Names its row in the form.
    kind
        What it is as an order; empty when it is none.
    is_open
        Whether it still helps a case; ``None`` when that is not known.
    """

    key: str
    kind: str
    way: WayOut
    is_open: bool | None

    @property
    def is_gone(self) -> bool:
        """Whether it helps no case any more."""
        return self.is_open is False


@dataclass(frozen=True, slots=True)
class ShownShortfall:
    """A shortfall with its ways, the one that closes first standing first.

    Parameters
    ----------
    number
        Names it on the page.
    closes
        The first moment at which something can be missed; ``None`` when none is known.
    """

    number: int
    one: ShortfallOut
    ways: list[ShownOption]
    closes: datetime | None
    group: str

    @property
    def best(self) -> list[ShownOption]:
        """The ways to try first: of what is here and of what is sent for, the first to close."""
        left = [each for each in self.ways if not each.is_gone]
        here = [each for each in left if each.way.way in _HERE]
        sent = [each for each in left if each.way.way not in _HERE]
        return [*here[:1], *sent[:1]]

    @property
    def others(self) -> list[ShownOption]:
        """The further ways that still help."""
        best = {each.key for each in self.best}
        return [each for each in self.ways if not each.is_gone and each.key not in best]

    @property
    def gone(self) -> list[ShownOption]:
        """The ways that help no case any more."""
        return [each for each in self.ways if each.is_gone]

    @property
    def counted_at(self) -> str:
        """The key of the way beside which how many is asked: the first that can be ordered."""
        shown = [*self.best, *self.others, *self.gone]
        return next((each.key for each in shown if each.kind), "")

    @property
    def reasons(self) -> list[str]:
        """Why it is missing, each reason once; what is missing stands in the heading."""
        found = [each.sentence.removeprefix(f"{each.label}: ") for each in self.one.missing]
        return list(dict.fromkeys(f"{one[:1].upper()}{one[1:]}" for one in found))


@dataclass(frozen=True, slots=True)
class UrgencyGroup:
    """Shortfalls with the same urgency."""

    key: str
    heading: str
    says: str
    shorts: list[ShownShortfall]


@dataclass(frozen=True, slots=True)
class SupplierCall:
    """What one supplier is telephoned about, on paper."""

    who: str
    lines: list[tuple[ShownShortfall, WayOut, ItemShortOut]]


def groups_of(found: Shortfalls, case: str = "") -> list[UrgencyGroup]:
    """Return the shortfalls by urgency, of every case or of one; what needs doing first leads."""
    shorts = [_short(number, one, found) for number, one in enumerate(found.shortfalls, 1)]
    if case:
        shorts = [one for one in shorts if any(each.case == case for each in one.one.missing)]
    groups = []
    for key, heading, says in _GROUPS:
        inside = [one for one in shorts if one.group == key]
        inside.sort(key=lambda one: (one.closes or one.one.needed_at, one.number))
        if inside:
            groups.append(UrgencyGroup(key, heading, says, inside))
    return groups


def _short(number: int, one: ShortfallOut, found: Shortfalls) -> ShownShortfall:
    ways = [
        ShownOption(f"{number}-{place}", ORDER_KINDS.get(way.way, ""), way, _is_open(way))
        for place, way in enumerate(one.ways)
    ]
    ways.sort(key=_closing)
    moments = [each.way.last_moment for each in ways if each.is_open and each.way.last_moment]
    # A moment that has passed for the first list may still help a later one: it closes now.
    closes = max(min(moments), found.checked_at) if moments else None
    return ShownShortfall(number, one, ways, closes, _group(ways, closes, found.checked_at))


def _closing(each: ShownOption) -> tuple[bool, bool, float]:
    """Order ways: open ones by their moment, then what is not known, then what has passed."""
    moment = each.way.last_moment
    return each.is_gone, moment is None, 0.0 if moment is None else moment.timestamp()


def _is_open(way: WayOut) -> bool | None:
    if way.has_passed is None:
        return None
    return not way.has_passed or bool(way.in_time_for)


def _group(ways: Sequence[ShownOption], closes: datetime | None, now: datetime) -> str:
    if closes is None:
        return "unknown" if any(each.is_open is None for each in ways) else "late"
    if closes.date() <= now.date():
        return "today"
    return "week" if closes - now <= _WEEK else "later"


def calls_of(groups: Sequence[UrgencyGroup]) -> list[SupplierCall]:
    """Return what could be ordered or borrowed, by supplier: a sheet for the telephone."""
    calls: dict[str, SupplierCall] = {}
    for group in groups:
        for short in group.shorts:
            items = {item.ref: item for item in short.one.items}
            for each in short.ways:
                if each.kind and each.way.ref in items:
                    call = calls.setdefault(each.way.source, SupplierCall(each.way.source, []))
                    call.lines.append((short, each.way, items[each.way.ref]))
    return sorted(calls.values(), key=lambda call: call.who)


#: Shortfalls named as those to get first.
_FIRST = 5


def _to_get_first(
    groups: Sequence[UrgencyGroup], reckoned: Shortfalls
) -> list[tuple[ShownShortfall, float]]:
    """Return the shortfalls that can still be got of which one more saves most cases."""
    gains = {_name(one): one.gain for one in reckoned.shortfalls}
    found = [
        (short, gain)
        for group in groups
        for short in group.shorts
        if short.group != "late" and (gain := gains.get(_name(short.one))) is not None
    ]
    return sorted(found, key=lambda one: -one[1])[:_FIRST]


def _name(one: ShortfallOut) -> tuple[str, ...]:
    return (one.label, *(item.ref for item in one.items))
