"""Answers to searches, and what this service can do."""

from collections.abc import Mapping, Sequence

from service.exchange.fhir.terms import Json, SiteName, without_empty

__all__ = ["FHIR_VERSION", "capability_statement", "search_set"]

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
    """Give the answer to a search as a Bundle.

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
    base: str, site: SiteName, version: str, resources: Mapping[str, str]
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
