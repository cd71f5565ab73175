"""What became of the packs of a tray, and where the case stands."""

from urllib.parse import urlencode

from fastapi import APIRouter, Request
from pydantic import ValidationError
from starlette.responses import RedirectResponse, Response

from service.errors import BadInput, FieldFault, NotFound, ServiceError
from service.operations import tray_scans, trays
from service.operations.rules import PREPARE_TRAYS, requires
from service.operations.schemas.faults import faults_of
from service.operations.schemas.ledger import PackFate, StatusBody
from web.forms import Filled, version_of
from web.pages.tray import named_pack, pack_query
from web.render import page, work_of

__all__ = ["FATES", "router"]

router = APIRouter()

#: What became of a pack: the question, and the words of the answer.
FATES = {
    "implant": ("Implanted?", "Yes, implanted"),
    "waste": ("Opened and wasted?", "Yes, wasted"),
    "return": ("Back on its shelf, unopened?", "Yes, back on its shelf"),
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
        body = PackFate.model_validate(values)
        work_of(request).write(lambda unit: trays.settle_pack(unit, reference, body))
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
    aloud = work_of(request).read(lambda unit: tray_scans.say_aloud(unit, reference, named))
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
        pack_query=pack_query,
    )


@router.post("/cases/{reference}/tray/back")
@requires(PREPARE_TRAYS)
def all_back(request: Request, reference: str) -> Response:
    """Put everything that is left back on its shelf."""
    work_of(request).write(lambda unit: tray_scans.all_back(unit, reference))
    return RedirectResponse(f"/cases/{reference}/tray", status_code=303)


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
    return RedirectResponse(f"/cases/{reference}/tray", status_code=303)
