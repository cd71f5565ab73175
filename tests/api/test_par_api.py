"""Par problems, demand, proposals and levels over HTTP and on the command line."""

import json
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest
from fastapi.testclient import TestClient

from tests.api.sent import API, assert_problem, everything, pointers
from tests.two_sites import add_somebody, bearer

ROOT = Path(__file__).parents[2]


CASE: dict[str, Any] = {
    "case": "any",
    "needs": [{"need": "as planned", "probability": 1.0, "constructs": ["single"]}],
    "constructs": [{"construct": "single", "takes": [{"factors": [], "items": [{"screw": 1}]}]}],
}


ONE: dict[str, Any] = {
    "arrivals_per_day": 0.5,
    "case_mix": [{"weight": 1, "case": CASE}],
    "items": [{"item": "screw", "unit_cost": 12000, "lead_time_days": 4, "minimum": 0}],
}


#: Cumulative Poisson distribution, mean 2, at 0 to 4: any table.
TABLE = {1: 0.135335, 2: 0.406006, 3: 0.676676, 4: 0.857123, 5: 0.947347}


def test_one_item_gives_the_poisson_table_over_http(client: TestClient) -> None:
    for level, readiness in TABLE.items():
        found = client.post(f"{API}/par", json={**ONE, "levels": {"screw": level}})
        assert found.status_code == 200
        answer = found.json()
        assert set(answer) == {"readiness", "cost", "levels", "curve"}
        assert answer["readiness"] == pytest.approx(readiness, abs=5e-7)
        assert answer["cost"] == level * 12000
        assert answer["levels"] == {"screw": level}
        shares = [point["readiness"] for point in answer["curve"]]
        assert shares == pytest.approx([TABLE[n] for n in range(1, level + 1)], abs=5e-7)


def test_one_item_gives_the_poisson_table_on_the_command_line(tmp_path: Path) -> None:
    file = tmp_path / "par.json"

    def run(problem: object, *words: str) -> "subprocess.CompletedProcess[str]":
        file.write_text(json.dumps(problem))
        return subprocess.run(  # noqa: S603 - our own interpreter and our own words
            [sys.executable, "-m", "service", "par", str(file), *words],
            cwd=ROOT,
            capture_output=True,
            text=True,
            check=False,
            timeout=60,
        )

    done = run({**ONE, "levels": {"screw": 5}}, "--json")
    assert done.returncode == 0, done.stderr
    curve = json.loads(done.stdout)["curve"]
    assert [point["readiness"] for point in curve] == pytest.approx(list(TABLE.values()), abs=5e-7)
    said = run({**ONE, "target_readiness": 0.9})
    assert "0.947347" in said.stdout
    assert "5 × screw" in said.stdout
    wrong = run({**ONE, "levels": {"screw": -1}})
    assert wrong.returncode == 2
    assert "/levels/screw" in wrong.stderr
    assert "Traceback" not in wrong.stderr


def test_a_target_and_a_budget_are_answered(client: TestClient) -> None:
    answer = client.post(f"{API}/par", json={**ONE, "target_readiness": 0.85}).json()
    assert answer["levels"] == {"screw": 4}
    answer = client.post(f"{API}/par", json={**ONE, "budget": 25_000}).json()
    assert (answer["levels"], answer["cost"]) == ({"screw": 2}, 24_000)


@pytest.mark.parametrize(
    ("changes", "pointer"),
    [
        ({}, ""),
        ({"levels": {"nail": 1}}, "/levels/nail"),
        ({"budget": -1}, "/budget"),
        ({"target_readiness": 1.5}, "/target_readiness"),
        ({"budget": 1, "arrivals_per_day": "many"}, "/arrivals_per_day"),
        ({"budget": 1, "items": [{"item": "screw", "unit_cost": 1}]}, "/items/0/lead_time_days"),
        ({"budget": 1, "case_mix": []}, "/case_mix"),
        ({"budget": 1, "colour": "red"}, "/colour"),
    ],
)
def test_each_fault_of_a_problem_is_named_where_it_is(
    client: TestClient, changes: dict[str, object], pointer: str
) -> None:
    refused = client.post(f"{API}/par", json={**ONE, **changes})
    assert_problem(refused, 422, "bad-input")
    assert pointer in pointers(refused)


def test_a_problem_beyond_the_limits_is_refused_with_the_limit(client: TestClient) -> None:
    items = [{"item": f"i{n}", "unit_cost": 1, "lead_time_days": 1} for n in range(2_001)]
    refused = client.post(f"{API}/par", json={**ONE, "items": items, "budget": 1})
    assert_problem(refused, 413, "too-large")
    assert pointers(refused) == ["/items"]
    assert "2000" in refused.json()["errors"][0]["detail"]


@pytest.mark.parametrize("database_kind", ["sqlite"])
def test_a_proposal_for_the_demo_is_made_decided_and_ordered_from(demo_client: TestClient) -> None:
    before = everything(demo_client)
    key = {"Idempotency-Key": "proposal-of-the-tests"}
    made = demo_client.post(f"{API}/par_proposals", json={"target_readiness": 0.946}, headers=key)
    assert made.status_code == 201, made.text
    proposal = made.json()
    answer = proposal["answer"]
    assert answer["today"]["value"] < 0.946 <= answer["proposed"]["value"] < answer["reachable"]
    assert answer["proposed"]["cost_minor"] < answer["today"]["cost_minor"]
    assert answer["currency"] == "GBP"
    assert answer["curve"][-1]["readiness"] == pytest.approx(answer["proposed"]["value"])
    lines = {line["ref"]: line for line in proposal["lines"]}
    # The demo's only long right nail of this size is not there (seed_data/planted.csv).
    missing = lines["AMB-N-130-12-400-R"]
    assert (missing["today"], missing["decision"]) == (0, "open")
    assert missing["proposed"] >= 1
    assert missing["why"]["readiness_added"] > 0.001
    assert all(
        line["proposed"] >= line["why"]["minimum"]
        for line in lines.values()
        if not line["why"]["stands_with"]
    )

    again = demo_client.post(f"{API}/par_proposals", json={"target_readiness": 0.946}, headers=key)
    assert again.json()["id"] == proposal["id"]
    here = f"{API}/par_proposals/{proposal['id']}"
    assert demo_client.get(here).json() == proposal
    (listed,) = demo_client.get(f"{API}/par_proposals").json()["proposals"]
    assert (listed["id"], listed["undecided"]) == (proposal["id"], len(lines))
    assert everything(demo_client)["par_level"] == before["par_level"] == []

    body = {"decisions": [{"ref": missing["ref"], "decision": "accepted"}]}
    done = demo_client.post(f"{here}/decisions", json=body)
    assert done.status_code == 201, done.text
    assert done.json()["undecided"] == len(lines) - 1
    refused = demo_client.post(f"{here}/decisions", json=body)
    assert_problem(refused, 409, "conflict")
    assert pointers(refused) == ["/decisions/0/again"]
    level = demo_client.get(f"{API}/par_levels/{missing['ref']}")
    assert level.headers["ETag"] == '"1"'
    assert level.json()["why"] == f"proposal {proposal['id']} accepted"
    told = demo_client.get(f"{API}/par_levels?below_only=true").json()
    assert [(one["ref"], one["quantity"]) for one in told["order"]] == [
        (missing["ref"], missing["proposed"])
    ]

    out_of_reach = demo_client.post(f"{API}/par_proposals", json={"target_readiness": 0.99})
    assert_problem(out_of_reach, 422, "bad-input")
    assert pointers(out_of_reach) == ["/target_readiness"]
    assert out_of_reach.json()["reachable"] == answer["reachable"]


@pytest.mark.parametrize(
    ("body", "pointer"),
    [
        ({}, "/target_readiness"),
        ({"target_readiness": 0.9, "budget_minor": 1}, "/target_readiness"),
        ({"target_readiness": 1}, "/target_readiness"),
        ({"budget_minor": -1}, "/budget_minor"),
        ({"budget_minor": 1, "arrivals_per_day": 0}, "/arrivals_per_day"),
    ],
)
def test_what_no_proposal_can_be_asked_for_is_refused_at_its_field(
    client: TestClient, body: dict[str, object], pointer: str
) -> None:
    refused = client.post(f"{API}/par_proposals", json=body)
    assert_problem(refused, 422, "bad-input")
    assert pointers(refused) == [pointer]


def test_a_level_is_put_with_the_version_that_was_read(client: TestClient) -> None:
    item = {
        "ref": "T-S",
        "kind": "set_screw",
        "system": "Testfield",
        "description": "Set screw",
        "supplier": "Test supply",
        "supplied_sterile": True,
    }
    assert client.post(f"{API}/items", json=item).status_code == 201
    here = f"{API}/par_levels/T-S"
    assert_problem(client.get(here), 404, "not-found")
    body = {"level": 4, "why": "two a week"}
    assert client.put(here, json=body).headers["ETag"] == '"1"'
    assert_problem(client.put(here, json=body), 428, "precondition-required")
    changed = client.put(here, json={**body, "level": 5}, headers={"If-Match": '"1"'})
    assert (changed.json()["level"], changed.headers["ETag"]) == (5, '"2"')
    stale = client.put(here, json=body, headers={"If-Match": '"1"'})
    assert_problem(stale, 412, "stale")
    assert_problem(client.put(here, json={"level": 4}), 422, "bad-input")
    listed = client.get(f"{API}/par_levels").json()
    assert [(one["ref"], one["missing"]) for one in listed["levels"]] == [("T-S", 5)]


def test_everybody_reads_and_only_a_storekeeper_proposes_and_decides(client: TestClient) -> None:
    work = client.app.state.work  # type: ignore[attr-defined] # the test client types its app as any ASGI callable
    for role in ("nurse", "surgeon", "administrator", "storekeeper"):
        add_somebody(work, role, [role])
        own = bearer(role)
        for path in ("demand", "par_proposals", "par_levels"):
            assert client.get(f"{API}/{path}", headers=own).status_code == 200
        asked = client.post(f"{API}/par", json={**ONE, "budget": 0}, headers=own)
        assert asked.status_code == 200
        refusals = [
            client.post(f"{API}/par_proposals", json={"budget_minor": 0}, headers=own),
            client.post(f"{API}/par_proposals/1/decisions", json={}, headers=own),
            client.put(f"{API}/par_levels/X", json={}, headers=own),
        ]
        for refused in refusals:
            assert (refused.status_code == 403) == (role != "storekeeper")
