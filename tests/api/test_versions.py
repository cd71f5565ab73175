"""Nobody overwrites what somebody else has changed meanwhile."""

from typing import Any

import httpx
import pytest
from fastapi.testclient import TestClient

from tests.api.sent import API, CASE, LAG, assert_problem, changed, everything, pointers

FIELDS = changed(CASE, reference=None)


PLAN = {"primary": "short-single-lag-nail@Ambleford/130"}


def _sent(client: TestClient, what: str, headers: dict[str, str]) -> httpx.Response:
    """Change one of the things people edit."""
    calls: dict[str, tuple[str, str, Any]] = {
        "an item": ("PUT", "items/T-L-095", changed(LAG, description="Longer")),
        "a case": ("PUT", "cases/K-1", changed(FIELDS, position=8)),
        "a case cancelled": ("DELETE", "cases/K-1", None),
        "a plan": ("PUT", "cases/K-1/plan", PLAN),
        "a sizing figure": ("PUT", "sizing_defaults/neck_sd_mm", {"value": 5, "source": "ours"}),
        "a construct removed": ("DELETE", "constructs/cerclage-wire", None),
    }
    method, path, body = calls[what]
    response: httpx.Response = client.request(method, f"{API}/{path}", json=body, headers=headers)
    return response


EDITED = (
    "an item",
    "a case",
    "a case cancelled",
    "a plan",
    "a sizing figure",
    "a construct removed",
)


@pytest.fixture
def edited(demo_client: TestClient) -> TestClient:
    """The demo hospital with an item and a case of our own, both at version 1."""
    assert demo_client.post(f"{API}/items", json=LAG).headers["etag"] == '"1"'
    assert demo_client.post(f"{API}/cases", json=CASE).headers["etag"] == '"1"'
    return demo_client


def test_a_change_says_which_version_it_is_based_on(edited: TestClient) -> None:
    before = everything(edited)
    for what in EDITED:
        assert_problem(_sent(edited, what, {}), 428, "precondition-required")
        for unreadable in ("1", "*", 'W/"1"', '"one"', '"1", "2"', '""', '"-1"'):
            response = _sent(edited, what, {"If-Match": unreadable})
            assert_problem(response, 422, "bad-input")
            assert pointers(response) == ["If-Match"]
        stale = _sent(edited, what, {"If-Match": '"7"'})
        assert_problem(stale, 412, "stale")
        assert stale.json()["current_version"] == 1
        assert stale.json()["your_version"] == 7
    assert everything(edited) == before


@pytest.mark.parametrize("what", ["an item", "a case", "a plan", "a sizing figure"])
def test_of_two_changes_based_on_one_version_the_second_is_refused(
    edited: TestClient, what: str
) -> None:
    first = _sent(edited, what, {"If-Match": '"1"'})
    assert first.status_code == 200, first.text
    assert first.headers["etag"] == '"2"'
    after = everything(edited)
    assert_problem(_sent(edited, what, {"If-Match": '"1"'}), 412, "stale")
    assert everything(edited) == after


def test_a_construct_that_is_there_is_not_put_in_place_again_unread(edited: TestClient) -> None:
    template = edited.get(f"{API}/constructs/cerclage-wire").json()
    for unwanted in ("code", "version", "systems"):
        del template[unwanted]
    before = everything(edited)
    assert_problem(edited.put(f"{API}/constructs/cerclage-wire", json=template), 412, "stale")
    assert everything(edited) == before


def test_a_cancelled_case_is_off_the_list_and_on_record(edited: TestClient) -> None:
    gone = _sent(edited, "a case cancelled", {"If-Match": '"1"'})
    assert gone.json()["status"] == "cancelled"
    days = edited.get(f"{API}/lists?first=2031-03-10&last=2031-03-10").json()
    listed = [case["reference"] for one in days["lists"] for case in one["cases"]]
    assert "K-1" not in listed
    assert edited.get(f"{API}/cases/K-1").json()["status"] == "cancelled"
