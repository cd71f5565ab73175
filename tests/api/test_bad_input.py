"""What is wrong is refused with its field named, and nothing is saved."""

from typing import Any

import pytest
from fastapi.testclient import TestClient

from tests.api.sent import (
    API,
    CASE,
    DELIVERY,
    LAG,
    LONG_NAIL,
    NAIL_SET,
    RECEIVE,
    assert_problem,
    changed,
    everything,
    pointers,
    put_in_place,
)

ITEMS: dict[str, tuple[dict[str, Any], str]] = {
    "an unknown kind": (changed(LAG, ref="X", kind="spaceship"), "/kind"),
    "a negative length": (changed(LAG, ref="X", length_mm=-95), "/length_mm"),
    "a negative pack": (changed(LAG, ref="X", pack_quantity=-1), "/pack_quantity"),
    "a long nail for either side": (changed(LONG_NAIL, ref="X", side="either"), "/side"),
    "a long nail without a side": (changed(LONG_NAIL, ref="X", side=None), "/side"),
    "a GTIN with a wrong check digit": (changed(LAG, ref="X", gtin="02910000000018"), "/gtin"),
    "a GTIN a spreadsheet mangled": (changed(LAG, ref="X", gtin="2.91E+12"), "/gtin"),
    "a GTIN of 13 digits": (changed(LAG, ref="X", gtin="2910000000017"), "/gtin"),
    "a price without currency": (changed(LAG, ref="X", unit_price_minor=100), "/currency"),
    "a currency that is none": (
        changed(LAG, ref="X", unit_price_minor=100, currency="XQX"),
        "/currency",
    ),
    "a price beyond what is kept": (
        changed(LAG, ref="X", unit_price_minor=10**11, currency="GBP"),
        "/unit_price_minor",
    ),
    "a set without turnaround": (
        changed(NAIL_SET, ref="X", turnaround_minutes=None),
        "/turnaround_minutes",
    ),
    "a field nobody knows": (changed(LAG, ref="X", colour="red"), "/colour"),
    "a REF with a control character": (changed(LAG, ref="X\u0000"), "/ref"),
}


MOVEMENTS: dict[str, tuple[dict[str, Any], str]] = {
    "a negative quantity": (changed(RECEIVE, quantity=-1), "/quantity"),
    "a quantity of none": (changed(RECEIVE, quantity=0), "/quantity"),
    "a use-by date in the past": (changed(RECEIVE, use_by="2031-03-02"), "/use_by"),
    "a sterile implant without use-by date": (changed(RECEIVE, use_by=None), "/use_by"),
    "neither lot nor serial": (changed(RECEIVE, lot=None), "/lot"),
    "a loan that never goes back": (changed(RECEIVE, ownership="loan"), "/return_by"),
    "an unknown REF": (changed(RECEIVE, ref="NONE"), "/ref"),
    "an unknown shelf": (changed(RECEIVE, to={"store": "Moon", "shelf": "1"}), "/to"),
    "no shelf at all": (changed(RECEIVE, to=None), "/to"),
    "a shelf without its name": (changed(RECEIVE, to={"store": "Theatre store"}), "/to/shelf"),
    "a lot nobody has": (
        {
            "kind": "count",
            "ref": "T-L-095",
            "lot": "L9",
            "at": RECEIVE["to"],
            "counted": 1,
            "reason": "stock take",
        },
        "/lot",
    ),
    "a negative count": (
        {
            "kind": "count",
            "ref": "T-L-095",
            "lot": "L1",
            "at": RECEIVE["to"],
            "counted": -1,
            "reason": "stock take",
        },
        "/counted",
    ),
}


DELIVERIES: dict[str, tuple[dict[str, Any], str]] = {
    "a loan that does not say from when it is usable": (
        changed(DELIVERY, ownership="loan", return_by="2031-03-20"),
        "/usable_from",
    ),
    "usable before it is due": (
        changed(DELIVERY, usable_from="2031-03-03T10:00:00+00:00"),
        "/usable_from",
    ),
    "an unknown REF": (changed(DELIVERY, ref="NONE"), "/ref"),
    "a year no calendar here has": (changed(DELIVERY, due_at="1931-03-04T10:00:00Z"), "/due_at"),
}


CASES: dict[str, tuple[dict[str, Any], str]] = {
    "a list day in the past": (changed(CASE, list_date="2031-03-02"), "/list_date"),
    "an end before the start": (changed(CASE, ends="08:00"), "/ends"),
    "a start with a zone": (changed(CASE, starts="08:30+05:00"), "/starts"),
    "no side": (changed(CASE, side=None), "/side"),
    "both sides": (changed(CASE, side="either"), "/side"),
    "a marker of zero": (
        changed(CASE, measurements={"neck_film_mm": 110, "marker_film_mm": 0}),
        "/measurements/marker_film_mm",
    ),
    "a negative wall": (
        changed(CASE, findings={"lateral_wall_mm": -1}),
        "/findings/lateral_wall_mm",
    ),
    "a wall of nothing": (
        changed(CASE, findings={"lateral_wall_mm": 0}),
        "/findings/lateral_wall_mm",
    ),
    "a class without its year": (changed(CASE, fracture_class="31A2.2"), "/class_year"),
    "a year without a class": (changed(CASE, class_year=2018), "/fracture_class"),
    # There is no 31A2.1 in the 2018 edition: AO/OTA Fracture and Dislocation Classification
    # Compendium 2018, J Orthop Trauma 32 Suppl 1.
    "31A2.1 in 2018": (changed(CASE, fracture_class="31A2.1", class_year=2018), "/fracture_class"),
    "a classification of 1999": (
        changed(CASE, fracture_class="31A2.2", class_year=1999),
        "/class_year",
    ),
    "a day that is none": (changed(CASE, list_date="2031-02-30"), "/list_date"),
    "a position of none": (changed(CASE, position=0), "/position"),
}


@pytest.fixture
def stocked(client: TestClient) -> TestClient:
    """A department with a few items, a shelf and two lag screws on it."""
    put_in_place(client)
    assert client.post(f"{API}/movements", json=RECEIVE).status_code == 201
    return client


@pytest.mark.parametrize(
    ("path", "wrong"),
    [("items", ITEMS), ("movements", MOVEMENTS), ("deliveries", DELIVERIES), ("cases", CASES)],
    ids=["items", "movements", "deliveries", "cases"],
)
def test_a_wrong_field_is_named_and_nothing_is_saved(
    stocked: TestClient, path: str, wrong: dict[str, tuple[dict[str, Any], str]]
) -> None:
    before = everything(stocked)
    for named, (body, pointer) in wrong.items():
        response = stocked.post(f"{API}/{path}", json=body)
        assert_problem(response, 422, "bad-input")
        assert pointers(response) == [pointer], named
    assert everything(stocked) == before


def test_what_is_in_order_is_taken(stocked: TestClient) -> None:
    """The control of the tests above: the bodies they spoil are otherwise accepted."""
    in_order: tuple[tuple[str, dict[str, Any]], ...] = (
        ("items", changed(LAG, ref="X", gtin="02910000000017")),
        ("items", changed(LONG_NAIL, ref="Y")),
        ("items", changed(NAIL_SET, ref="Z")),
        ("movements", RECEIVE),
        ("deliveries", DELIVERY),
        ("cases", CASE),
    )
    for path, body in in_order:
        assert stocked.post(f"{API}/{path}", json=body).status_code == 201


def test_a_second_item_of_a_ref_or_a_gtin_is_refused(stocked: TestClient) -> None:
    gtin = "02910000000017"
    assert stocked.post(f"{API}/items", json=changed(LAG, ref="G", gtin=gtin)).status_code == 201
    before = everything(stocked)
    for body, pointer in ((LAG, "/ref"), (changed(LAG, ref="H", gtin=gtin), "/gtin")):
        response = stocked.post(f"{API}/items", json=body)
        assert_problem(response, 409, "duplicate")
        assert pointers(response) == [pointer]
    assert everything(stocked) == before


def test_a_second_case_delivery_or_shelf_of_a_name_is_refused(stocked: TestClient) -> None:
    for path, body in (("cases", CASE), ("deliveries", DELIVERY)):
        assert stocked.post(f"{API}/{path}", json=body).status_code == 201
    before = everything(stocked)
    shelf: dict[str, Any] = RECEIVE["to"]
    for path, body in (("cases", CASE), ("deliveries", DELIVERY), ("locations", shelf)):
        assert_problem(stocked.post(f"{API}/{path}", json=body), 409, "duplicate")
    assert everything(stocked) == before


def test_an_instrument_set_and_an_unsterile_pack_may_be_without_use_by_date(
    stocked: TestClient,
) -> None:
    copy = changed(RECEIVE, ref="T-IS", lot=None, serial="S1", quantity=1, use_by=None)
    assert stocked.post(f"{API}/movements", json=copy).status_code == 201
    opened = changed(RECEIVE, lot="L2", use_by=None, sterility="unsterile")
    assert stocked.post(f"{API}/movements", json=opened).status_code == 201


def test_a_lot_keeps_one_use_by_date(stocked: TestClient) -> None:
    before = everything(stocked)
    response = stocked.post(f"{API}/movements", json=changed(RECEIVE, use_by="2034-01-01"))
    assert_problem(response, 422, "bad-input")
    assert pointers(response) == ["/use_by"]
    assert "2033-01-01" in response.json()["errors"][0]["detail"]
    assert everything(stocked) == before


def test_more_than_is_there_cannot_be_moved(stocked: TestClient) -> None:
    away = {"store": "Quarantine", "shelf": "Q", "kind": "quarantine"}
    assert stocked.post(f"{API}/locations", json=away).status_code == 201
    before = everything(stocked)
    body = {
        "kind": "move",
        "ref": "T-L-095",
        "lot": "L1",
        "quantity": 3,
        "origin": RECEIVE["to"],
        "to": away,
    }
    response = stocked.post(f"{API}/movements", json=body)
    assert_problem(response, 409, "conflict")
    assert pointers(response) == ["/quantity"]
    assert everything(stocked) == before


@pytest.mark.parametrize(
    ("address", "pointer"),
    [
        ("stock?after=nonsense", "/after"),
        ("stock?after=1.x.REF", "/after"),
        ("stock?limit=0", "/limit"),
        ("items?limit=100000000", "/limit"),
        ("items?kind=spaceship", "/kind"),
        ("lists?first=2031-03-04&last=2031-03-03", "/last"),
        ("lists?first=2031-03-04&last=2039-03-03", "/last"),
        ("checks/2031-03-02", "/day"),
        ("checks/yesterday", "/day"),
    ],
)
def test_a_wrong_question_names_its_parameter(
    client: TestClient, address: str, pointer: str
) -> None:
    response = client.get(f"{API}/{address}")
    assert_problem(response, 422, "bad-input")
    assert pointers(response) == [pointer]


@pytest.mark.parametrize("sent", [b"{not json", b"", b"[]", b'"text"', b"null"])
def test_a_body_that_is_no_object_is_refused(client: TestClient, sent: bytes) -> None:
    before = everything(client)
    headers = {"content-type": "application/json"}
    assert_problem(client.post(f"{API}/items", content=sent, headers=headers), 422, "bad-input")
    assert everything(client) == before


def test_half_a_character_is_refused_and_can_be_answered(client: TestClient) -> None:
    """A lone surrogate is JSON but no text: it can neither be stored nor sent back."""
    before = everything(client)
    headers = {"content-type": "application/json"}
    for method, path, sent in (
        ("PUT", "guidance/rules", b'{"\\ud800": 1}'),
        ("PUT", "guidance/rules", b'{"source": "\\ud800"}'),
        ("PUT", "guidance/rules", b'{"rule": NaN}'),
        ("POST", "items", b'{"ref": "\\ud800"}'),
    ):
        response = client.request(method, f"{API}/{path}", content=sent, headers=headers)
        assert_problem(response, 422, "bad-input")
    assert everything(client) == before


@pytest.mark.parametrize(
    "address",
    ["cases/NONE", "items/NONE", "items/A/B", "constructs/none", "problems/none", "nothing"],
)
def test_what_is_not_there_is_a_problem_too(client: TestClient, address: str) -> None:
    assert_problem(client.get(f"{API}/{address}"), 404, "not-found")


def test_a_ref_with_a_stroke_has_an_address(client: TestClient) -> None:
    assert client.post(f"{API}/items", json=changed(LAG, ref="L/95")).status_code == 201
    assert client.get(f"{API}/items/L/95").json()["ref"] == "L/95"
    assert client.get(f"{API}/items/L%2F95").json()["ref"] == "L/95"


@pytest.mark.parametrize("path", ["sizing", "guidance"])
def test_planning_before_anything_is_loaded_says_what_is_missing(
    client: TestClient, path: str
) -> None:
    body = {"film": {"film_mm": 110}} if path == "sizing" else {"primary": "a@B/130"}
    response = client.post(f"{API}/{path}", json=body)
    assert_problem(response, 404, "not-found")
    assert "loaded" in response.json()["detail"]
