"""Shortfalls, suppliers and holidays over HTTP."""

from typing import Any

import pytest
from fastapi.testclient import TestClient

from service.operations.work import Work
from tests.api.sent import API, assert_problem, pointers
from tests.two_sites import add_somebody, bearer

SUPPLIER: dict[str, Any] = {"works_on": "1111100", "cut_off": "14:00", "is_loan_lender": True}


NAME = "Some / supply & sons"


def test_shortfalls_are_given_with_their_moments_in_the_sites_zone(demo_client: TestClient) -> None:
    answer = demo_client.get(f"{API}/shortfalls", params={"days": 14}).json()
    first = answer["shortfalls"][0]
    assert first["items"][0]["ref"] == "FAL-L-115"
    assert first["needed_at"] == "2031-03-04T08:30:00Z"
    assert first["order_by"] == "2031-02-10T23:59:00Z"
    assert first["gain"] is None
    assert {way["way"] for way in first["ways"]} == {"order"}
    assert first["ways"][0]["has_passed"] is True
    assert answer["caution"]


@pytest.mark.parametrize("days", ["-1", "61", "many"])
def test_days_out_of_bounds_are_refused(demo_client: TestClient, days: str) -> None:
    assert_problem(demo_client.get(f"{API}/shortfalls?days={days}"), 422, "bad-input")


def test_a_supplier_is_put_in_place_and_changed_with_what_was_read(client: TestClient) -> None:
    path = f"{API}/suppliers/{NAME}"
    assert_problem(client.get(path), 404, "not-found")
    made = client.put(path, json=SUPPLIER)
    assert (made.status_code, made.headers["etag"]) == (200, '"1"')
    assert client.get(path).json() == made.json()
    assert client.get(path).headers["etag"] == '"1"'
    assert_problem(client.put(path, json=SUPPLIER), 412, "stale")
    changed = client.put(path, json={"cut_off": None}, headers={"If-Match": '"1"'})
    assert changed.headers["etag"] == '"2"'
    assert changed.json()["cut_off"] is None
    assert_problem(client.put(path, json=SUPPLIER, headers={"If-Match": '"1"'}), 412, "stale")
    listed = client.get(f"{API}/suppliers").json()
    assert [one["name"] for one in listed["suppliers"]] == [NAME]


def test_a_fault_of_a_supplier_points_to_its_field(client: TestClient) -> None:
    response = client.put(f"{API}/suppliers/X", json={**SUPPLIER, "works_on": "0000000"})
    assert_problem(response, 422, "bad-input")
    assert pointers(response) == ["/works_on"]


def test_a_holiday_is_put_in_place_and_removed(client: TestClient) -> None:
    path = f"{API}/holidays/2031-04-14"
    assert client.put(path, json={"name": "Easter Monday"}).json()["weekday"] == "Monday"
    assert len(client.get(f"{API}/holidays").json()["holidays"]) == 1
    assert client.delete(path).status_code == 204
    assert_problem(client.delete(path), 404, "not-found")
    assert_problem(client.put(f"{API}/holidays/2031-02-30", json={"name": "x"}), 422, "bad-input")


@pytest.mark.parametrize(
    ("role", "may_edit"),
    [("nurse", False), ("surgeon", False), ("storekeeper", True), ("administrator", False)],
)
def test_everybody_reads_and_the_storekeeper_edits(
    client: TestClient, role: str, may_edit: bool
) -> None:
    work: Work = client.app.state.work  # type: ignore[attr-defined] # the test client types its app as any ASGI callable
    add_somebody(work, role, [role])
    headers = bearer(role)
    for path in ("shortfalls", "suppliers", "holidays"):
        assert client.get(f"{API}/{path}", headers=headers).status_code == 200
    edits = (
        client.put(f"{API}/suppliers/X", json=SUPPLIER, headers=headers),
        client.put(f"{API}/holidays/2031-04-14", json={"name": "Easter"}, headers=headers),
        client.delete(f"{API}/holidays/2031-04-14", headers=headers),
    )
    for answer in edits:
        if may_edit:
            assert answer.is_success, answer.text
        else:
            assert_problem(answer, 403, "forbidden")


def test_a_supply_figure_is_shown_with_its_source_and_can_be_set(demo_client: TestClient) -> None:
    listed = demo_client.get(f"{API}/sizing_defaults").json()["defaults"]
    figures = {one["key"]: one for one in listed}
    assert figures["loan_reprocessing_hours"]["value"] == 48
    assert "common practice, no source" in figures["loan_reprocessing_hours"]["source"]
    path = f"{API}/sizing_defaults/loan_lead_days"
    wrong = demo_client.put(
        path, json={"value": 1.5, "source": "ours"}, headers={"If-Match": '"1"'}
    )
    assert_problem(wrong, 422, "bad-input")
    assert pointers(wrong) == ["/value"]
    done = demo_client.put(path, json={"value": 3, "source": "ours"}, headers={"If-Match": '"1"'})
    assert done.json()["value"] == 3
    told = demo_client.get(f"{API}/shortfalls").json()["figures"]
    assert [(one["value"], one["source"]) for one in told if one["key"] == "loan_lead_days"] == [
        (3, "ours")
    ]
    page = demo_client.get("/figures").text
    assert "Loan, lead time" in page
    assert "3 days" in page
