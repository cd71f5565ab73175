"""FHIR R5 over HTTP, read only; errors under these addresses are OperationOutcome."""

from dataclasses import dataclass
from typing import Annotated, Any

from fastapi import APIRouter, Depends, Path, Query, Request
from fastapi.responses import JSONResponse

from service.api.access import GuardedRoute
from service.api.http import WorkDep
from service.api.problems import FHIR_MEDIA_TYPE, OUTCOME_RESPONSES
from service.errors import BadInput, FieldFault
from service.operations import fhir
from service.operations.people.permissions import READ, requires
from service.operations.work import Work
from service.schemas.base import pattern

_RESOURCE: dict[str, Any] = {
    "type": "object",
    "required": ["resourceType"],
    "properties": {"resourceType": {"type": "string"}, "id": {"type": "string"}},
}


#: FHIR R5 has its own definition of each resource; here only what all of them have.
_ANSWERS: dict[int | str, dict[str, Any]] = {
    200: {"description": "A resource", "content": {FHIR_MEDIA_TYPE: {"schema": _RESOURCE}}},
    **OUTCOME_RESPONSES,
}


_KNOWN = frozenset({"_count", "after", "_format"})


class FhirResponse(JSONResponse):
    """A resource as JSON."""

    media_type = FHIR_MEDIA_TYPE


router = APIRouter(
    prefix="/fhir",
    tags=["fhir"],
    route_class=GuardedRoute,
    default_response_class=FhirResponse,
    responses=_ANSWERS,
)


def _base(request: Request) -> str:
    """Return the address of the FHIR service, as the client knows it."""
    return f"{str(request.base_url).rstrip('/')}/api/v1/fhir"


@dataclass(frozen=True, slots=True)
class _RequestContext:
    """What every search and read comes with."""

    request: Request
    work: Work

    def one(self, resource_type: str, key: str) -> FhirResponse:
        return FhirResponse(self.work.read(lambda unit: fhir.read(unit, resource_type, key)))


@dataclass(frozen=True, slots=True)
class _SearchQuery(_RequestContext):
    after: str
    count: int

    def answer(self, resource_type: str) -> FhirResponse:
        base = _base(self.request)
        found = self.work.read(
            lambda unit: fhir.search(unit, resource_type, base, after=self.after, count=self.count)
        )
        return FhirResponse(found)


_JSON_ONLY = pattern(
    r"^(json|application/(fhir[+ ])?json)$",
    "only JSON is answered: use json, such as _format=json",
)


_CURSOR = pattern(
    r"^([0-9]{1,9}(-[0-9]{1,9})?)?$", "copy it from the link 'next' of an answer, such as 120"
)


_RESOURCE_ID = pattern(
    r"^[A-Za-z0-9.\-]{1,64}$", "use 1 to 64 letters, digits, dots and hyphens, such as 12"
)


Format = Annotated[str, Query(alias="_format", pattern=_JSON_ONLY, max_length=40)]


def _asked(request: Request, work: WorkDep, _format: Format = "json") -> _RequestContext:
    return _RequestContext(request, work)


def _search(
    request: Request,
    work: WorkDep,
    after: Annotated[str, Query(pattern=_CURSOR, description="From the link 'next'")] = "",
    count: Annotated[
        int, Query(alias="_count", ge=0, le=500, description="Maximum number of results")
    ] = 100,
    _format: Format = "json",
) -> _SearchQuery:
    unknown = sorted(set(request.query_params) - _KNOWN)
    if unknown:
        # Left aside, it would answer everything to who asked for something.
        reason = "this search parameter is not supported; see metadata for those that are"
        faults = [FieldFault(f"/{name}", reason) for name in unknown]
        raise BadInput("The search uses parameters that are not supported.", faults=faults)
    return _SearchQuery(request, work, after, count)


AskedDep = Annotated[_RequestContext, Depends(_asked)]


SearchDep = Annotated[_SearchQuery, Depends(_search)]


Key = Annotated[str, Path(pattern=_RESOURCE_ID, description="The id of the resource")]


@router.get("/metadata")
@requires(READ)
def metadata(asked: AskedDep) -> FhirResponse:
    """Say what can be asked, as a CapabilityStatement."""
    base, version = _base(asked.request), asked.request.app.version
    return FhirResponse(asked.work.read(lambda unit: fhir.capability(unit, base, version)))


@router.get("/DeviceDefinition")
@requires(READ)
def search_device_definitions(search: SearchDep) -> FhirResponse:
    """Return the catalogue."""
    return search.answer("DeviceDefinition")


@router.get("/DeviceDefinition/{key}")
@requires(READ)
def read_device_definition(asked: AskedDep, key: Key) -> FhirResponse:
    """Return one line of the catalogue."""
    return asked.one("DeviceDefinition", key)


@router.get("/Device")
@requires(READ)
def search_devices(search: SearchDep) -> FhirResponse:
    """Return the lots and serials the site has, or once had, units of."""
    return search.answer("Device")


@router.get("/Device/{key}")
@requires(READ)
def read_device(asked: AskedDep, key: Key) -> FhirResponse:
    """Return one lot or serial, with its device identifier."""
    return asked.one("Device", key)


@router.get("/InventoryReport")
@requires(READ)
def search_inventory_reports(search: SearchDep) -> FhirResponse:
    """Return the one report there is: what lies where now."""
    return search.answer("InventoryReport")


@router.get("/InventoryReport/{key}")
@requires(READ)
def read_inventory_report(asked: AskedDep, key: Key) -> FhirResponse:
    """Return what lies where now, and how it stands."""
    return asked.one("InventoryReport", key)


@router.get("/SupplyRequest")
@requires(READ)
def search_supply_requests(search: SearchDep) -> FhirResponse:
    """Return the lines of orders, loans and call-offs."""
    return search.answer("SupplyRequest")


@router.get("/SupplyRequest/{key}")
@requires(READ)
def read_supply_request(asked: AskedDep, key: Key) -> FhirResponse:
    """Return one line of an order."""
    return asked.one("SupplyRequest", key)


@router.get("/SupplyDelivery")
@requires(READ)
def search_supply_deliveries(search: SearchDep) -> FhirResponse:
    """Return what came for orders."""
    return search.answer("SupplyDelivery")


@router.get("/SupplyDelivery/{key}")
@requires(READ)
def read_supply_delivery(asked: AskedDep, key: Key) -> FhirResponse:
    """Return one receipt of an order."""
    return asked.one("SupplyDelivery", key)


@router.get("/DeviceUsage")
@requires(READ)
def search_device_usages(search: SearchDep) -> FhirResponse:
    """Return the implanted units, one by one."""
    return search.answer("DeviceUsage")


@router.get("/DeviceUsage/{key}")
@requires(READ)
def read_device_usage(asked: AskedDep, key: Key) -> FhirResponse:
    """Return one implanted unit."""
    return asked.one("DeviceUsage", key)
