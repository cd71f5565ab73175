"""Trays, holds and the implant log over HTTP."""

from typing import Annotated

from fastapi import APIRouter, Path, Query, Response

from service.api.access import GuardedRoute
from service.api.http import OnceDep, Version, WorkDep, etag
from service.operations import catalogue
from service.operations.holds import reserve
from service.operations.people.permissions import (
    KEEP_CASES,
    KEEP_STOCK,
    MOVE_STOCK,
    PREPARE_TRAYS,
    READ,
    requires,
)
from service.operations.trays import scans, trays
from service.operations.trays.trays import implant_log
from service.schemas.base import Name, Ref
from service.schemas.catalogue import TaughtCode, TaughtCodes, UnlearnBody
from service.schemas.trays import (
    HoldBody,
    HoldList,
    ImplantLog,
    LearnBody,
    LearnedOut,
    PackBody,
    PackOutcomeBody,
    ScanBody,
    ScanOut,
    StatusBody,
    TrayOut,
)

router = APIRouter(tags=["trays and holds"], route_class=GuardedRoute)


CaseRef = Annotated[Ref, Path(description="The case's local reference")]


@router.get("/cases/{reference}/tray")
@requires(READ)
def get_tray(work: WorkDep, reference: CaseRef, response: Response) -> TrayOut:
    """Return every pack scanned to a case and what has become of it."""
    tray = work.read(lambda unit: trays.tray_of(unit, reference))
    response.headers["ETag"] = etag(tray.version)
    return tray


@router.post("/cases/{reference}/packs", status_code=201)
@requires(PREPARE_TRAYS)
def pick_pack(once: OnceDep, reference: CaseRef, body: PackBody) -> TrayOut:
    """Bring a pack from its shelf to the tray of a case."""
    return once.write(lambda unit: trays.pick_pack(unit, reference, body), body, TrayOut)


@router.post("/cases/{reference}/fates", status_code=201)
@requires(PREPARE_TRAYS)
def settle_pack(once: OnceDep, reference: CaseRef, body: PackOutcomeBody) -> TrayOut:
    """Say what became of a pack of the tray: implanted, wasted or returned."""
    return once.write(lambda unit: trays.record_pack_outcome(unit, reference, body), body, TrayOut)


@router.put("/cases/{reference}/status")
@requires(PREPARE_TRAYS)
def set_status(
    once: OnceDep, reference: CaseRef, body: StatusBody, version: Version, response: Response
) -> TrayOut:
    """Take a case one step on: prepared, in theatre, closed."""
    tray = once.write(
        lambda unit: trays.set_status(unit, reference, body.status, version), body, TrayOut
    )
    response.headers["ETag"] = etag(tray.version)
    return tray


@router.get("/cases/{reference}/implants")
@requires(READ)
def get_implants(work: WorkDep, reference: CaseRef) -> ImplantLog:
    """Return what was implanted or wasted in a case, with its device identifier."""
    return work.read(lambda unit: implant_log(unit, reference))


@router.get("/cases/{reference}/holds")
@requires(READ)
def get_holds(work: WorkDep, reference: CaseRef) -> HoldList:
    """Return everything promised to a case."""
    return work.read(lambda unit: reserve.holds_of(unit, reference))


@router.post("/cases/{reference}/holds", status_code=201)
@requires(KEEP_CASES)
def refresh_holds(once: OnceDep, reference: CaseRef) -> HoldList:
    """Hold anew what a case's plan asks for, from the stock as it is now."""
    return once.write(lambda unit: reserve.refresh_holds(unit, reference), None, HoldList)


@router.post("/holds", status_code=201)
@requires(KEEP_CASES)
def promise(once: OnceDep, body: HoldBody) -> HoldList:
    """Promise units to a case; units of others only by taking them over, which tells them."""
    return once.write(lambda unit: reserve.reserve_units(unit, body), body, HoldList)


@router.post("/scans")
@requires(READ)
def scan_pack(work: WorkDep, body: ScanBody) -> ScanOut:
    """Say what a pack is, whether it is right for the case, and what to do; changes nothing."""
    return work.read(lambda unit: scans.scan_pack(unit, body))


@router.post("/item_codes", status_code=201)
@requires(MOVE_STOCK)
def learn_code(once: OnceDep, body: LearnBody) -> LearnedOut:
    """Teach the service that a code belongs to an item."""
    return once.write(lambda unit: catalogue.learn_code(unit, body), body, LearnedOut)


@router.get("/item_codes")
@requires(READ)
def list_codes(work: WorkDep, ref: Annotated[Ref | None, Query()] = None) -> TaughtCodes:
    """Return the codes that people have taught, who and when, and those that were taken back."""
    return work.read(lambda unit: catalogue.taught_codes(unit, ref))


@router.post("/item_codes/{code:path}/unlearn")
@requires(KEEP_STOCK)
def unlearn_code(
    once: OnceDep,
    code: Annotated[Name, Path(description="The code, as it was linked")],
    body: UnlearnBody,
) -> TaughtCode:
    """Take back a code that was taught wrongly; what was scanned with it stays on record."""
    return once.write(lambda unit: catalogue.unlearn_code(unit, code, body), body, TaughtCode)
