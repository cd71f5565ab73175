"""What stayed in a patient, as DeviceUsage; who the patient is, this service does not know."""

from dataclasses import dataclass
from datetime import datetime

from service.exchange.fhir.supply import organization
from service.exchange.fhir.terms import (
    Json,
    SiteName,
    absent,
    identifier,
    instant,
    link,
    named,
    resource,
    site_system,
)

__all__ = ["Implanted", "device_usage"]


@dataclass(frozen=True, slots=True)
class Implanted:
    """One implanted unit.

    Parameters
    ----------
    key
        The ledger's line and the number of the unit in it, as ``12-1``.
    lot_id
        The Device it was.
    what
        The item's name and device identifier, for people.
    case
        The local reference of the case.
    side
        ``left`` or ``right``.
    at
        When it was written to the ledger.
    """

    key: str
    lot_id: int
    what: str
    case: str
    side: str
    at: datetime


def device_usage(site: SiteName, one: Implanted) -> Json:
    """Give an implanted unit as DeviceUsage.

    Notes
    -----
    ``patient`` is mandatory in R5 and there are no patients here. A case's reference names an
    operation and no person, so it does not stand in for one: the patient says ``unsupported`` (the
    source system cannot tell), and the case is what the record is ``derivedFrom``, a Procedure
    known by its local reference. ``active`` means that the device stayed in; what becomes of it
    later is not known here.
    """
    case = identifier(site_system(site, "case"), one.case)
    return resource(
        "DeviceUsage",
        one.key,
        meta={"lastUpdated": instant(one.at)},
        status="active",
        patient={**absent("unsupported"), "display": "not held in this system"},
        derivedFrom=[named("Procedure", f"Case {one.case}", case)],
        timingDateTime=instant(one.at),
        dateAsserted=instant(one.at),
        informationSource=organization(site),
        device={"reference": link("Device", str(one.lot_id), one.what)},
        bodySite={"concept": {"text": f"{one.side} femur"}},
    )
