"""Orders over HTTP: who may do what, versions, repeats, files for the supplier.

What a status means: RFC 9110 and RFC 6585 (428); that a repeat with the same key acts once is the
service's own promise.
"""

import csv
import io
from pathlib import Path
from typing import Any

import httpx
import pytest
from fastapi.testclient import TestClient
from lxml import etree

from service.operations import backup
from service.operations.work import Work
from tests.api.sent import API, LAG, RECEIVE, SHELF, assert_problem, everything, pointers
from tests.api.sent import put_in_place as put_items_in_place
from tests.conftest import MakeDatabase, app_on
from tests.two_sites import add_somebody, bearer

XSD = Path(__file__).parents[1] / "published" / "ubl" / "maindoc" / "UBL-Order-2.1.xsd"


PRICED: dict[str, Any] = {
    **LAG,
    "ref": "T-L-100",
    "length_mm": 100,
    "gtin": "02910000000017",
    "pack_quantity": 2,
    "unit_price_minor": 12_000,
    "currency": "GBP",
    "lead_time_days": 3,
}


CAME: dict[str, Any] = {
    "ref": "T-L-100",
    "lot": "L9",
    "quantity": 2,
    "use_by": "2033-01-01",
    "to": SHELF,
}


@pytest.fixture
def shop(client: TestClient) -> TestClient:
    put_items_in_place(client)
    assert client.post(f"{API}/items", json=PRICED).status_code == 201
    return client


def drafted(shop: TestClient, quantity: int = 3) -> dict[str, Any]:
    body = {"lines": [{"ref": "T-L-100", "quantity": quantity, "why": ["case K-1"]}]}
    answer = shop.post(f"{API}/orders", json=body)
    assert answer.status_code == 201, answer.text
    order: dict[str, Any] = answer.json()["orders"][0]
    return order


def step(shop: TestClient, order: dict[str, Any], name: str, body: object = None) -> dict[str, Any]:
    """Take an order one step on from the version that was read."""
    path = f"{API}/orders/{order['reference']}/{name}"
    headers = {"If-Match": f'"{order["version"]}"'}
    answer = shop.post(path, json=body, headers=headers)
    assert answer.status_code == 200, answer.text
    assert answer.headers["ETag"] == f'"{answer.json()["version"]}"'
    changed: dict[str, Any] = answer.json()
    return changed


def sent(shop: TestClient) -> dict[str, Any]:
    return step(shop, step(shop, drafted(shop), "approve"), "send", {})


def test_an_order_goes_from_a_draft_to_the_shelf(shop: TestClient) -> None:
    order = drafted(shop)
    line = order["items"][0]
    assert (line["wanted"], line["quantity"], line["why"]) == (3, 4, ["case K-1"])
    # 4 × 120.00.
    assert order["total_says"] == "480.00 GBP"
    path = f"{API}/orders/{order['reference']}"
    tag = shop.get(path).headers["ETag"]
    edited = shop.put(
        f"{path}/lines",
        json={"lines": [{"ref": "T-L-100", "quantity": 2}], "note": "by Friday"},
        headers={"If-Match": tag},
    )
    assert (edited.status_code, edited.json()["items"][0]["quantity"]) == (200, 2)
    order = step(shop, step(shop, edited.json(), "approve"), "send", {})
    assert order["state"] == "sent"
    coming = shop.get(f"{API}/deliveries").json()["deliveries"]
    assert [(row["reference"], row["quantity"]) for row in coming] == [(order["reference"], 2)]
    done = shop.post(f"{path}/receive", json={"lines": [CAME]})
    assert done.json()["state"] == "received", done.text
    assert shop.get(f"{API}/deliveries").json()["deliveries"] == []
    stock = shop.get(f"{API}/stock").json()["stock"]
    assert [(row["ref"], row["lot"], row["quantity"]) for row in stock] == [("T-L-100", "L9", 2)]
    work: Work = shop.app.state.work  # type: ignore[attr-defined] # the test client types its app as any ASGI callable
    assert work.read(backup.verify).disagree == []


@pytest.mark.parametrize("name", ["lines", "due", "approve", "send"])
def test_a_change_says_which_version_it_is_based_on(shop: TestClient, name: str) -> None:
    order = drafted(shop)
    bodies: dict[str, Any] = {
        "lines": {"lines": [{"ref": "T-L-100", "quantity": 2}]},
        "due": {"due_at": "2031-03-09T10:00"},
        "approve": None,
        "send": {},
    }
    path = f"{API}/orders/{order['reference']}/{name}"
    method = "PUT" if name in {"lines", "due"} else "POST"
    assert_problem(shop.request(method, path, json=bodies[name]), 428, "precondition-required")
    stale = shop.request(method, path, json=bodies[name], headers={"If-Match": '"9"'})
    assert_problem(stale, 412, "stale")


def test_a_repeated_receipt_takes_the_units_once(shop: TestClient) -> None:
    order = sent(shop)
    path = f"{API}/orders/{order['reference']}/receive"
    key = {"Idempotency-Key": "receipt-of-monday"}
    first = shop.post(path, json={"lines": [CAME]}, headers=key)
    again = shop.post(path, json={"lines": [CAME]}, headers=key)
    assert first.status_code == again.status_code == 200
    assert first.json() == again.json()
    assert again.json()["items"][0]["received"] == 2
    assert shop.get(f"{API}/stock").json()["stock"][0]["quantity"] == 2


def test_a_refused_receipt_names_each_line_and_saves_nothing(shop: TestClient) -> None:
    order = sent(shop)
    before = everything(shop)
    wrong = [
        CAME,
        {**CAME, "ref": "T-L-095"},
        {**CAME, "lot": "L8", "use_by": "2031-03-01"},
        {"to": SHELF},
    ]
    path = f"{API}/orders/{order['reference']}/receive"
    answer = shop.post(path, json={"lines": wrong[:3]})
    assert_problem(answer, 422, "bad-input")
    assert pointers(answer) == ["/lines/1/ref", "/lines/2/use_by"]
    assert pointers(shop.post(path, json={"lines": wrong})) == ["/lines/3/ref"]
    assert everything(shop) == before


def test_the_list_is_filtered_and_paged(shop: TestClient) -> None:
    first = sent(shop)["reference"]
    second = drafted(shop)["reference"]

    def listed(query: str) -> list[str]:
        rows = shop.get(f"{API}/orders?{query}").json()["orders"]
        return [row["reference"] for row in rows]

    assert listed("") == [second, first]
    assert listed("state=sent") == [first]
    assert listed("late=true") == []
    assert listed("supplier=Test%20supply&kind=purchase") == [second, first]
    page = shop.get(f"{API}/orders?limit=1")
    assert f"after={second}" in page.headers["Link"]
    assert_problem(shop.get(f"{API}/orders?state=lost"), 422, "bad-input")
    assert_problem(shop.get(f"{API}/orders/PO-0"), 404, "not-found")


def test_the_csv_of_an_order_has_its_lines(shop: TestClient) -> None:
    order = sent(shop)
    answer = shop.get(f"{API}/orders/{order['reference']}/order.csv")
    assert answer.headers["content-type"].startswith("text/csv")
    rows = list(csv.DictReader(io.StringIO(answer.content.decode("utf-8-sig"), newline="")))
    assert [(row["ref"], row["quantity"], row["line_total"]) for row in rows] == [
        ("T-L-100", "4", "480.00")
    ]


def test_an_electronic_order_is_refused_until_everything_it_needs_is_known(
    shop: TestClient,
) -> None:
    order = sent(shop)
    path = f"{API}/orders/{order['reference']}/order.xml"
    refused = shop.get(path)
    assert_problem(refused, 409, "conflict")
    assert pointers(refused) == [
        "/buyer/endpoint_id",
        "/supplier/endpoint_id",
        "/supplier/country",
    ]
    buyer = {"legal_name": "Test hospital", "endpoint_id": "2900000000001"}
    put = shop.put(f"{API}/orders/buyer", json=buyer, headers={"If-Match": '"0"'})
    assert pointers(put) == ["/endpoint_scheme"]
    buyer["endpoint_scheme"] = "0088"
    put = shop.put(f"{API}/orders/buyer", json=buyer, headers={"If-Match": '"0"'})
    assert (put.status_code, put.headers["ETag"]) == (200, '"1"')
    assert_problem(
        shop.put(f"{API}/orders/buyer", json=buyer, headers={"If-Match": '"0"'}), 412, "stale"
    )
    seller = {"endpoint_id": "2900000000018", "endpoint_scheme": "0088", "country": "GB"}
    assert shop.put(f"{API}/suppliers/Test supply", json=seller).is_success
    answer = shop.get(path)
    assert answer.headers["content-type"] == "application/xml"
    document = etree.fromstring(answer.content)
    etree.XMLSchema(etree.parse(str(XSD))).assertValid(document)
    names = "{urn:oasis:names:specification:ubl:schema:xsd:CommonBasicComponents-2}"
    assert [one.text for one in document.iter(f"{names}EndpointID")] == [
        "2900000000001",
        "2900000000018",
    ]
    assert document.find(f"{names}ID").text == order["reference"]


def test_consigned_use_is_listed_and_billed_over_http(shop: TestClient) -> None:
    assert shop.get(f"{API}/orders/bill_only").json() == {"suppliers": []}
    answer = shop.post(f"{API}/orders/bill_only", json={})
    assert (answer.status_code, answer.json()) == (201, {"orders": []})


def test_a_set_is_borrowed_made_sterile_and_given_back_over_http(shop: TestClient) -> None:
    body = {
        "kind": "loan",
        "lines": [{"ref": "T-IS", "quantity": 1}],
        "return_by": "2031-03-20",
        "wanted_for": "list of 10 March",
    }
    loan = shop.post(f"{API}/orders", json=body).json()["orders"][0]
    loan = step(shop, step(shop, loan, "approve"), "send", {})
    path = f"{API}/orders/{loan['reference']}"
    came = {"ref": "T-IS", "serial": "S1", "to": SHELF}
    assert shop.post(f"{path}/receive", json={"lines": [came]}).json()["state"] == "received"
    made = {"ref": "T-IS", "serial": "S1", "ownership": "loan", "note": "load 14"}
    assert shop.post(f"{API}/sterilisations", json=made).status_code == 201
    here = shop.get(f"{API}/orders/loans").json()["loans"]
    assert [(one["reference"], one["loan"][0]["sterility"]) for one in here] == [
        (loan["reference"], "sterile")
    ]
    assert shop.get(f"{API}/orders/loans?overdue=true").json() == {"loans": []}
    back = shop.post(f"{path}/return", json={"lines": [{"ref": "T-IS", "serial": "S1"}]})
    assert back.json()["loan_says"] == "everything returned"


def test_an_order_whose_reference_has_a_slash_is_found(shop: TestClient) -> None:
    delivery = {"reference": "PO/7", "ref": "T-L-100", "quantity": 1}
    body = {**delivery, "due_at": "2031-03-04T10:00:00+00:00"}
    assert shop.post(f"{API}/deliveries", json=body).status_code == 201
    assert shop.get(f"{API}/orders/PO%2F7").json()["reference"] == "PO/7"
    came = {**CAME, "quantity": 1}
    done = shop.post(f"{API}/orders/PO%2F7/receive", json={"lines": [came]})
    assert done.json()["state"] == "received", done.text


def test_everybody_reads_orders_and_the_storekeeper_makes_them(make_database: MakeDatabase) -> None:
    app = app_on(make_database("sqlite", True))
    with TestClient(app) as client:
        for role in ("nurse", "surgeon", "storekeeper", "administrator"):
            add_somebody(app.state.work, f"only-{role}", [role])

        def ask(role: str, method: str, path: str, body: object = None) -> httpx.Response:
            headers = bearer(f"only-{role}")
            answer: httpx.Response = client.request(
                method, f"{API}/{path}", json=body, headers=headers
            )
            return answer

        wanted = {"lines": [{"ref": "AMB-L-090", "quantity": 1}]}
        for role in ("nurse", "surgeon", "administrator"):
            assert ask(role, "GET", "orders/PO-1041").status_code == 200
            assert ask(role, "GET", "orders/PO-1041/order.csv").status_code == 200
            assert_problem(ask(role, "POST", "orders", wanted), 403, "forbidden")
            assert_problem(
                ask(role, "POST", "orders/PO-1041/cancel", {"reason": "x"}), 403, "forbidden"
            )
        assert ask("storekeeper", "POST", "orders", wanted).status_code == 201


def test_the_demo_has_its_orders_on_their_way(demo_client: TestClient) -> None:
    """As in seed_data/deliveries.csv: ten lines, ten references, one of them a loan."""
    orders = demo_client.get(f"{API}/orders?state=sent").json()["orders"]
    assert len(orders) == 10
    loans = [one for one in orders if one["kind"] == "loan"]
    assert [(one["reference"], one["supplier"]) for one in loans] == [
        ("LOAN-0007", "Eskmere Demo Supply")
    ]
    deliveries = demo_client.get(f"{API}/deliveries").json()["deliveries"]
    assert {row["reference"] for row in deliveries} == {one["reference"] for one in orders}


def test_the_receive_body_of_the_stock_route_still_works_beside_orders(shop: TestClient) -> None:
    """Units may come without an order; no order is touched by them."""
    order = sent(shop)
    assert shop.post(f"{API}/movements", json=RECEIVE).status_code == 201
    assert shop.get(f"{API}/orders/{order['reference']}").json()["receipts"] == []
