"""The tray of a case: scan what is brought, one pack at a time, and see what is still missing."""

from urllib.parse import urlencode

from fastapi import APIRouter, Request
from pydantic import ValidationError
from starlette.responses import RedirectResponse, Response

from service.errors import FieldFault, NotFound, ServiceError
from service.operations import codes, tray_scans, trays
from service.operations.cases import get_case
from service.operations.checks import check_case
from service.operations.rules import PREPARE_TRAYS, READ, requires
from service.operations.schemas.cases import CaseOut
from service.operations.schemas.checks import CaseCheckOut, PickRowOut
from service.operations.schemas.faults import faults_of
from service.operations.schemas.ledger import PackBody, PackFate, TrayOut
from service.operations.schemas.scans import LearnBody, NamedPackBody, ScanBody, ScanOut
from service.operations.schemas.tray import AloudOut
from service.operations.unit import Unit
from web.forms import Filled
from web.render import page, work_of
from web.verdicts import Said, said_of, said_of_error

__all__ = ["named_pack", "pack_query", "router", "tray_page"]

router = APIRouter()

#: What a form or an address says of a pack of the tray.
_PACK_FIELDS = ("ref", "lot", "serial", "ownership")
_OPEN = ("planned", "prepared", "in_theatre")


@router.get("/cases/{reference}/tray")
@requires(READ)
def show_tray(request: Request, reference: str) -> Response:
    """Show what is still to be brought and what lies on the tray."""
    aloud = None
    if "ref" in request.query_params:
        named = named_pack(dict(request.query_params))
        work = work_of(request)
        aloud = work.read(lambda unit: tray_scans.say_aloud(unit, reference, named))
    return tray_page(request, reference, aloud=aloud)


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
        work_of(request).write(lambda unit: codes.learn_code(unit, body))
    except ValidationError as error:
        return tray_page(request, reference, faults=faults_of(error.errors()), values=values)
    except ServiceError as error:
        return tray_page(request, reference, said=said_of_error(error, values))
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
        brought = tray_scans.bring_scanned(unit, reference, body, although)
        if brought.pack is None:
            # Undoes everything: a pack that is not taken leaves no trace.
            raise _NotBrought(brought.scan)
        return brought.pack

    try:
        pack = work.write(bring)
    except _NotBrought as not_brought:
        return tray_page(request, reference, said=said_of(not_brought.scan, values))
    except NotFound:
        raise
    except ServiceError as error:
        return tray_page(request, reference, said=said_of_error(error, values))
    query = f"{pack_query(pack)}&new=yes"
    return RedirectResponse(f"/cases/{reference}/tray?{query}", status_code=303)


def named_pack(values: dict[str, str]) -> PackFate:
    """Read which pack of the tray is meant.

    Raises
    ------
    NotFound
        When an address names none.
    """
    facts = {name: values[name] for name in _PACK_FIELDS if values.get(name)}
    try:
        return PackFate.model_validate({"fate": "return", **facts})
    except ValidationError as error:
        raise NotFound("This address names no pack of the tray.") from error


def pack_query(one: object) -> str:
    """Name a pack of the tray in an address."""
    return urlencode({name: getattr(one, name) for name in _PACK_FIELDS if getattr(one, name)})


def tray_page(
    request: Request,
    reference: str,
    *,
    said: Said | None = None,
    aloud: AloudOut | None = None,
    faults: list[FieldFault] | None = None,
    values: dict[str, str] | None = None,
) -> Response:
    """Show the tray, with what the last scan said."""
    work = work_of(request)
    case, tray, check = work.read(lambda unit: _read_tray(unit, reference))
    is_open = check is not None
    return page(
        request,
        "tray.html",
        case=case,
        tray=tray,
        is_open=is_open,
        to_bring=_to_bring(check.pick_list if check is not None else [], reference),
        says=check.says if check is not None and not check.constructs else "",
        said=said,
        aloud=aloud,
        is_new="new" in request.query_params,
        faults=faults or [],
        values=values or {},
        done=request.query_params.get("done", ""),
        pack_query=pack_query,
    )


def _read_tray(unit: Unit, reference: str) -> tuple[CaseOut, TrayOut, CaseCheckOut | None]:
    case, tray = get_case(unit, reference), trays.tray_of(unit, reference)
    return case, tray, check_case(unit, reference) if case.status in _OPEN else None


def _to_bring(rows: list[PickRowOut], reference: str) -> list[PickRowOut]:
    """Give the rows whose packs are not on the tray yet and do not stay on their shelf."""
    return [row for row in rows if row.place != "on its shelf" and row.shelf != reference]
