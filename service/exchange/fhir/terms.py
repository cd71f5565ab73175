"""Names of code systems and identifiers, and the small pieces every resource is made of.

Codes and identifiers of our own need an address that is nobody else's. The top-level domain
``invalid`` is reserved and never resolves (RFC 2606), so these names can neither be taken by
somebody nor be mistaken for a page. Identifiers that a site gives carry the site's code, since two
hospitals may well number their orders and cases alike.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime
from typing import Any
from urllib.parse import quote

Json = dict[str, Any]


_OWN = "https://traywright.invalid/fhir"


#: Issuer of device identifiers under GS1. Source: FHIR R5, Device.udiCarrier.issuer.
GS1_DI = "http://hl7.org/fhir/NamingSystem/gs1-di"


#: HL7 has registered no address for the European nomenclature; this is where its owner keeps it.
EMDN = "https://webgate.ec.europa.eu/dyna2/emdn/"


_UCUM = "http://unitsofmeasure.org"


_ABSENT = "http://hl7.org/fhir/StructureDefinition/data-absent-reason"


@dataclass(frozen=True, slots=True)
class FhirSite:
    """A hospital site as it is named outside.

    Parameters
    ----------
    code
        Unique in this service; part of the identifiers the site gives.
    name
        For people.
    """

    code: str
    name: str


def own_system(name: str) -> str:
    """Return the address of a code system of our own.

    Examples
    --------
    >>> own_system("item-kind")
    'https://traywright.invalid/fhir/CodeSystem/item-kind'
    """
    return f"{_OWN}/CodeSystem/{name}"


def site_system(site: FhirSite, name: str) -> str:
    """Return the address of identifiers that a site gives.

    Examples
    --------
    >>> site_system(FhirSite("A 1", "Hospital"), "case")
    'https://traywright.invalid/fhir/site/A%201/case'
    """
    return f"{_OWN}/site/{quote(site.code, safe='')}/{name}"


def site_identifier(site: FhirSite) -> Json:
    """Return the identifier of a site itself."""
    return identifier(f"{_OWN}/site", site.code)


def resource(resource_type: str, key: str, **elements: object) -> Json:
    """Make a resource of its elements; what is ``None`` or empty is left out."""
    return {"resourceType": resource_type, "id": key, **without_empty(elements)}


def without_empty(elements: Mapping[str, object]) -> Json:
    """Leave out what is not known: FHIR allows neither nulls nor empty lists, objects or strings.

    Examples
    --------
    >>> without_empty({"a": None, "b": [], "c": "", "d": 0, "e": False})
    {'d': 0, 'e': False}
    """
    return {
        name: value
        for name, value in elements.items()
        if value is not None and not (isinstance(value, list | dict | str) and not value)
    }


def coding(system: str, code: str, display: str | None = None) -> Json:
    """Make a coding; without a display of its own the code is said in words."""
    words = code.replace("_", " ").replace("-", " ")
    return {"system": system, "code": code, "display": display or words}


def concept(*codings: Json, text: str | None = None) -> Json:
    """Make a concept of codings, or of text."""
    return without_empty({"coding": list(codings), "text": text})


def identifier(system: str, value: str) -> Json:
    """Make an identifier."""
    return {"system": system, "value": value}


def link(resource_type: str, key: str, display: str | None = None) -> Json:
    """Refer to a resource that this service gives itself."""
    return without_empty({"reference": f"{resource_type}/{key}", "display": display})


def named(resource_type: str, display: str, identified: Json | None = None) -> Json:
    """Refer to something that is no resource here, by name and, where there is one, identifier."""
    return without_empty({"type": resource_type, "identifier": identified, "display": display})


def absent(reason: str) -> Json:
    """Say why a value is not there.

    Parameters
    ----------
    reason
        A code of the value set data-absent-reason, such as ``unknown`` or ``unsupported``.
    """
    return {"extension": [{"url": _ABSENT, "valueCode": reason}]}


def measure(value: float, unit: str, code: str) -> Json:
    """Make a quantity in a unit of UCUM.

    Examples
    --------
    >>> measure(180.0, "mm", "mm")["value"], measure(4.5, "mm", "mm")["value"]
    (180, 4.5)
    """
    # In FHIR 180.0 would claim a tenth of a millimetre.
    number = int(value) if float(value).is_integer() else value
    return {"value": number, "unit": unit, "system": _UCUM, "code": code}


def count_of(units: int) -> Json:
    """Make a quantity of units as they are counted in stock."""
    return measure(units, "each", "{each}")


def instant(moment: datetime | date) -> str:
    """Write a moment with its zone, or a day."""
    return moment.isoformat()


FHIR_VERSION = "5.0.0"


#: The day on which what this statement says last changed.
_SINCE = "2026-11-25"


_DOCUMENTATION = """\
Read only: what a site's stock, orders and implant log hold, for the site of whoever asks. Searches
take `_count` (0 to 500) and the cursor in the link `next`; every other parameter but `_format` is
refused, so that nobody takes everything for what they searched for. JSON only. Errors are
OperationOutcome. There are no patients here: DeviceUsage says so in `patient`, and names the case
under `derivedFrom`. Codes and identifiers of our own stand under https://traywright.invalid/fhir,
a name that never resolves.\
"""


def search_set(
    base: str,
    found: Sequence[Json],
    *,
    total: int,
    this: str,
    following: str | None,
) -> Json:
    """Return the answer to a search as a Bundle.

    Parameters
    ----------
    base
        The address of the FHIR service, without a slash at its end.
    found
        The resources of this page.
    total
        How many there are on all pages.
    this, following
        The addresses of this page and of the next; ``None`` when this is the last.
    """
    links = [{"relation": "self", "url": this}]
    if following is not None:
        links.append({"relation": "next", "url": following})
    entries = [
        {
            "fullUrl": f"{base}/{one['resourceType']}/{one['id']}",
            "resource": one,
            "search": {"mode": "match"},
        }
        for one in found
    ]
    facts = {"type": "searchset", "total": total, "link": links, "entry": entries}
    return {"resourceType": "Bundle", **without_empty(facts)}


def capability_statement(
    base: str, site: FhirSite, version: str, resources: Mapping[str, str]
) -> Json:
    """Say what can be asked, and nothing that cannot.

    Parameters
    ----------
    base
        The address of the FHIR service.
    version
        The version of this service.
    resources
        What each type of resource holds, by the name of the type.
    """
    return {
        "resourceType": "CapabilityStatement",
        "status": "active",
        "date": _SINCE,
        "kind": "instance",
        "software": {"name": "Traywright", "version": version},
        "implementation": {"description": f"Traywright at {site.name}", "url": base},
        "fhirVersion": FHIR_VERSION,
        "format": ["json"],
        "rest": [
            {
                "mode": "server",
                "documentation": _DOCUMENTATION,
                "security": {
                    "description": "A token in the header Authorization: Bearer, or the session "
                    "of somebody signed in; every role may read."
                },
                "resource": [
                    {
                        "type": name,
                        "documentation": says,
                        "interaction": [{"code": "read"}, {"code": "search-type"}],
                        "versioning": "no-version",
                        "referencePolicy": ["literal", "logical"],
                    }
                    for name, says in resources.items()
                ],
            }
        ],
    }
