"""The API keeps what its OpenAPI document says, whatever is sent to it."""

import re
import shutil
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import hypothesis
import pytest
import schemathesis
from fastapi.testclient import TestClient
from schemathesis.checks import not_a_server_error
from schemathesis.specs.openapi.checks import (
    content_type_conformance,
    response_schema_conformance,
    status_code_conformance,
)
from sqlalchemy import select

from service import errors
from service.main import create_app
from service.operations.people.accounts import make_token
from service.operations.people.permissions import ROLES
from service.operations.work import Unit
from service.schemas.people import TokenBody
from service.settings import Settings
from service.storage.tables import ApiToken, Balance, Person, table_of
from tests.api.sent import API, assert_problem, everything
from tests.conftest import BEARER, NOW, app_on

CHECKS = (
    not_a_server_error,
    status_code_conformance,
    content_type_conformance,
    response_schema_conformance,
)


EXAMPLES = 12


@pytest.fixture(scope="module")
def demo(
    tmp_path_factory: pytest.TempPathFactory, sqlite_templates: dict[bool, Path]
) -> Iterator[TestClient]:
    """The demo on SQLite, shared by the tests of this file: what they change does not matter."""
    file = tmp_path_factory.mktemp("contract") / "demo.db"
    shutil.copy(sqlite_templates[True], file)
    app = app_on(f"sqlite:///{file}")
    with TestClient(app, headers=BEARER, raise_server_exceptions=False) as client:
        yield client


def _operations() -> list[tuple[str, str]]:
    document = create_app(Settings(database_url="sqlite://"), lambda: NOW).openapi()
    return sorted(
        (path, method)
        for path, item in document["paths"].items()
        for method in item
        if path.startswith(API)
    )


@pytest.mark.parametrize(("path", "method"), _operations(), ids=str)
def test_an_operation_keeps_its_contract(demo: TestClient, path: str, method: str) -> None:
    _keep_token_valid(demo)
    _check_contract(demo, path, method)


def _keep_token_valid(demo: TestClient) -> None:
    """Undo what an example may have done to the very token the tests come with."""

    def mend(unit: Unit) -> None:
        for token in unit.session.execute(select(ApiToken)).scalars():
            token.revoked_at = None
        for person in unit.session.execute(select(Person)).scalars():
            person.is_active, person.roles = True, list(ROLES)

    demo.app.state.work.write(mend)  # type: ignore[attr-defined] # the test client types its app as any ASGI callable


@pytest.mark.parametrize("role", ROLES)
def test_every_operation_keeps_its_contract_for_each_role(demo: TestClient, role: str) -> None:
    """A role that may not call an operation is refused in the documented way, too."""
    body = TokenBody(name=f"{role} of the tests", sign_in="tester", scopes=[role])
    _keep_token_valid(demo)
    token = demo.app.state.work.write(lambda unit: make_token(unit, body)).token  # type: ignore[attr-defined] # as above
    as_role = TestClient(
        demo.app, headers={"Authorization": f"Bearer {token}"}, raise_server_exceptions=False
    )
    for path, method in _operations():
        _keep_token_valid(demo)
        _check_contract(as_role, path, method, examples=1)


def test_a_broken_contract_would_be_seen(demo: TestClient, monkeypatch: pytest.MonkeyPatch) -> None:
    """The control of the test above: an operation that fails is caught by the same checks."""

    def broken(*_: object) -> None:
        raise ZeroDivisionError

    monkeypatch.setattr("service.operations.stock.movements.list_deliveries", broken)
    with pytest.raises(ZeroDivisionError):
        _check_contract(demo, f"{API}/deliveries", "get")


def _check_contract(demo: TestClient, path: str, method: str, examples: int = EXAMPLES) -> None:
    schema = schemathesis.openapi.from_asgi("/openapi.json", demo.app)
    operation = schema[path][method.upper()]

    @hypothesis.settings(
        max_examples=examples,
        deadline=None,
        database=None,
        derandomize=True,
        suppress_health_check=list(hypothesis.HealthCheck),
        phases=[hypothesis.Phase.explicit, hypothesis.Phase.generate],
    )
    @hypothesis.given(case=operation.as_strategy())
    def keeps(case: schemathesis.Case[Any]) -> None:
        # A busy machine is no broken contract: the runner's own limit ends what hangs.
        response = case.call(session=demo, timeout=280)
        case.validate_response(response, checks=list(CHECKS))
        if response.status_code >= 400:
            # Whoever speaks FHIR is answered in FHIR: its errors are OperationOutcome.
            kind = "fhir" if path.startswith(f"{API}/fhir/") else "problem"
            assert response.headers["content-type"] == [f"application/{kind}+json"]

    keeps()


def _resolved(document: dict[str, Any], node: dict[str, Any]) -> dict[str, Any]:
    while "$ref" in node:
        target: Any = document
        for part in node["$ref"].removeprefix("#/").split("/"):
            target = target[part]
        node = target
    return node


def _examples(document: dict[str, Any]) -> list[tuple[str, str, Any]]:
    found = []
    for path, item in document["paths"].items():
        for method, operation in item.items():
            body = operation.get("requestBody", {}).get("content", {}).get("application/json", {})
            schema = _resolved(document, body.get("schema", {}))
            examples = [one["value"] for one in body.get("examples", {}).values()]
            found += [(path, method, one) for one in [*examples, *schema.get("examples", [])]]
    return found


def test_every_documented_example_of_a_body_works(demo: TestClient) -> None:
    examples = _examples(demo.get("/openapi.json").json())
    assert examples, "the document shows at least one body"
    for path, method, body in examples:
        assert "{" not in path, "an example for an address with a part to fill in needs that part"
        response = demo.request(method, path, json=body)
        assert response.is_success, (path, response.text)


def _links(client: TestClient, first: str, key: str) -> Iterator[dict[str, Any]]:
    """Follow the Link headers (RFC 8288) from the first page to the last."""
    address: str | None = first
    while address is not None:
        page = client.get(address)
        assert page.status_code == 200
        yield from page.json()[key]
        link = page.headers.get("link")
        found = re.fullmatch(r'<([^>]+)>; rel="next"', link) if link else None
        assert bool(link) == bool(found)
        address = found.group(1) if found else None


@pytest.mark.parametrize("limit", [1, 7, 100, 500])
def test_pages_of_the_catalogue_list_everything_exactly_once(
    demo_client: TestClient, limit: int
) -> None:
    if limit == 1:
        address = f"{API}/items?limit=1&kind=set_screw&text=set"
        expected = 3
    else:
        address, expected = f"{API}/items?limit={limit}", 599
    refs = [item["ref"] for item in _links(demo_client, address, "items")]
    assert len(refs) == len(set(refs)) == expected


def quantity_in(balance: tuple[Any, ...]) -> int:
    """Give the quantity in a row of the table of balances."""
    return int(balance[list(table_of(Balance).columns.keys()).index("quantity")])


@pytest.mark.parametrize("limit", [7, 500])
def test_pages_of_the_stock_list_everything_exactly_once(
    demo_client: TestClient, limit: int
) -> None:
    """Compared with the table of balances, read as it is."""
    table = table_of(Balance)
    there = [row for row in everything(demo_client)[table.name] if quantity_in(row) > 0]
    rows = list(_links(demo_client, f"{API}/stock?limit={limit}", "stock"))
    keys = {(row["ref"], row["lot"], row["serial"], row["store"], row["shelf"]) for row in rows}
    assert len(rows) == len(keys) == len(there) > 500
    assert sum(row["quantity"] for row in rows) == sum(quantity_in(row) for row in there)


def test_a_page_is_never_unbounded(demo: TestClient) -> None:
    assert len(demo.get(f"{API}/items").json()["items"]) == 100
    assert_problem(demo.get(f"{API}/items?limit=501"), 422, "bad-input")


KINDS = [
    "bad-input",
    "not-found",
    "conflict",
    "clock-behind",
    "taken",
    "stale",
    "duplicate",
    "precondition-required",
    "too-large",
    "unavailable",
    "sign-in-needed",
    "forbidden",
    "too-many-tries",
    "too-slow",
    "method-not-allowed",
    "bad-request",
    "unexpected",
]


@pytest.mark.parametrize("kind", KINDS)
def test_the_type_of_a_problem_resolves_to_an_explanation(demo: TestClient, kind: str) -> None:
    """The list is written by hand: a type is part of the interface and does not change."""
    found = demo.get(f"{API}/problems/{kind}")
    assert found.status_code == 200
    assert found.json()["kind"] == kind
    assert found.json()["title"]
    assert len(found.json()["meaning"]) > 20


def test_no_kind_of_error_is_missing_from_the_list_above() -> None:
    kinds = {one.kind for one in vars(errors).values() if hasattr(one, "kind")}
    assert kinds - {"service-error"} <= set(KINDS)


def test_an_unforeseen_error_is_a_problem_that_gives_nothing_away(
    demo: TestClient, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    def broken(*_: object) -> None:
        raise ZeroDivisionError("a secret of the inside")

    monkeypatch.setattr("service.operations.cases.lookup.get_case", broken)
    response = demo.get(f"{API}/cases/HAR-0711")
    assert_problem(response, 500, "unexpected")
    assert "secret" not in response.text
    assert "unexpected error at GET" in caplog.text


def test_the_probes_answer(demo: TestClient) -> None:
    assert demo.get("/livez").json() == {"status": "alive"}
    assert demo.get("/readyz").json() == {"status": "ready"}


def test_a_method_an_address_does_not_know_is_a_problem_that_names_those_it_does(
    demo: TestClient,
) -> None:
    response = demo.delete(f"{API}/stock")
    assert_problem(response, 405, "method-not-allowed")
    assert "GET" in response.headers["allow"]
