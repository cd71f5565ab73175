"""A case: what is known, what is planned, what is missing, and who has confirmed it."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta

from fastapi import APIRouter, Request
from pydantic import ValidationError
from starlette.responses import RedirectResponse, Response

from service.core.constructs.planned import read_planned
from service.core.fractures.classification import CODES
from service.core.fractures.guidance import AS_PLANNED
from service.errors import FieldFault, ServiceError, Stale
from service.operations.cases import lookup
from service.operations.cases.lookup import EventOut, events_of, last_change_of
from service.operations.people.permissions import CONFIRM, KEEP_CASES, PLAN, READ, may, requires
from service.operations.planning import case_changes
from service.operations.planning.confirm import confirm_plan_backups
from service.operations.planning.what_if import view_case, what_if_case
from service.operations.site import site_facts
from service.operations.trays.trays import tray_of
from service.operations.work import Unit
from service.schemas.base import Day
from service.schemas.cases import (
    CaseBody,
    CaseFields,
    CaseOut,
    FindingsBody,
    ListOut,
    MeasurementsBody,
)
from service.schemas.cover import CaseCheckOut, ConstructCheckOut, PickRowOut
from service.schemas.faults import faults_of
from service.schemas.planning import SuggestedAlternate
from service.schemas.trays import TrayOut
from service.schemas.what_if import CaseView, CaseWhatIfBody
from web.forms import Filled, version_of, whole
from web.labels import FIELD_LABELS, plain
from web.pictures.charts.readiness import ReadinessRow, readiness_bars
from web.pictures.femur.from_plan import ConstructPicture, construct_pictures
from web.pictures.svg import Picture
from web.render import page, work_of

router = APIRouter()


#: What a form says of a case beside its fracture.
_LIST_FIELDS = ("list_date", "theatre", "starts", "ends", "twice", "position")


@router.get("/cases/new")
@requires(KEEP_CASES)
def new_case(request: Request, day: Day | None = None) -> Response:
    """Show the form of a new case, filled in as far as its day foretells."""
    work = work_of(request)
    chosen = day or work.read(site_facts).today
    lists = work.read(lambda unit: lookup.list_days(unit, chosen, chosen)).lists
    return _form(request, new_values(lists, chosen), None)


@router.post("/cases/new")
@requires(KEEP_CASES)
def add_case(request: Request, values: Filled) -> Response:
    """Add the case a form describes."""
    return _save(request, values, reference=None)


@router.get("/cases/{reference}")
@requires(READ)
def show_case(request: Request, reference: str, done: str = "") -> Response:
    """Show a case: first what matters, then what it rests on."""
    return _case(request, work_of(request).read(lambda unit: _read(unit, reference)), done=done)


@router.post("/cases/{reference}/what-if")
@requires(READ)
def try_case(request: Request, reference: str, values: Filled) -> Response:
    """Show the case with one more unit, or measured otherwise; nothing is saved."""
    work = work_of(request)
    faults: list[FieldFault] = []
    try:
        body = CaseWhatIfBody.model_validate(_asked(values))
        read = work.rehearse(lambda unit: _read(unit, reference, body))
        return _case(request, read, tried=_in_words(values))
    except ValidationError as error:
        faults = faults_of(error.errors())
    except ServiceError as error:
        faults = [*error.faults] or [FieldFault("", error.detail)]
    read = work.read(lambda unit: _read(unit, reference))
    return _case(request, read, status=422, faults=faults, values=values)


def _asked(values: dict[str, str]) -> dict[str, object]:
    names = ("neck_film_mm", "canal_film_mm", "nail_length_mm")
    facts: dict[str, object] = {name: values[name] for name in names if values.get(name)}
    if values.get("ref"):
        facts["add_units"] = [{"ref": values["ref"], "quantity": values.get("quantity") or "1"}]
    return facts


def _in_words(values: dict[str, str]) -> str:
    said = []
    if values.get("ref"):
        said.append(f"{values.get('quantity') or '1'} more of {values['ref']}")
    for name, words in (
        ("neck_film_mm", "the lag screw path {} mm on the film"),
        ("canal_film_mm", "the canal {} mm on the film"),
        ("nail_length_mm", "a long nail of {} mm"),
    ):
        if values.get(name):
            said.append(words.format(values[name]))
    return " and ".join(said)


@dataclass(frozen=True, slots=True)
class _Read:
    """What the page of a case is made of."""

    view: CaseView
    tray: TrayOut
    events: Sequence[EventOut]


def _read(unit: Unit, reference: str, body: CaseWhatIfBody | None = None) -> _Read:
    """Read a case, its tray and what has happened to it, before anything is tried."""
    tray, events = tray_of(unit, reference), events_of(unit, reference)
    if body is not None:
        return _Read(what_if_case(unit, reference, body), tray, events)
    return _Read(view_case(unit, reference), tray, events)


def _case(
    request: Request,
    read: _Read,
    *,
    tried: str = "",
    done: str = "",
    status: int = 200,
    faults: list[FieldFault] | None = None,
    values: dict[str, str] | None = None,
) -> Response:
    return page(
        request,
        "case.html",
        status=status,
        **case_facts(read.view),
        tray=read.tray,
        events=read.events,
        tried=tried,
        done=done,
        faults=faults or (),
        values=values or {},
    )


@router.post("/cases/{reference}/confirm")
@requires(CONFIRM)
def confirm_backups(request: Request, reference: str, values: Filled) -> Response:
    """Confirm the backups of the plan revision that the page showed."""
    revision, version = whole(values, "plan_revision"), version_of(values)
    work_of(request).write(lambda unit: confirm_plan_backups(unit, reference, revision, version))
    return RedirectResponse(f"/cases/{reference}?done=confirmed", status_code=303)


@router.get("/cases/{reference}/edit")
@requires(KEEP_CASES)
def edit_case(request: Request, reference: str) -> Response:
    """Show the form of a case."""
    case = work_of(request).read(lambda unit: lookup.get_case(unit, reference))
    return _form(request, values_of(case), reference)


@router.post("/cases/{reference}/edit")
@requires(KEEP_CASES)
def change_case(request: Request, reference: str, values: Filled) -> Response:
    """Change the case as a form describes it."""
    return _save(request, values, reference=reference)


@router.post("/cases/{reference}/cancel")
@requires(KEEP_CASES)
def cancel_case(request: Request, reference: str, values: Filled) -> Response:
    """Take a case off its list."""
    version = version_of(values)
    work_of(request).write(lambda unit: case_changes.cancel_case(unit, reference, version))
    return RedirectResponse(f"/cases/{reference}", status_code=303)


def _save(request: Request, values: dict[str, str], reference: str | None) -> Response:
    try:
        target = _write(request, values, reference)
    except Stale:
        return _stale(request, values, reference or "")
    except ValidationError as error:
        faults = faults_of(error.errors())
    except ServiceError as error:
        faults = [*error.faults] or [FieldFault("", error.detail)]
    else:
        # Who may not plan has done what there was to do.
        plans = may(request.state.caller.roles, PLAN)
        next_page = "/plan" if plans and reference is None else ""
        return RedirectResponse(f"/cases/{target}{next_page}?done=case", status_code=303)
    return _form(request, values, reference, status=422, faults=faults)


def _write(request: Request, values: dict[str, str], reference: str | None) -> str:
    work = work_of(request)
    facts = fracture_facts(values)
    facts |= {name: values[name] for name in _LIST_FIELDS if values.get(name, "") != ""}
    if reference is None:
        body = CaseBody.model_validate(facts | {"reference": values.get("reference", "")})
        return work.write(lambda unit: case_changes.add_case(unit, body)).reference
    fields, version = CaseFields.model_validate(facts), version_of(values)
    return work.write(
        lambda unit: case_changes.change_case(unit, reference, fields, version)
    ).reference


def _stale(request: Request, values: dict[str, str], reference: str) -> Response:
    """Show what somebody else has changed meanwhile beside what was typed; saving again is safe."""
    work = work_of(request)
    case = work.read(lambda unit: lookup.get_case(unit, reference))
    return _form(
        request,
        values | {"version": str(case.version)},
        reference,
        status=412,
        changed=work.read(lambda unit: last_change_of(unit, reference)),
        differs=differences(values, case, (*_LIST_FIELDS, *FRACTURE_FIELDS)),
    )


def _form(
    request: Request,
    values: dict[str, str],
    reference: str | None,
    *,
    status: int = 200,
    **more: object,
) -> Response:
    more.setdefault("faults", ())
    return page(
        request,
        "case_form.html",
        status=status,
        values=values,
        reference=reference,
        class_choices=CLASS_CHOICES,
        **more,
    )


@dataclass(frozen=True, slots=True)
class MissingUnits:
    """One thing that is missing; ``refs`` are the catalogue lines that would mend it."""

    sentence: str
    count: int
    refs: Sequence[str]


@dataclass(frozen=True, slots=True)
class ShownConstruct:
    """One construct of the plan: its cover, its picture, why it stands by, how likely it can be."""

    check: ConstructCheckOut
    picture: ConstructPicture | None
    why: SuggestedAlternate | None
    answers: Sequence[str]
    coverage: float | None


def case_facts(view: CaseView) -> dict[str, object]:
    """Return what the template of a case is filled with."""
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
        "cautions": view.suggested,
        "bars": _bars(view),
        "shared": _shared(check.pick_list) if check else [],
        "packs": packs_to_pick(check) if check else 0,
    }


def to_pick(check: CaseCheckOut) -> list[PickRowOut]:
    """Return what has still to be picked: what is not on the tray, and not left on its shelf."""
    return [row for row in check.pick_list if row.place != "on its shelf" and not row.on_tray]


def packs_to_pick(check: CaseCheckOut) -> int:
    """Count the packs that have still to be picked, as every page says it."""
    return sum(row.quantity for row in to_pick(check))


def missing_of(check: CaseCheckOut) -> list[MissingUnits]:
    """Return everything that is missing once, with what would mend it."""
    found: dict[str, MissingUnits] = {}
    lines = [line for one in check.constructs for line in one.lines] + check.near
    for line in lines:
        if line.gap is not None:
            one = MissingUnits(line.gap.sentence, line.gap.missing, line.refs)
            found.setdefault(line.gap.sentence, one)
    return list(found.values())


def _shown(view: CaseView) -> list[ShownConstruct]:
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
        ShownConstruct(
            one,
            drawn.get(one.planned),
            reasons.get(_codes(one.planned)) if one.role == "alternate" else None,
            _answers(view, one.planned),
            likely.get(one.planned),
        )
        for one in view.check.constructs
    ]


def _refused(view: CaseView) -> list[tuple[str, str]]:
    """Return the name of each alternate that is not wanted, and why."""
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
    """Return what a construct is made of, whatever its system: so a reason is found again."""
    return frozenset(part.template for part in read_planned(planned).parts)


def _bars(view: CaseView) -> Picture | None:
    if view.readiness is None:
        return None
    told = view.readiness
    row = ReadinessRow(told.case, told.readiness.value, told.readiness.standard_error)
    return readiness_bars(
        [row], prefix="likely", title=f"Chance of having everything for {told.case}"
    )


def _shared(rows: Sequence[PickRowOut]) -> list[str]:
    return [
        f"{row.label}, lot {row.lot or row.serial}: {' and '.join(row.shared_with)} counts on the "
        "same unopened pack. Whoever opens it first leaves the other without."
        for row in rows
        if row.shared_with
    ]


FINDINGS = tuple(FindingsBody.model_fields)


MEASUREMENTS = tuple(MeasurementsBody.model_fields)


#: What a form says of the fracture, beside which list the case is on.
FRACTURE_FIELDS = ("side", "sex", "fracture_class", *FINDINGS, *MEASUREMENTS)


#: Every class with the year of its classification, the newest first: value and words.
CLASS_CHOICES = tuple(
    (year, tuple((f"{code} {year}", f"{code} ({year})") for code in CODES[year]))
    for year in sorted(CODES, reverse=True)
)


#: How long a case is taken to last until somebody says otherwise: common practice, no source.
USUAL_LENGTH = timedelta(minutes=90)


@dataclass(frozen=True, slots=True)
class Difference:
    """A field that is stored otherwise than it was typed."""

    label: str
    stored: str
    typed: str


def values_of(case: CaseOut) -> dict[str, str]:
    """Return a case as the text of a form's fields; what is not known is empty."""
    known = case.model_dump(exclude={"findings", "measurements", "plan", "fracture_class"})
    known |= case.findings.model_dump() | case.measurements.model_dump()
    known |= {"starts": f"{case.starts_at:%H:%M}", "ends": f"{case.ends_at:%H:%M}"}
    known["twice"] = case.twice or ""
    known["fracture_class"] = (
        f"{case.fracture_class} {case.class_year}" if case.fracture_class else ""
    )
    return {name: _text(value) for name, value in known.items()}


def _text(value: object) -> str:
    if value is None:
        return ""
    return f"{value:g}" if isinstance(value, float) else str(value)


def fracture_facts(values: Mapping[str, str]) -> dict[str, object]:
    """Read what a form says of the fracture, as the body of a case has it; empty is unknown."""
    given = {name: values[name] for name in FRACTURE_FIELDS if values.get(name, "") != ""}
    facts: dict[str, object] = {name: given[name] for name in ("side", "sex") if name in given}
    if "fracture_class" in given:
        code, _, year = given["fracture_class"].rpartition(" ")
        facts |= {"fracture_class": code, "class_year": year}
    facts["findings"] = {name: given[name] for name in FINDINGS if name in given}
    facts["measurements"] = {name: given[name] for name in MEASUREMENTS if name in given}
    return facts


def differences(typed: Mapping[str, str], case: CaseOut, names: Sequence[str]) -> list[Difference]:
    """Return the fields whose stored value is not what was typed, in the order of the form."""
    stored = values_of(case)
    return [
        Difference(FIELD_LABELS.get(name, plain(name)), _said(stored.get(name)), _said(value))
        for name in names
        if (value := typed.get(name)) is not None and not _alike(value, stored.get(name, ""))
    ]


def _said(value: str | None) -> str:
    return plain(value) if value else "nothing"


def _alike(typed: str, stored: str) -> bool:
    if typed.strip() == stored:
        return True
    try:
        return float(typed) == float(stored)
    except ValueError:
        return False


def new_values(lists: Sequence[ListOut], day: date) -> dict[str, str]:
    """Fill the form of a new case as far as its day foretells: after the last case of a theatre."""
    values = {"list_date": str(day), "position": "1"}
    known = [one for one in lists if one.cases]
    if not known:
        return values | {"theatre": lists[0].theatre if lists else ""}
    last = max(
        (case for one in known for case in one.cases), key=lambda case: (case.ends_at, case.theatre)
    )
    ends = last.ends_at + USUAL_LENGTH
    values |= {
        "theatre": last.theatre,
        "position": str(1 + max(case.position for case in _of(known, last.theatre))),
    }
    if ends.date() == last.ends_at.date():
        values |= {"starts": _clock(last.ends_at), "ends": _clock(ends)}
    return values


def _of(lists: Sequence[ListOut], theatre: str) -> list[CaseOut]:
    return [case for one in lists if one.theatre == theatre for case in one.cases]


def _clock(moment: datetime) -> str:
    return f"{moment:%H:%M}"
