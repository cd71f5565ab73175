"""Readiness, kits, what-if and confirmation over HTTP and on the command line."""

import json
import math
import subprocess
import sys
from datetime import timedelta
from pathlib import Path
from typing import Any

import pytest
from fastapi.testclient import TestClient

from tests.api.sent import API, assert_problem, everything, pointers
from tests.conftest import FORM_TOKEN, NOW, SESSION

ROOT = Path(__file__).parents[2]


DAY = NOW.date() + timedelta(days=1)


def one_size(name: str, chances: list[float]) -> dict[str, Any]:
    entries = [{f"size-{n}": 1} for n in range(len(chances))]
    return {
        "case": name,
        "factors": [{"name": "size", "probabilities": chances}],
        "needs": [{"need": "as planned", "probability": 1, "constructs": ["only"]}],
        "constructs": [{"construct": "only", "takes": [{"factors": ["size"], "items": entries}]}],
    }


#: All are served when their sizes differ: a permanent, by hand .274; the cases 1, .7 and .487.
THREE: dict[str, Any] = {
    "stock": [{"item": f"size-{n}", "quantity": 1} for n in range(3)],
    "cases": [
        one_size("K0", [0.6, 0.3, 0.1]),
        one_size("K1", [0.2, 0.5, 0.3]),
        one_size("K2", [0.1, 0.4, 0.5]),
    ],
}


#: Two of three sizes reach .9 for K0 with chances .6, .3, .1.
KIT: dict[str, Any] = {
    "case": THREE["cases"][0],
    "stock": THREE["stock"],
    "target": 0.9,
}


def test_three_cases_on_three_sizes(client: TestClient) -> None:
    found = client.post(f"{API}/readiness", json=THREE)
    assert found.status_code == 200
    answer = found.json()
    assert (answer["method"], answer["samples"]) == ("exact", None)
    assert answer["list_readiness"]["value"] == pytest.approx(0.274, abs=1e-12)
    values = [case["readiness"] for case in answer["cases"]]
    assert values == pytest.approx([1, 0.7, 0.487], abs=1e-12)


def test_simulated_is_said_and_near(client: TestClient) -> None:
    body = {**THREE, "method": "simulated", "samples": 20_000, "seed": 3}
    answer = client.post(f"{API}/readiness", json=body).json()
    assert (answer["method"], answer["samples"]) == ("simulated", 20_000)
    told = answer["list_readiness"]
    assert 0 < told["standard_error"] < 0.01
    assert abs(told["value"] - 0.274) < 4 * told["standard_error"]


def test_an_exact_answer_that_would_take_too_long_is_refused_at_its_method(
    client: TestClient,
) -> None:
    sizes = 30
    body = {
        "stock": [{"item": f"size-{n}", "quantity": 1} for n in range(sizes)],
        "cases": [one_size(f"K{n}", [1 / sizes] * sizes) for n in range(24)],
        "method": "exact",
    }
    refused = client.post(f"{API}/readiness", json=body)
    assert_problem(refused, 422, "bad-input")
    assert pointers(refused) == ["/method"]
    answer = client.post(f"{API}/readiness", json={**body, "method": "auto", "samples": 1_000})
    assert answer.json()["method"] == "simulated"


def broken(**changes: object) -> dict[str, Any]:
    return {**THREE, "cases": [{**THREE["cases"][0], **changes}]}


@pytest.mark.parametrize(
    ("body", "pointer"),
    [
        ({}, "/stock"),
        ({**THREE, "colour": "red"}, "/colour"),
        ({**THREE, "stock": [{"item": "a", "quantity": -1}]}, "/stock/0/quantity"),
        ({**THREE, "stock": [{"item": "a", "quantity": 1, "until": "soon"}]}, "/stock/0/until"),
        ({**THREE, "samples": 1}, "/samples"),
        ({**THREE, "method": "guess"}, "/method"),
        (
            broken(factors=[{"name": "size", "probabilities": [0.5, 0.1, 0.1]}]),
            "/cases/0/factors/0/probabilities",
        ),
        (
            broken(needs=[{"need": "n", "probability": 1, "constructs": ["other"]}]),
            "/cases/0/needs/0/constructs/0",
        ),
        (
            broken(
                constructs=[
                    {"construct": "only", "takes": [{"factors": ["size"], "items": [{"a": 1}]}]}
                ]
            ),
            "/cases/0/constructs/0/takes/0/items",
        ),
    ],
)
def test_a_malformed_problem_is_refused_where_it_is_wrong(
    client: TestClient, body: dict[str, Any], pointer: str
) -> None:
    refused = client.post(f"{API}/readiness", json=body)
    assert_problem(refused, 422, "bad-input")
    assert pointer in pointers(refused)


@pytest.mark.parametrize("body", [[], "text", 1, None])
def test_what_is_no_problem_at_all_is_refused(client: TestClient, body: object) -> None:
    for path in ("readiness", "kit"):
        refused = client.post(f"{API}/{path}", json=body)
        assert refused.status_code == 422
        assert refused.headers["content-type"] == "application/problem+json"


def test_the_fewest_packs_that_reach_a_target(client: TestClient) -> None:
    answer = client.post(f"{API}/kit", json=KIT).json()
    assert {pack["item"]: pack["quantity"] for pack in answer["packs"]} == {
        "size-0": 1,
        "size-1": 1,
    }
    assert answer["readiness"] == pytest.approx(0.9, abs=1e-12)
    assert answer["reachable"] == pytest.approx(1.0, abs=1e-12)
    refused = client.post(f"{API}/kit", json={**KIT, "target": 2})
    assert_problem(refused, 422, "bad-input")
    assert pointers(refused) == ["/target"]


def test_the_problem_of_a_day_gives_the_numbers_of_the_day(demo_client: TestClient) -> None:
    told = demo_client.get(f"{API}/readiness/{DAY}", params={"samples": 2_000}).json()
    assert (told["method"], told["samples"]) == ("simulated", 2_000)
    problem = demo_client.get(f"{API}/readiness/{DAY}/problem").json()
    body = {**problem, "method": "simulated", "samples": 2_000, "gains": 12}
    answer = demo_client.post(f"{API}/readiness", json=body).json()
    assert answer["list_readiness"] == told["until_here"]
    ours = {case["case"]: case["readiness"]["value"] for case in told["cases"]}
    assert {case["case"]: case["readiness"] for case in answer["cases"]} == ours
    assert [gain["gain"] for gain in answer["gains"]] == [gain["gain"] for gain in told["gains"]]


def test_a_day_is_simulated_unless_asked_otherwise_and_more_samples_agree(
    demo_client: TestClient,
) -> None:
    path = f"{API}/readiness/{DAY}"
    quick = demo_client.get(path).json()
    longer = demo_client.get(path, params={"method": "auto", "samples": 50_000}).json()
    assert (quick["method"], quick["samples"]) == ("simulated", 5_000)
    assert longer["samples"] == 50_000
    for one, other in zip(quick["cases"], longer["cases"], strict=True):
        values = [told["readiness"]["value"] for told in (one, other)]
        errors = [told["readiness"]["standard_error"] for told in (one, other)]
        assert abs(values[0] - values[1]) <= 4 * math.hypot(*errors) + 1e-9
    whole = [told["until_here"] for told in (quick, longer)]
    error = math.hypot(*(told["standard_error"] for told in whole))
    assert abs(whole[0]["value"] - whole[1]["value"]) <= 4 * error


def test_a_day_that_is_too_much_for_an_exact_answer_is_refused_not_waited_for(
    demo_client: TestClient,
) -> None:
    refused = demo_client.get(f"{API}/readiness/{DAY}", params={"method": "exact"})
    assert_problem(refused, 422, "bad-input")
    assert pointers(refused) == ["/method"]


@pytest.mark.parametrize(
    "params", [{"method": "guess"}, {"samples": 99}, {"samples": 100_001}, {"samples": "many"}]
)
def test_a_method_or_number_that_is_not_offered_is_refused(
    demo_client: TestClient, params: dict[str, Any]
) -> None:
    refused = demo_client.get(f"{API}/readiness/{DAY}", params=params)
    assert_problem(refused, 422, "bad-input")
    (name,) = params
    assert [name in pointer for pointer in pointers(refused)] == [True]


def test_the_least_sure_case_is_told_in_words(demo_client: TestClient) -> None:
    worst = demo_client.get(f"{API}/readiness/{DAY}").json()["worst"]
    assert worst["case"] == "HAR-0738"
    assert worst["unit"]["refs"] == ["AMB-N-130-12-400-R"]
    assert "one more AMB-N-130-12-400-R makes it" in worst["says"]


def test_a_day_in_the_past_has_no_readiness(demo_client: TestClient) -> None:
    yesterday = NOW.date() - timedelta(days=1)
    for path in (f"readiness/{yesterday}", f"readiness/{yesterday}/problem"):
        refused = demo_client.get(f"{API}/{path}")
        assert_problem(refused, 422, "bad-input")
        assert pointers(refused) == ["/day"]


def test_a_what_if_is_answered_and_not_saved(demo_client: TestClient) -> None:
    before = everything(demo_client)
    body = {"add_units": [{"ref": "FAL-L-115"}]}
    answer = demo_client.post(f"{API}/what_if/{DAY}", json=body)
    assert answer.status_code == 200
    assert {one["case"] for one in answer.json()["troubles"]} == {"HAR-0713"}
    assert everything(demo_client) == before


@pytest.mark.parametrize(
    ("body", "pointer"),
    [
        ({"add_units": [{"ref": "FAL-L-115", "quantity": 0}]}, "/add_units/0/quantity"),
        ({"add_units": [{"ref": "NO-SUCH"}]}, "/add_units/0/ref"),
        ({"colour": "red"}, "/colour"),
        ({"move_case": {"case": "HAR-0711"}}, "/move_case/starts"),
        (
            {"move_case": {"case": "HAR-0711", "starts": "11:00", "ends": "10:00"}},
            "/move_case/ends",
        ),
        ({"add_case": {"case": {}}}, "/add_case/plan"),
    ],
)
def test_a_what_if_that_cannot_be_read_is_refused_where_it_is_wrong(
    demo_client: TestClient, body: dict[str, Any], pointer: str
) -> None:
    before = everything(demo_client)
    refused = demo_client.post(f"{API}/what_if/{DAY}", json=body)
    assert_problem(refused, 422, "bad-input")
    assert pointer in pointers(refused)
    assert everything(demo_client) == before


def sign_in(client: TestClient) -> None:
    """Go on in a session instead of with a token."""
    del client.headers["Authorization"]
    client.headers["X-Form-Token"] = FORM_TOKEN
    client.cookies.set("traywright", SESSION)


def test_backups_are_confirmed_in_the_revision_that_was_read(demo_client: TestClient) -> None:
    path = f"{API}/cases/HAR-0714/confirmations"
    sign_in(demo_client)
    case = demo_client.get(f"{API}/cases/HAR-0714")
    tag = {"If-Match": case.headers["ETag"]}
    assert_problem(demo_client.post(path, json={"plan_revision": 1}), 428, "precondition-required")
    stale = demo_client.post(path, json={"plan_revision": 2}, headers=tag)
    assert_problem(stale, 412, "stale")
    done = demo_client.post(path, json={"plan_revision": 1}, headers=tag)
    assert done.status_code == 201
    assert done.json()["in_force"]
    again = demo_client.post(path, json={"plan_revision": 1}, headers=tag)
    assert_problem(again, 412, "stale")
    check = demo_client.get(f"{API}/checks/{case.json()['list_date']}").json()
    found = {one["case"]: one["confirmation"] for day in check["lists"] for one in day["cases"]}
    assert found["HAR-0714"]["in_force"]


def command(*words: str) -> "subprocess.CompletedProcess[str]":
    return subprocess.run(  # noqa: S603 - our own interpreter and our own words
        [sys.executable, "-m", "service", *words],
        cwd=ROOT,
        capture_output=True,
        text=True,
        check=False,
        timeout=60,
    )


def test_the_command_line_answers_a_problem_from_a_file(tmp_path: Path) -> None:
    file = tmp_path / "three.json"
    file.write_text(json.dumps(THREE), encoding="utf-8")
    said = command("readiness", str(file))
    assert said.returncode == 0, said.stderr
    assert "All cases can be done: 0.274 (exact)" in said.stdout
    assert "K2: 0.487" in said.stdout
    told = json.loads(command("readiness", str(file), "--json").stdout)
    assert told["list_readiness"]["value"] == pytest.approx(0.274, abs=1e-12)


def test_the_command_line_gives_a_kit_and_says_what_is_wrong(tmp_path: Path) -> None:
    file = tmp_path / "kit.json"
    file.write_text(json.dumps(KIT), encoding="utf-8")
    said = command("kit", str(file))
    assert said.returncode == 0, said.stderr
    assert "1 × size-0" in said.stdout
    assert "1 × size-1" in said.stdout
    assert "size-2" not in said.stdout
    file.write_text(json.dumps({**THREE, "method": "guess"}), encoding="utf-8")
    refused = command("readiness", str(file))
    assert refused.returncode == 2
    assert "/method" in refused.stderr
    file.write_text("{", encoding="utf-8")
    refused = command("kit", str(file), "--json")
    assert refused.returncode == 2
    assert "is not valid JSON at line 1" in refused.stderr
    assert "Traceback" not in refused.stderr
