"""The tray of a case: scan what is brought, one pack at a time, and see what is still missing."""

from collections import Counter
from collections.abc import Mapping
from dataclasses import dataclass
from urllib.parse import urlencode

from fastapi import APIRouter, Request
from pydantic import ValidationError
from starlette.responses import RedirectResponse, Response

from service.errors import BadInput, FieldFault, NotFound, ServiceError
from service.exchange.labels.scanner import CHECK_CODE, ScannerInput, check_scanner
from service.operations import catalogue
from service.operations.cases.lookup import OPEN_STATUSES, get_case
from service.operations.cover.check import check_case
from service.operations.people.permissions import PREPARE_TRAYS, READ, requires
from service.operations.trays import trays
from service.operations.trays.trays import CAN_BE_OVERRULED
from service.operations.work import Unit
from service.schemas.cases import CaseOut
from service.schemas.cover import CaseCheckOut
from service.schemas.faults import faults_of
from service.schemas.trays import (
    AloudOut,
    LearnBody,
    NamedPackBody,
    PackBody,
    PackOut,
    PackOutcomeBody,
    ScanBody,
    ScanOut,
    StatusBody,
    TrayOut,
)
from web.forms import Filled, version_of
from web.labels import pack_name
from web.pages.cases import to_pick
from web.pages.pick_list import expected_for
from web.pictures.codes import label_code
from web.render import page, work_of

router = APIRouter()


#: What a form or an address says of a pack of the tray.
_PACK_FIELDS = ("ref", "lot", "serial", "ownership")


@router.get("/cases/{reference}/tray")
@requires(READ)
def show_tray(request: Request, reference: str) -> Response:
    """Show what is still to be brought and what lies on the tray."""
    asked = dict(request.query_params)
    aloud = None
    if "ref" in asked:
        named = named_pack(asked)
        work = work_of(request)
        aloud = work.read(lambda unit: trays.aloud_out(unit, reference, named))
    return tray_page(request, reference, aloud=aloud, done=asked.get("done", ""))


@router.post("/cases/{reference}/tray/scan")
@requires(PREPARE_TRAYS)
def scan(request: Request, reference: str, values: Filled) -> Response:
    """Judge a code that was scanned or typed, and take the right pack to the tray."""
    try:
        body = ScanBody(raw=values.get("code", ""), second=values.get("second") or None)
    except ValidationError as error:
        return tray_page(request, reference, faults=faults_of(error.errors()))
    return _bring(request, reference, body, values)


@router.post("/cases/{reference}/tray/by-hand")
@requires(PREPARE_TRAYS)
def by_hand(request: Request, reference: str, values: Filled) -> Response:
    """Judge a pack whose label was read by eye, and take the right one to the tray."""
    try:
        body = NamedPackBody(
            ref=values.get("ref", ""),
            lot=values.get("lot") or None,
            serial=values.get("serial") or None,
        )
    except ValidationError as error:
        return tray_page(request, reference, faults=faults_of(error.errors()), values=values)
    return _bring(request, reference, body, values)


@router.post("/cases/{reference}/tray/learn")
@requires(PREPARE_TRAYS)
def learn(request: Request, reference: str, values: Filled) -> Response:
    """Teach a code to the REF printed beside it, and judge the pack again."""
    raw, second = values.get("code", ""), values.get("second") or None
    try:
        body = LearnBody(raw=raw, second=second, ref=values.get("ref", ""))
        work_of(request).write(lambda unit: catalogue.learn_code(unit, body))
    except ValidationError as error:
        return tray_page(request, reference, faults=faults_of(error.errors()), values=values)
    except ServiceError as error:
        return tray_page(request, reference, said=scan_error_answer(error, values))
    return _bring(request, reference, ScanBody(raw=raw, second=second), values)


class _NotBrought(Exception):
    """The verdict on a pack that does not go to the tray."""

    def __init__(self, scan: ScanOut) -> None:
        super().__init__(scan.says)
        self.scan = scan


def _bring(
    request: Request, reference: str, body: ScanBody | NamedPackBody, values: dict[str, str]
) -> Response:
    """Answer a scan: on to the tray when the pack was taken, else what is wrong and what to do.

    A refusal is what was asked for, and answers 200 like any other verdict.
    """
    although = values.get("although", "").strip() or None
    work = work_of(request)

    def bring(unit: Unit) -> PackBody:
        brought = trays.bring_scanned(unit, reference, body, although)
        if brought.pack is None:
            # Undoes everything: a pack that is not taken leaves no trace.
            raise _NotBrought(brought.scan)
        return brought.pack

    try:
        pack = work.write(bring)
    except _NotBrought as not_brought:
        return tray_page(request, reference, said=scan_answer(not_brought.scan, values))
    except NotFound:
        raise
    except ServiceError as error:
        return tray_page(request, reference, said=scan_error_answer(error, values))
    query = f"{pack_query(pack)}&new=yes"
    return RedirectResponse(f"/cases/{reference}/tray?{query}", status_code=303)


def named_pack(values: dict[str, str]) -> PackOutcomeBody:
    """Read which pack of the tray is meant.

    Raises
    ------
    NotFound
        When an address names none.
    """
    facts = {name: values[name] for name in _PACK_FIELDS if values.get(name)}
    try:
        return PackOutcomeBody.model_validate({"fate": "return", **facts})
    except ValidationError as error:
        raise NotFound("This address names no pack of the tray.") from error


def pack_query(one: object) -> str:
    """Name a pack of the tray in an address."""
    return urlencode({name: getattr(one, name) for name in _PACK_FIELDS if getattr(one, name)})


@dataclass(frozen=True, slots=True)
class ScanAnswer:
    """The answer to a scan as the page shows it.

    Parameters
    ----------
    kind
        ``well``, ``part`` (something more is asked) or ``gap`` (refused); shape and colour.
    next_step
        ``learn``, ``second``, ``lot`` or ``although``: the form that goes on; empty when none does.
    code, second, ref, lot, serial
        What that form carries on.
    """

    verdict: str
    kind: str
    title: str
    says: str
    what_to_do: str
    next_step: str = ""
    code: str = ""
    second: str = ""
    ref: str = ""
    lot: str = ""
    serial: str = ""


def tray_page(
    request: Request,
    reference: str,
    *,
    said: ScanAnswer | None = None,
    aloud: AloudOut | None = None,
    done: str = "",
    faults: list[FieldFault] | None = None,
    values: dict[str, str] | None = None,
) -> Response:
    """Show the tray, with what the last scan said, or what an act that was ``done`` has saved."""
    work = work_of(request)
    case, tray, check = work.read(lambda unit: _read_tray(unit, reference))
    is_open = check is not None
    return page(
        request,
        "tray.html",
        case=case,
        tray=tray,
        is_open=is_open,
        to_bring=to_pick(check) if check is not None else [],
        says=check.says if check is not None and not check.constructs else "",
        said=said,
        aloud=aloud,
        is_new="new" in request.query_params,
        faults=faults or [],
        values=values or {},
        done=done_words(done, case, tray, aloud),
        pack_name=pack_name,
        condition=check.condition if check is not None else "",
        expected_for=lambda row: expected_for(row, check) if check is not None else None,
        outcomes_of=outcomes_of,
        all_back=all_back_words(tray),
        pack_query=pack_query,
    )


def _read_tray(unit: Unit, reference: str) -> tuple[CaseOut, TrayOut, CaseCheckOut | None]:
    case, tray = get_case(unit, reference), trays.tray_of(unit, reference)
    return case, tray, check_case(unit, reference) if case.status in OPEN_STATUSES else None


#: The longest text that is compared.
_MOST = 500


@router.get("/scanner")
@requires(READ)
def show_check(request: Request) -> Response:
    """Show the code to scan, and where it will be read."""
    return _page(request, "", None)


@router.post("/scanner")
@requires(READ)
def check(request: Request, values: Filled) -> Response:
    """Compare what arrived with what the code says; nothing is kept."""
    text = values.get("arrived", "")[:_MOST]
    arrived = ScannerInput(
        text,
        ended_by=values.get("ended_by", ""),
        caps_lock=values.get("caps_lock") == "yes",
        was_scanned=values.get("was_scanned") == "yes",
    )
    return _page(request, text, arrived)


def _page(request: Request, text: str, arrived: ScannerInput | None) -> Response:
    picture = label_code(
        CHECK_CODE.bracketed,
        "gs1-datamatrix",
        prefix="scanner",
        title="The code to scan",
    )
    found = None if arrived is None else check_scanner(arrived)
    return page(
        request, "scanner.html", picture=picture, code=CHECK_CODE, arrived=text, found=found
    )


#: What can become of what is on a tray, the most usual first: the word of each.
_PACK_OUTCOMES = (("implant", "Implanted"), ("waste", "Wasted"), ("return", "Returned"))
_SET_OUTCOMES = (("reprocess", "Opened: reprocess"), ("return", "Unopened: return"))


def outcomes_of(one: PackOut) -> tuple[tuple[str, str], ...]:
    """Return what can become of a pack of the tray; a set is neither implanted nor used up."""
    return _SET_OUTCOMES if one.reusable else _PACK_OUTCOMES


def all_back_words(tray: TrayOut) -> str:
    """Say what becomes of everything that is left on a tray, and how much it is."""
    left = Counter[str]()
    for one in tray.packs:
        left[trays.fate_unless_said(tray, one)] += one.open
    parts = [
        f"return {_counted(left['return'], 'unused pack')}" if left["return"] else "",
        f"reprocess {_counted(left['reprocess'], 'opened set')}" if left["reprocess"] else "",
    ]
    return " and ".join(filter(None, parts)).capitalize()


def _counted(number: int, word: str) -> str:
    return f"{number} {word}{'' if number == 1 else 's'}"


#: What was saved about a pack, and how it is put right: which count of the pack shows it.
_DONE = {
    "implant": (
        "implanted",
        "implanted. It is in the implant log. To correct it, ask the storekeeper.",
    ),
    "waste": ("wasted", "wasted. To correct it, ask the storekeeper."),
    "return": ("returned", "returned to {home}. If it is needed after all, scan it again."),
    "reprocess": (
        "returned",
        "sent to be reprocessed. It counts again once it is scanned out of sterilisation.",
    ),
}


def done_words(done: str, case: CaseOut, tray: TrayOut, aloud: AloudOut | None) -> str:
    """Say what was just saved, as far as the rows bear it out; an address can say anything."""
    if aloud is not None:
        return _done_with(done, aloud)
    if done == "all" and tray.packs and not tray.unaccounted:
        return f"Saved: the tray of case {case.reference} is empty; every pack is accounted for."
    if done == "in_theatre" and case.status == done:
        return f"Saved: case {case.reference} is in theatre. Record what becomes of each pack."
    if done == "closed" and case.status == done:
        return f"Saved: case {case.reference} is closed."
    return ""


def _done_with(done: str, one: AloudOut) -> str:
    count, words = _DONE.get(done, ("", ""))
    if not count or not getattr(one, count):
        return ""
    name = pack_name(one.system, one.description, one.size)
    said = words.format(home=f"{one.home_store}, {one.home_shelf}")
    return f"Saved: {name}, {one.ref}, {one.lot or one.serial}: {said}"


#: What became of a pack: the question, and the words of the answer.
FATES = {
    "implant": ("Implanted?", "Yes, implanted"),
    "waste": ("Opened and wasted?", "Yes, wasted"),
    "reprocess": ("Opened, to be reprocessed?", "Yes, to be reprocessed"),
    "return": ("Returned to its shelf, unopened?", "Yes, returned"),
}


@router.get("/cases/{reference}/tray/fate")
@requires(PREPARE_TRAYS)
def show_fate(request: Request, reference: str, fate: str = "") -> Response:
    """Ask once more before a pack is accounted for: it cannot be taken back on this page."""
    return _asked(request, reference, fate, dict(request.query_params), [])


@router.post("/cases/{reference}/tray/fate")
@requires(PREPARE_TRAYS)
def settle(request: Request, reference: str, values: Filled) -> Response:
    """Note what became of a pack."""
    fate = values.get("fate", "")
    try:
        body = PackOutcomeBody.model_validate(values)
        work_of(request).write(lambda unit: trays.record_pack_outcome(unit, reference, body))
    except ValidationError as error:
        return _asked(request, reference, fate, values, faults_of(error.errors()))
    except NotFound:
        raise
    except ServiceError as error:
        faults = list(error.faults) or [FieldFault("", error.detail)]
        return _asked(request, reference, fate, values, faults)
    query = urlencode({"done": fate})
    return RedirectResponse(f"/cases/{reference}/tray?{pack_query(body)}&{query}", status_code=303)


def _asked(
    request: Request, reference: str, fate: str, values: dict[str, str], faults: list[FieldFault]
) -> Response:
    if fate not in FATES:
        raise NotFound("This address names nothing that can become of a pack.")
    named = named_pack({name: value for name, value in values.items() if name != "fate"})
    aloud = work_of(request).read(lambda unit: trays.aloud_out(unit, reference, named))
    question, answer = FATES[fate]
    return page(
        request,
        "tray_fate.html",
        status=422 if faults else 200,
        reference=reference,
        fate=fate,
        question=question,
        answer=answer,
        aloud=aloud,
        faults=faults,
        values=values,
        pack_name=pack_name,
    )


@router.post("/cases/{reference}/tray/back")
@requires(PREPARE_TRAYS)
def all_back(request: Request, reference: str) -> Response:
    """Put every pack that is left back on its shelf, and every set where sets go."""
    work_of(request).write(lambda unit: trays.return_all_packs(unit, reference))
    return RedirectResponse(f"/cases/{reference}/tray?done=all", status_code=303)


@router.post("/cases/{reference}/tray/status")
@requires(PREPARE_TRAYS)
def set_status(request: Request, reference: str, values: Filled) -> Response:
    """Take the case a step on: prepared, in theatre, closed."""
    try:
        body = StatusBody.model_validate({"status": values.get("status", "")})
    except ValidationError as error:
        faults = faults_of(error.errors())
        raise BadInput("A case is prepared, in theatre or closed.", faults=faults) from error
    version = version_of(values)
    work_of(request).write(lambda unit: trays.set_status(unit, reference, body.status, version))
    return RedirectResponse(f"/cases/{reference}/tray?done={body.status}", status_code=303)


#: Heading by verdict, each its own: it is read at arm's length, before the sentence.
TITLES = {
    "unreadable": "Code not readable",
    "needs_primary": "Scan the other code too",
    "unknown": "Unknown code",
    "recalled": "Recalled: do not use",
    "label_differs": "Label and record differ",
    "expired": "Expired: do not use",
    "quarantined": "In quarantine: do not use",
    "not_sterile": "Not sterile: do not use",
    "expires_before_list_day": "Expires before the list day",
    "goes_back": "Loan: return due by the list day",
    "no_pick_list": "No pick list yet",
    "wrong_side": "Wrong side",
    "wrong_system": "Wrong system",
    "wrong_size": "Wrong size",
    "wrong_item": "Not on the pick list",
    "needs_lot": "Lot not in this code",
    "already_scanned": "Scanned already",
    "held_for_another_case": "Reserved for another case",
    "not_in_stock": "Not on record here",
    "right": "Right pack",
    "known": "Known pack",
}


#: Not refused: something more is asked, or nothing is to be done.
_ASKS = frozenset({"unreadable", "needs_primary", "unknown", "needs_lot", "already_scanned"})


def scan_answer(scan: ScanOut, values: Mapping[str, str]) -> ScanAnswer:
    """Say what a scan answered, with what was sent so that a next step can go on from it."""
    return ScanAnswer(
        verdict=scan.verdict,
        kind="part" if scan.verdict in _ASKS else "gap",
        title=TITLES[scan.verdict],
        says=scan.says,
        what_to_do=scan.what_to_do,
        next_step=_next_step(scan),
        code=values.get("code", ""),
        second=values.get("second", ""),
        ref=scan.item.ref if scan.item else values.get("ref", ""),
        lot=scan.lot,
        serial=scan.serial,
    )


def _next_step(scan: ScanOut) -> str:
    if scan.verdict in CAN_BE_OVERRULED and (scan.lot or scan.serial):
        return "although"
    return {"unknown": "learn", "needs_primary": "second", "needs_lot": "lot"}.get(scan.verdict, "")


def scan_error_answer(error: ServiceError, values: Mapping[str, str]) -> ScanAnswer:
    """Say why the right pack could not be brought all the same."""
    reasons = "; ".join(fault.reason for fault in error.faults)
    return ScanAnswer(
        verdict="refused",
        kind="gap",
        title="Not put on the tray: nothing was saved",
        says=f"{reasons[:1].upper()}{reasons[1:]}." if reasons else error.detail,
        what_to_do="Put the pack back, or have what is wrong with it set right first.",
        code=values.get("code", ""),
    )
