"""Catalogue lines as DeviceDefinition, and lots as Device."""

from dataclasses import dataclass
from datetime import date

from service.core.items import ItemFacts, describe_size
from service.exchange.fhir.terms import (
    EMDN,
    GS1_DI,
    Json,
    absent,
    coding,
    concept,
    instant,
    link,
    measure,
    own_system,
    resource,
)
from service.exchange.fhir.udi import udi_carrier

__all__ = ["Article", "Pack", "device", "device_definition", "device_name"]

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
class Article:
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
class Pack:
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
    article: Article
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


def device_definition(article: Article) -> Json:
    """Give a catalogue line as DeviceDefinition.

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


def device(pack: Pack) -> Json:
    """Give a lot or serial as Device; its status says whether the site has any of it now."""
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


def _classes(article: Article) -> list[Json]:
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
