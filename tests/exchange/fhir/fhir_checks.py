"""What a resource of FHIR R5 must be, checked from outside: models, value sets, rules of JSON."""

import re
from collections.abc import Iterator
from typing import Any

from fhir.resources import get_fhir_model_class

from tests.published.fhir_value_sets import BINDINGS, CODES

Json = dict[str, Any]


#: Source: FHIR R5, datatypes, "id".
ID = re.compile(r"[A-Za-z0-9\-.]{1,64}")


#: Source: FHIR R5, datatypes, "code".
CODE = re.compile(r"\S+( \S+)*")


def check(resource: Json) -> None:
    """Check a resource, and every resource in it if it is a Bundle."""
    kind = resource["resourceType"]
    model = get_fhir_model_class(kind)
    assert model.model_validate(resource).get_resource_type() == kind
    inner = resource.get("entry", [])
    for entry in inner:
        check(entry["resource"])
    whole = {**resource, "entry": [{**one, "resource": None} for one in inner]} if inner else None
    for path, value in walk(whole or resource, kind):
        _check_value(path, value)
    if kind not in {"Bundle", "OperationOutcome", "CapabilityStatement"}:
        assert ID.fullmatch(resource["id"])


def _check_value(path: str, value: object) -> None:
    if path.endswith(".entry.resource"):
        return
    # Source: FHIR R5, JSON: no null outside the arrays of primitives, nothing empty.
    assert value not in (None, "", [], {}), path
    if path in BINDINGS and not isinstance(value, list):
        assert value in CODES[BINDINGS[path]], (path, value)
    if path.endswith(".coding.code"):
        assert CODE.fullmatch(str(value)), (path, value)
    if isinstance(value, dict):
        _check_object(path, value)


def _check_object(path: str, value: Json) -> None:
    if value.get("system") == "http://unitsofmeasure.org":
        assert value["code"] in CODES["ucum"], (path, value)
    if str(value.get("url", "")).endswith("/data-absent-reason"):
        assert value["valueCode"] in CODES["data-absent-reason"], (path, value)


def walk(value: object, path: str) -> Iterator[tuple[str, object]]:
    """Give every value in a resource with the path of its element, lists left out."""
    yield path, value
    if isinstance(value, dict):
        for name, inner in value.items():
            yield from walk(inner, f"{path}.{name}")
    elif isinstance(value, list):
        for inner in value:
            yield from walk(inner, path)


def references(resource: Json) -> Iterator[str]:
    """Give every literal reference in a resource."""
    for path, value in walk(resource, ""):
        if path.endswith(".reference") and isinstance(value, str):
            yield value
