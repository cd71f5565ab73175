"""Scans, recalls and expiry over HTTP: what is sent, what is answered, what is refused."""

from typing import Any
from urllib.parse import quote

import pytest
import schemathesis
from fastapi.testclient import TestClient
from hypothesis import HealthCheck, given, settings
from schemathesis.checks import not_a_server_error
from schemathesis.core.result import Ok
from schemathesis.specs.openapi.checks import (
    content_type_conformance,
    response_schema_conformance,
    status_code_conformance,
)

from tests.conftest import NAME, MakeDatabase, app_on
from tests.operations.trays.packs import gs1

API = "/api/v1"


LAG = gs1("FAL-L-110", "321204", "F27Z0030")


RECALL = {"notice": "FSN/2031-1", "lot": "F28L0031", "reason": "cracks", "quarantine": True}


SHELF = ("Consignment store", "F-02-1")


def test_a_scan_with_group_separators_is_answered(demo_client: TestClient) -> None:
    raw = "]d20102910000004565" + "10F27Z0030\x1d" + "17321204"
    answer = demo_client.post(f"{API}/scans", json={"raw": raw, "case": "HAR-0712"})
    assert answer.status_code == 200
    body = answer.json()
    assert (body["verdict"], body["lot"], body["use_by"]) == ("right", "F27Z0030", "2032-12-04")
    assert body["fills"]["role"] == "lag screw"
    assert body["caution"]


def test_a_trailing_space_of_a_hibc_code_is_its_check_character(demo_client: TestClient) -> None:
    # Modulo 43 (ANSI/HIBC 2.6, appendix B), by hand: + 41, A 10, A 10, A 10, A 10, A 10, X 33,
    # 0 0 = 124 = 2 × 43 + 38, and 38 is the space.
    learned = demo_client.post(f"{API}/item_codes", json={"raw": "+AAAAAX0 ", "ref": "FAL-L-110"})
    assert learned.status_code == 201, learned.text
    assert learned.json()["code"] == "AAAAAX0"


@pytest.mark.parametrize(
    ("body", "pointer"),
    [
        ({}, "/raw"),
        ({"raw": "x" * 501}, "/raw"),
        ({"raw": LAG, "case": ""}, "/case"),
        ({"raw": LAG, "more": 1}, "/more"),
        ({"raw": 7}, "/raw"),
    ],
)
def test_a_scan_that_cannot_be_taken_says_which_field(
    demo_client: TestClient, body: dict[str, object], pointer: str
) -> None:
    answer = demo_client.post(f"{API}/scans", json=body)
    assert answer.status_code == 422
    assert [fault["pointer"] for fault in answer.json()["errors"]] == [pointer]


def test_halves_of_characters_and_zeros_are_an_answer_or_a_refusal(
    demo_client: TestClient,
) -> None:
    for text in ('{"raw": "\\ud800"}', '{"raw": "\\u0000"}'):
        answer = demo_client.post(
            f"{API}/scans", content=text, headers={"Content-Type": "application/json"}
        )
        assert answer.status_code in {200, 422}
        if answer.status_code == 200:
            assert answer.json()["verdict"] == "unreadable"


def test_a_scan_for_an_unknown_case_is_not_found(demo_client: TestClient) -> None:
    answer = demo_client.post(f"{API}/scans", json={"raw": LAG, "case": "NOPE"})
    assert answer.status_code == 404
    assert answer.headers["content-type"] == "application/problem+json"


def test_a_code_of_another_item_is_a_conflict(demo_client: TestClient) -> None:
    answer = demo_client.post(f"{API}/item_codes", json={"raw": LAG, "ref": "FAL-L-115"})
    assert answer.status_code == 409
    assert "FAL-L-110" in answer.json()["detail"]


def test_a_recall_is_one_call_and_its_notice_may_hold_a_slash(demo_client: TestClient) -> None:
    answer = demo_client.post(f"{API}/recalls", json=RECALL)
    assert answer.status_code == 201, answer.text
    assert answer.json()["moved"] == 3
    path = f"{API}/recalls/{quote(str(RECALL['notice']))}"
    report = demo_client.get(path).json()
    assert (report["actor"], report["lifted_at"]) == (NAME, None)
    assert [one["quantity"] for one in report["in_quarantine"]] == [3]
    stock = demo_client.get(f"{API}/stock", params={"ref": "FAL-L-110"}).json()["stock"]
    assert {one["location_kind"] for one in stock if one["lot"] == "F28L0031"} == {"quarantine"}
    lifted = demo_client.post(f"{path}/lift", json={"reason": "taken back"})
    assert lifted.status_code == 200
    assert lifted.json()["lifted_at"] is not None
    assert demo_client.post(f"{path}/lift", json={"reason": "taken back"}).status_code == 409
    assert demo_client.get(f"{API}/recalls").json()["recalls"][0]["notice"] == RECALL["notice"]


def test_a_recall_sent_twice_with_one_key_acts_once(demo_client: TestClient) -> None:
    headers = {"Idempotency-Key": "recall-0001"}
    first = demo_client.post(f"{API}/recalls", json=RECALL, headers=headers)
    again = demo_client.post(f"{API}/recalls", json=RECALL, headers=headers)
    assert (first.status_code, again.status_code) == (201, 201)
    assert first.json() == again.json()
    assert demo_client.post(f"{API}/recalls", json=RECALL).status_code == 409


def test_a_recall_of_nothing_is_refused(demo_client: TestClient) -> None:
    body = {"notice": "N1", "reason": "cracks", "quarantine": False}
    answer = demo_client.post(f"{API}/recalls", json=body)
    assert answer.status_code == 422
    assert "at least one" in answer.json()["errors"][0]["detail"]


def test_recalls_come_by_pages_with_a_link(demo_client: TestClient) -> None:
    for number in (1, 2):
        demo_client.post(f"{API}/recalls", json={**RECALL, "notice": f"N{number}"})
    first = demo_client.get(f"{API}/recalls", params={"limit": 1})
    assert [one["notice"] for one in first.json()["recalls"]] == ["N2"]
    rest = demo_client.get(first.links["next"]["url"])
    assert [one["notice"] for one in rest.json()["recalls"]] == ["N1"]
    assert "next" not in rest.links


@pytest.mark.parametrize("days", ["-1", "3651", "x"])
def test_days_ahead_have_bounds(demo_client: TestClient, days: str) -> None:
    assert demo_client.get(f"{API}/expiring", params={"days": days}).status_code == 422


def test_what_expires_is_listed_for_ninety_days_unless_asked(demo_client: TestClient) -> None:
    answer = demo_client.get(f"{API}/expiring").json()
    assert (answer["days"], answer["today"], answer["until"]) == (90, "2031-03-03", "2031-06-01")
    assert answer["units"]


def test_no_generated_request_breaks_the_schema(make_database: MakeDatabase) -> None:
    app = app_on(make_database("sqlite", True))
    schema = schemathesis.openapi.from_asgi("/openapi.json", app).include(
        path_regex="/(scans|item_codes|recalls|expiring)"
    )
    checks = [
        not_a_server_error,
        status_code_conformance,
        content_type_conformance,
        response_schema_conformance,
    ]
    tried = set()
    for found in schema.get_all_operations():
        assert isinstance(found, Ok), "the schema of the service is in order"
        operation = found.ok()

        @settings(
            max_examples=40,
            deadline=None,
            database=None,
            derandomize=True,
            suppress_health_check=list(HealthCheck),
        )
        @given(case=operation.as_strategy())
        def one(case: schemathesis.Case[Any]) -> None:
            case.call_and_validate(checks=checks)

        one()
        tried.add(operation.label)
    assert len(tried) == 9
