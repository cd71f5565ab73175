"""Catalogue lines as DeviceDefinition, and lots as Device."""

import re
from dataclasses import dataclass
from datetime import date, datetime

from service.core.catalogue import ItemFacts, describe_size
from service.exchange.fhir.supply import organization
from service.exchange.fhir.terms import (
    EMDN,
    GS1_DI,
    FhirSite,
    Json,
    absent,
    coding,
    concept,
    identifier,
    instant,
    link,
    measure,
    named,
    own_system,
    resource,
    site_system,
    without_empty,
)
from service.exchange.labels.gs1 import bracketed, gs1_elements

#: Code of a property by the column it comes from, and its unit: words and UCUM.
_MEASURES = {
    "length_mm": ("length", "mm", "mm"),
    "diameter_mm": ("diameter", "mm", "mm"),
    "angle_deg": ("angle", "degree", "deg"),
    "thread_length_mm": ("thread-length", "mm", "mm"),
    "barrel_mm": ("barrel-length", "mm", "mm"),
    "bow_radius_mm": ("bow-radius", "mm", "mm"),
}


_WORDS = {
    "side": "side",
    "screw_type": "screw-type",
    "head_design": "head-design",
    "thread": "thread",
}


@dataclass(frozen=True, slots=True)
class DeviceArticle:
    """A catalogue line as it goes out.

    Parameters
    ----------
    id
        The key of the line.
    facts
        What it is and its sizes.
    gtin, emdn_code
        ``None`` when not on record.
    supplier
        Who sends it; who makes it is not on record.
    pack_quantity
        Units in a pack.
    """

    id: int
    facts: ItemFacts
    gtin: str | None
    emdn_code: str | None
    supplier: str
    pack_quantity: int


@dataclass(frozen=True, slots=True)
class DevicePack:
    """Units of one lot or serial, as they go out.

    Parameters
    ----------
    id
        The key of the lot.
    article
        What they are.
    lot_number, serial
        As printed; empty when there is none.
    use_by
        ``None`` when not on record.
    ownership, sterility
        As on record.
    is_here
        Whether the site has any of them now.
    """

    id: int
    article: DeviceArticle
    lot_number: str
    serial: str
    use_by: date | None
    ownership: str
    sterility: str
    is_here: bool


def device_name(facts: ItemFacts) -> str:
    """Name an item by its description and size, as it is said in theatre."""
    size = describe_size(facts)
    description = facts.description
    return f"{description}, {size}" if size else description


def device_definition(article: DeviceArticle) -> Json:
    """Return a catalogue line as DeviceDefinition.

    ``udiDeviceIdentifier.jurisdiction`` is mandatory in R5 and not on record, so it says
    ``unknown``. The supplier stands as distributor of the pack: the maker is not on record.
    """
    facts = article.facts
    known = None
    if article.gtin is not None:
        known = {
            "deviceIdentifier": article.gtin,
            "issuer": GS1_DI,
            "_jurisdiction": absent("unknown"),
        }
    return resource(
        "DeviceDefinition",
        str(article.id),
        udiDeviceIdentifier=[known] if known else [],
        partNumber=facts.ref,
        deviceName=[{"name": device_name(facts), "type": "user-friendly-name"}],
        classification=[{"type": one} for one in _classes(article)],
        packaging=[{"count": article.pack_quantity, "distributor": [{"name": article.supplier}]}],
        property=_properties(facts),
    )


def device(pack: DevicePack) -> Json:
    """Return a lot or serial as Device; its status says whether the site has any of it now."""
    article = pack.article
    return resource(
        "Device",
        str(pack.id),
        definition={"reference": link("DeviceDefinition", str(article.id), article.facts.ref)},
        udiCarrier=udi_carrier(article.gtin, pack.use_by, pack.lot_number, pack.serial),
        status="active" if pack.is_here else "inactive",
        lotNumber=pack.lot_number,
        serialNumber=pack.serial,
        expirationDate=instant(pack.use_by) if pack.use_by else None,
        name=[{"value": device_name(article.facts), "type": "user-friendly-name"}],
        partNumber=article.facts.ref,
        type=_classes(article),
        property=[
            {"type": _property("ownership"), "valueCodeableConcept": _word(pack.ownership)},
            {"type": _property("sterility"), "valueCodeableConcept": _word(pack.sterility)},
        ],
    )


def _classes(article: DeviceArticle) -> list[Json]:
    kinds = [concept(coding(own_system("item-kind"), article.facts.kind))]
    if article.emdn_code is not None:
        kinds.append(concept({"system": EMDN, "code": article.emdn_code}))
    return kinds


def _properties(facts: ItemFacts) -> list[Json]:
    found: list[Json] = []
    for column, (code, unit, ucum) in _MEASURES.items():
        value = getattr(facts, column)
        if value is not None:
            found.append({"type": _property(code), "valueQuantity": measure(value, unit, ucum)})
    if facts.holes is not None:
        found.append({"type": _property("holes"), "valueInteger": facts.holes})
    for column, code in _WORDS.items():
        word = getattr(facts, column)
        if word is not None:
            found.append({"type": _property(code), "valueCodeableConcept": _word(word)})
    if facts.system is not None:
        found.append({"type": _property("system"), "valueString": facts.system})
    for code, value in (
        ("supplied-sterile", facts.supplied_sterile),
        ("reusable", facts.reusable),
    ):
        found.append({"type": _property(code), "valueBoolean": value})
    return found


def _property(code: str) -> Json:
    return concept(coding(own_system("device-property"), code))


def _word(code: str) -> Json:
    return concept(coding(own_system("device-property-value"), code))


#: What a lot or serial may hold: set 82 without brackets, which would end the element for a reader.
_ELEMENT = re.compile(r"[!\"%&'*+,\-./0-9:;<=>?A-Z_a-z]{1,20}")


def printed_udi(
    gtin: str, *, made_on: date | None = None, use_by: date | None = None, lot: str, serial: str
) -> str | None:
    """Write a device identifier as GS1 element strings for people to read.

    Parameters
    ----------
    gtin
        14 digits.
    made_on, use_by
        Days, left out when not known.
    lot, serial
        As printed; empty when there is none.

    Returns
    -------
    str or None
        Application identifiers 01, 11, 17, 10 and 21 in the regulator's order; ``None`` when lot
        or serial cannot stand in a GS1 code, so that no label ever carried it like this.

    Notes
    -----
    Source: FDA, "Unique Device Identifier formats by FDA-accredited issuing agency" (order and
    brackets); GS1 General Specifications, 3.2 (elements) and 7.11 (character set 82).

    Examples
    --------
    >>> printed_udi("51022222233336", use_by=date(2015, 7, 7), lot="A213B1", serial="1234")
    '(01)51022222233336(17)150707(10)A213B1(21)1234'
    """
    if any(part and _ELEMENT.fullmatch(part) is None for part in (lot, serial)):
        return None
    return bracketed(
        gs1_elements(gtin=gtin, lot=lot, serial=serial, use_by=use_by, made_on=made_on)
    )


def udi_carrier(gtin: str | None, use_by: date | None, lot: str, serial: str) -> list[Json]:
    """Return a device's ``udiCarrier``; empty without a GTIN, which is its only mandatory part.

    The jurisdiction, and how the code was read, are not on record and stay absent.
    """
    if gtin is None:
        return []
    printed = printed_udi(gtin, use_by=use_by, lot=lot, serial=serial)
    facts = {"deviceIdentifier": gtin, "issuer": GS1_DI, "carrierHRF": printed}
    return [without_empty(facts)]


@dataclass(frozen=True, slots=True)
class ImplantedUnit:
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


def device_usage(site: FhirSite, one: ImplantedUnit) -> Json:
    """Return an implanted unit as DeviceUsage.

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
