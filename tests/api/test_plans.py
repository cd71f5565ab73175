"""Plans, constructs, sizing and guidance: what cannot be done is refused with its reason."""

from typing import Any

import pytest
from fastapi.testclient import TestClient

from tests.api.sent import API, assert_problem, changed, everything, pointers
from tests.conftest import NAME

CASE_REF = "HAR-0711"


NAIL = "short-single-lag-nail@Ambleford/130"


LONG = "long-single-lag-nail@Ambleford/130"


PLANS: dict[str, tuple[dict[str, Any], list[str], str]] = {
    "an unknown construct": ({"primary": "wishbone@Ambleford/130"}, ["/primary"], "known are"),
    "an angle that is not made": (
        {"primary": "short-single-lag-nail@Ambleford/121"},
        ["/primary"],
        "121° is not available",
    ),
    "no angle": (
        {"primary": "short-single-lag-nail@Ambleford"},
        ["/primary"],
        "an angle is needed",
    ),
    "a system nobody makes": (
        {"primary": "short-single-lag-nail@Nowhere/130"},
        ["/primary"],
        "not available in system",
    ),
    "an add-on on its own": ({"primary": "cerclage-wire"}, ["/primary"], "add-on"),
    "what cannot be read": ({"primary": "@@@"}, ["/primary"], "as code@System/angle"),
    "an alternate in a system nobody makes": (
        {"primary": NAIL, "alternates": [LONG, "long-single-lag-nail@Nowhere/130"]},
        ["/alternates/1"],
        "not available in system",
    ),
    "one construct twice": ({"primary": NAIL, "alternates": [NAIL]}, ["/alternates"], "once only"),
    "needs that do not sum to 1": (
        {
            "primary": NAIL,
            "needs": [
                {"need": "as planned", "probability": 0.7, "constructs": [NAIL]},
                {"need": "longer", "probability": 0.2, "constructs": []},
            ],
        },
        ["/needs"],
        "sum to 1",
    ),
    "a need beyond certainty": (
        {"primary": NAIL, "needs": [{"need": "as planned", "probability": 1.5}]},
        ["/needs/0/probability"],
        "enter 1 or less",
    ),
    "a need answered by what is not planned": (
        {
            "primary": NAIL,
            "needs": [{"need": "as planned", "probability": 1, "constructs": [LONG]}],
        },
        ["/needs/0/constructs"],
        "not planned",
    ),
    "something near of no kind": (
        {"primary": NAIL, "near": [{"kind": "spaceship", "reason": "you never know"}]},
        ["/near/0/kind"],
        "not a kind",
    ),
}


def test_a_plan_that_cannot_be_done_is_refused_with_its_reason(demo_client: TestClient) -> None:
    version = demo_client.get(f"{API}/cases/{CASE_REF}").headers["etag"]
    before = everything(demo_client)
    for named, (body, where, says) in PLANS.items():
        response = demo_client.put(
            f"{API}/cases/{CASE_REF}/plan", json=body, headers={"If-Match": version}
        )
        assert_problem(response, 422, "bad-input")
        assert pointers(response) == where, named
        assert says in response.json()["errors"][0]["detail"]
    assert everything(demo_client) == before


def test_a_plan_is_a_new_revision_and_the_former_one_stays(demo_client: TestClient) -> None:
    read = demo_client.get(f"{API}/cases/{CASE_REF}")
    revision = read.json()["plan"]["revision"]
    made = demo_client.put(
        f"{API}/cases/{CASE_REF}/plan",
        json={"primary": NAIL, "alternates": [LONG]},
        headers={"If-Match": read.headers["etag"]},
    )
    assert made.status_code == 200
    plan = made.json()["plan"]
    assert (plan["revision"], plan["actor"]) == (revision + 1, NAME)
    assert sum(need["probability"] for need in plan["needs"]) == pytest.approx(1)
    assert len(everything(demo_client)["plan"]) == 52 + 1, "52 demo cases have a plan each"


def test_a_suggestion_for_what_cannot_be_read_names_it(demo_client: TestClient) -> None:
    response = demo_client.get(f"{API}/cases/{CASE_REF}/suggestions", params={"primary": "@@@"})
    assert_problem(response, 422, "bad-input")
    assert pointers(response) == ["/primary"]


ROLE = {"role": "nail", "kinds": ["two_screw_nail"], "match": ["system", "angle", "side"]}


TEMPLATE = {"name": "Trial", "part": "base", "roles": [ROLE]}


TEMPLATES: dict[str, tuple[dict[str, Any], str]] = {
    "a kind that is none": (
        changed(TEMPLATE, roles=[{**ROLE, "kinds": ["spaceship"]}]),
        "/roles/0/kinds",
    ),
    "quantities that do not sum to 1": (
        changed(TEMPLATE, roles=[{**ROLE, "quantity": {"1": 0.5}}]),
        "/roles/0/quantity",
    ),
    "nothing ever taken": (
        changed(TEMPLATE, roles=[{**ROLE, "quantity": {"0": 1.0}}]),
        "/roles/0/quantity",
    ),
    "no role": (changed(TEMPLATE, roles=[]), "/roles"),
}


def test_a_faulty_template_is_refused(demo_client: TestClient) -> None:
    before = everything(demo_client)
    for named, (body, pointer) in TEMPLATES.items():
        response = demo_client.put(f"{API}/constructs/trial", json=body)
        assert_problem(response, 422, "bad-input")
        assert pointers(response) == [pointer], named
    assert everything(demo_client) == before


def test_a_template_the_catalogue_cannot_fill_is_refused_with_the_role_and_the_reason(
    demo_client: TestClient,
) -> None:
    before = everything(demo_client)
    impossible = {**ROLE, "where": [{"field": "length_mm", "at_least": 590}]}
    response = demo_client.put(
        f"{API}/constructs/trial", json=changed(TEMPLATE, roles=[impossible])
    )
    assert_problem(response, 422, "bad-input")
    (fault,) = response.json()["errors"]
    assert fault["pointer"].startswith("/roles/0")
    assert "nail" in fault["detail"]
    assert everything(demo_client) == before
    put = demo_client.put(f"{API}/constructs/trial", json=TEMPLATE)
    assert put.status_code == 200, "the control: the same template without the impossible length"


def test_a_construct_in_use_is_not_removed(demo_client: TestClient) -> None:
    code = "short-single-lag-nail"
    version = demo_client.get(f"{API}/constructs/{code}").headers["etag"]
    before = everything(demo_client)
    response = demo_client.delete(f"{API}/constructs/{code}", headers={"If-Match": version})
    assert_problem(response, 409, "conflict")
    assert "HAR-0712" in response.json()["cases"]
    assert everything(demo_client) == before


SIZINGS: dict[str, tuple[dict[str, Any], str]] = {
    "a marker of zero": ({"film": {"film_mm": 114, "marker_film_mm": 0}}, "/film/marker_film_mm"),
    "a negative film": ({"film": {"film_mm": -1}}, "/film/film_mm"),
    "one view for the tip–apex distance": (
        {"views": [{"tip_to_apex_film_mm": 13, "screw_true_mm": 10, "screw_film_mm": 12}]},
        "/views",
    ),
    "a size that is made but negative": (
        {"film": {"film_mm": 114}, "sizes_made_mm": [-80, 85]},
        "/sizes_made_mm/0",
    ),
}


def test_a_size_that_cannot_be_worked_out_names_its_field(demo_client: TestClient) -> None:
    for named, (body, pointer) in SIZINGS.items():
        response = demo_client.post(f"{API}/sizing", json=body)
        assert_problem(response, 422, "bad-input")
        assert pointers(response) == [pointer], named


def test_a_size_beyond_what_is_made_is_said_and_not_rounded_to_the_longest(
    demo_client: TestClient,
) -> None:
    body = {
        "film": {"film_mm": 180, "marker_film_mm": 30},
        "sizes_made_mm": [80, 85, 90, 95],
    }
    answer = demo_client.post(f"{API}/sizing", json=body).json()
    assert answer["true_size"]["mean_mm"] == pytest.approx(180 * 25 / 30)
    assert answer["nominal_mm"] is None
    assert answer["bring_mm"] == []
    assert answer["bring_probability"] == 0


def test_the_tip_apex_distance_of_two_views(demo_client: TestClient) -> None:
    """Worked: 13·10/12 + 11·10/12.5 = 19.63 mm. Formula and 25 mm target: Baumgaertner 1995."""
    views = [
        {"tip_to_apex_film_mm": 13, "screw_true_mm": 10, "screw_film_mm": 12},
        {"tip_to_apex_film_mm": 11, "screw_true_mm": 10, "screw_film_mm": 12.5},
    ]
    answer = demo_client.post(f"{API}/sizing", json={"views": views}).json()
    assert answer["tip_apex_distance_mm"] == pytest.approx(19.6333, abs=1e-4)
    assert answer["tip_apex_target_mm"] == 25


def test_a_class_the_edition_has_not_is_refused_by_guidance(demo_client: TestClient) -> None:
    """There is no 31A2.1 in 2018 (AO/OTA compendium 2018), and a class has its year."""
    for given, pointer in (
        ({"fracture_class": "31A2.1", "class_year": 2018}, "/fracture_class"),
        ({"fracture_class": "31A2.2"}, "/class_year"),
    ):
        response = demo_client.post(f"{API}/guidance", json={"primary": NAIL, **given})
        assert_problem(response, 422, "bad-input")
        assert pointers(response) == [pointer]
