"""Bodies that are in order, and what a refusal must look like: shared by the tests of the API."""

from typing import Any

import httpx
from fastapi.testclient import TestClient
from sqlalchemy import select
from sqlmodel import SQLModel

from service.operations.work import Unit

API = "/api/v1"


LAG = {
    "ref": "T-L-095",
    "kind": "lag_screw",
    "system": "Testfield",
    "description": "Lag screw",
    "supplier": "Test supply",
    "length_mm": 95,
    "diameter_mm": 10.5,
    "supplied_sterile": True,
}


LONG_NAIL = {
    "ref": "T-N-340-L",
    "kind": "single_lag_screw_nail",
    "system": "Testfield",
    "description": "Long nail",
    "supplier": "Test supply",
    "length_mm": 340,
    "diameter_mm": 11,
    "angle_deg": 130,
    "side": "left",
    "supplied_sterile": True,
}


NAIL_SET = {
    "ref": "T-IS",
    "kind": "nail_instrument_set",
    "system": "Testfield",
    "description": "Nail instrument set",
    "supplier": "Test supply",
    "supplied_sterile": False,
    "reusable": True,
    "turnaround_minutes": 240,
}


SHELF = {"store": "Theatre store", "shelf": "A-01-1"}


RECEIVE: dict[str, Any] = {
    "kind": "receive",
    "ref": "T-L-095",
    "lot": "L1",
    "quantity": 2,
    "to": SHELF,
    "use_by": "2033-01-01",
}


DELIVERY: dict[str, Any] = {
    "reference": "PO-1",
    "ref": "T-L-095",
    "quantity": 2,
    "due_at": "2031-03-04T10:00:00+00:00",
}


CASE: dict[str, Any] = {
    "reference": "K-1",
    "list_date": "2031-03-10",
    "theatre": "Theatre 1",
    "starts": "08:30",
    "ends": "10:00",
    "position": 9,
    "side": "left",
}


def changed(body: dict[str, Any], **changes: object) -> dict[str, Any]:
    """Give a body with some fields changed; a field changed to ``None`` is left out."""
    return {name: value for name, value in {**body, **changes}.items() if value is not None}


def everything(client: TestClient) -> dict[str, list[tuple[Any, ...]]]:
    """Read every row of every table, so that two readings tell whether anything was saved."""

    def rows(unit: Unit) -> dict[str, list[tuple[Any, ...]]]:
        found = {}
        for name, table in SQLModel.metadata.tables.items():
            # That something was asked is noted in the trail, whatever came of it.
            if name == "audit_line":
                continue
            query = select(table).order_by(*table.primary_key.columns)
            found[name] = [tuple(row) for row in unit.session.execute(query)]
        return found

    saved: dict[str, list[tuple[Any, ...]]] = client.app.state.work.read(rows)  # type: ignore[attr-defined] # the test client types its app as any ASGI callable
    return saved


def pointers(response: httpx.Response) -> list[str]:
    return [fault["pointer"] for fault in response.json()["errors"]]


def assert_problem(response: httpx.Response, status: int, kind: str) -> None:
    """Check that an answer is a problem as RFC 9457 has it, of a kind."""
    assert response.status_code == status, response.text
    assert response.headers["content-type"] == "application/problem+json"
    said = response.json()
    assert said["type"] == f"{API}/problems/{kind}"
    assert said["status"] == status
    assert said["title"]
    assert said["detail"]
    assert all(fault["detail"] for fault in said["errors"])


def put_in_place(client: TestClient) -> None:
    """Add the items and the shelf the bodies here speak of."""
    for item in (LAG, LONG_NAIL, NAIL_SET):
        assert client.post(f"{API}/items", json=item).status_code == 201
    assert client.post(f"{API}/locations", json=SHELF).status_code == 201
