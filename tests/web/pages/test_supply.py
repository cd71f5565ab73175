"""What the forms about shortfalls, orders, loans and suppliers do and refuse; no browser needed."""

import re
from html import unescape
from typing import Any

from fastapi.testclient import TestClient

from service.operations.work import Work
from tests.conftest import app_on
from tests.two_sites import add_somebody, bearer

HTML = {"Accept": "text/html"}


#: planted.csv: HAR-0712 misses this screw; catalogue.csv: 96.00 GBP, of Fallowmere Demo Supply.
SCREW = "FAL-L-115"


ONCE = "a-key-that-no-other-form-has-used"


def _page(client: TestClient, path: str) -> str:
    answer = client.get(path, headers=HTML)
    assert answer.status_code == 200
    return unescape(answer.text)


def _post(client: TestClient, path: str, **values: str) -> Any:  # noqa: ANN401 - httpx is not ours
    return client.post(path, data=values, headers=HTML, follow_redirects=False)


def _tick(client: TestClient, way: str, ref: str) -> tuple[str, str]:
    """Find the box of a way on the page, and the number of its shortfall."""
    found = re.search(rf'value="((\d+)\t{way}\t{ref})"', _page(client, "/shortfalls"))
    assert found
    return found.group(1), found.group(2)


def _draft(client: TestClient, quantity: str = "1", once: str = ONCE) -> Any:  # noqa: ANN401 - httpx is not ours
    take, number = _tick(client, "purchase", SCREW)
    values = {"take": take, f"quantity-{number}": quantity, "days": "14", "once": once}
    return _post(client, "/shortfalls/drafts", **values)


def _save(client: TestClient, quantity: str, version: str, **more: str) -> Any:  # noqa: ANN401 - httpx is not ours
    line = {"ref-0": SCREW, "quantity-0": quantity, "price-0": "96.00"}
    values = {**line, "currency": "GBP", "version": version, **more}
    return _post(client, "/orders/PO-2031-0001/lines", **values)


def _send(client: TestClient) -> None:
    assert _draft(client).status_code == 303
    assert _save(client, "1", "1", then="approve").status_code == 303
    version = client.get("/api/v1/orders/PO-2031-0001").json()["version"]
    sent = {"act": "send", "version": str(version), "once": f"{ONCE}-sent"}
    assert _post(client, "/orders/PO-2031-0001/decide", **sent).status_code == 303


def test_a_double_tap_drafts_once(demo_client: TestClient) -> None:
    assert [_draft(demo_client).status_code for _ in range(2)] == [303, 303]
    (line,) = demo_client.get("/api/v1/orders/PO-2031-0001").json()["items"]
    assert (line["ref"], line["quantity"]) == (SCREW, 1)
    assert line["why"] == ["short for HAR-0712, 2031-03-04"]


def test_a_wrong_quantity_is_named_at_its_field_and_the_tick_stays(demo_client: TestClient) -> None:
    answer = _draft(demo_client, quantity="many")
    _, number = _tick(demo_client, "purchase", SCREW)
    text = unescape(answer.text)
    assert answer.status_code == 422
    assert f'href="#field-quantity-{number}"' in text
    assert 'value="many" aria-invalid="true"' in text
    assert re.search(rf'value="{number}\tpurchase\t{SCREW}" checked', text)
    assert demo_client.get("/api/v1/orders?state=draft").json()["orders"] == []


def test_nothing_ticked_drafts_nothing_and_says_so(demo_client: TestClient) -> None:
    answer = _post(demo_client, "/shortfalls/drafts", days="14", once=ONCE)
    assert answer.status_code == 422
    assert "tick at least one order or loan" in answer.text


def test_a_stale_draft_keeps_what_was_typed_and_shows_what_is_there(
    demo_client: TestClient,
) -> None:
    _draft(demo_client)
    assert _save(demo_client, "5", "1").status_code == 303
    answer = _save(demo_client, "7", "1")
    text = unescape(answer.text)
    assert answer.status_code == 412
    assert "Somebody else has changed this order. Nothing was saved." in text
    assert 'name="quantity-0" value="7"' in text
    assert "now 5" in text
    (line,) = demo_client.get("/api/v1/orders/PO-2031-0001").json()["items"]
    assert line["wanted"] == 5


def test_a_price_that_is_no_amount_is_named_and_an_empty_one_is_unknown(
    demo_client: TestClient,
) -> None:
    _draft(demo_client)
    answer = _save(demo_client, "1", "1", **{"price-0": "12,50"})
    assert answer.status_code == 422
    assert 'href="#field-price-0"' in answer.text
    assert _save(demo_client, "1", "1", **{"price-0": ""}).status_code == 303
    assert "1 line without price" in _page(demo_client, "/orders/PO-2031-0001")
    assert "price unknown" in _page(demo_client, "/orders")


def test_an_electronic_order_names_what_it_lacks_and_is_written_once_that_is_said(
    demo_client: TestClient,
) -> None:
    _send(demo_client)
    answer = demo_client.get("/orders/PO-2031-0001/order.xml", headers=HTML)
    text = unescape(answer.text)
    assert answer.status_code == 409
    assert "the supplier has no electronic address and scheme" in text
    assert 'href="/suppliers?name=Fallowmere%20Demo%20Supply"' in text
    name = "Fallowmere Demo Supply"
    found = re.search(
        r'name="version" value="(\d+)"', _page(demo_client, f"/suppliers?name={name}")
    )
    assert found
    # GLNs from the general range, with their check digits.
    supplier = {
        **{f"works-{day}": "yes" for day in ("Monday", "Tuesday")},
        "name": name,
        "version": found.group(1),
        "minimum_order": "750.00",
        "currency": "GBP",
        "country": "GB",
        "endpoint_id": "4000001000005",
        "endpoint_scheme": "0088",
    }
    assert _post(demo_client, "/suppliers", **supplier).status_code == 303
    buyer = {
        "buyer_legal_name": "Harrowmere General",
        "buyer_endpoint_id": "4000001000012",
        "buyer_endpoint_scheme": "0088",
        "version": "0",
    }
    assert _post(demo_client, "/suppliers/buyer", **buyer).status_code == 303
    assert _post(demo_client, "/suppliers/buyer", **buyer).status_code == 412
    answer = demo_client.get("/orders/PO-2031-0001/order.xml", headers=HTML)
    assert answer.status_code == 200
    assert 'filename="PO-2031-0001.xml"' in answer.headers["content-disposition"]
    assert b"4000001000012" in answer.content


def _receive(client: TestClient, order: str, **values: str) -> Any:  # noqa: ANN401 - httpx is not ours
    once = values.pop("once", f"{ONCE}-{order}")
    return _post(client, f"/orders/{order}/receive", act="receive", once=once, **values)


def test_a_surplus_is_taken_only_with_a_tick_and_nothing_is_saved_before(
    demo_client: TestClient,
) -> None:
    # deliveries.csv: three of AMB-L-090 are to come with PO-1041.
    row = {
        "ref-0": "AMB-L-090",
        "lot-0": "L9",
        "use_by-0": "2033-03-01",
        "quantity-0": "4",
        "expected-0": "3",
        "to-0": "Central store, A-02-4",
    }
    answer = _receive(demo_client, "PO-1041", **row)
    assert answer.status_code == 422
    assert 'href="#field-quantity-0"' in answer.text
    assert "3 of AMB-L-090 outstanding, 4 received" in unescape(answer.text)
    assert 'name="surplus-0"' in answer.text
    assert demo_client.get("/api/v1/orders/PO-1041").json()["receipts"] == []
    assert _receive(demo_client, "PO-1041", **row, **{"surplus-0": "yes"}).status_code == 303
    assert demo_client.get("/api/v1/orders/PO-1041").json()["items"][0]["received"] == 4


def test_a_line_that_was_touched_but_has_no_lot_is_not_left_out_in_silence(
    demo_client: TestClient,
) -> None:
    row = {"ref-0": "AMB-L-090", "quantity-0": "2", "expected-0": "3"}
    answer = _receive(demo_client, "PO-1041", **row, **{"to-0": "Central store, A-02-4"})
    assert answer.status_code == 422
    assert "enter the lot or the serial" in answer.text
    # The shelf alone is not enough: the stores all have one of that name.
    answer = _receive(demo_client, "PO-1041", **row, **{"to-0": "A-02-4"})
    assert answer.status_code == 422
    assert "its store, a comma, and the shelf" in answer.text


def test_a_loan_is_received_made_sterile_and_sent_back_with_what_is_missing(
    demo_client: TestClient,
) -> None:
    # deliveries.csv: one Eskmere nail set on loan with LOAN-0007, back by 11 March.
    row = {"ref-0": "ESK-IS", "serial-0": "E-7", "quantity-0": "1", "expected-0": "1"}
    answer = _receive(demo_client, "LOAN-0007", **row, **{"to-0": "Central store, G-06-5"})
    assert answer.status_code == 303
    assert "1 not sterile" in _page(demo_client, "/orders")
    lot = {"ref": "ESK-IS", "serial": "E-7", "once": f"{ONCE}-sterile"}
    assert _post(demo_client, "/orders/LOAN-0007/sterilise", **lot).status_code == 303
    assert "● sterile" in re.sub(r"<[^>]+>", "", _page(demo_client, "/orders/LOAN-0007"))
    # Sterile, it is reserved at once for the case that waited for it, and does not go back before.
    waiting = demo_client.get("/api/v1/cases/HAR-0716")
    off = {"If-Match": waiting.headers["ETag"]}
    assert demo_client.delete("/api/v1/cases/HAR-0716", headers=off).status_code == 200
    back = {"ref-0": "ESK-IS", "serial-0": "E-7", "back-0": "2", "note-0": "one reamer"}
    answer = _post(demo_client, "/orders/LOAN-0007/return", **back, once=f"{ONCE}-back")
    assert answer.status_code == 422
    assert 'href="#field-back-0"' in answer.text
    back["back-0"] = "1"
    answer = _post(demo_client, "/orders/LOAN-0007/return", **back, once=f"{ONCE}-back")
    assert answer.status_code == 303
    assert "one reamer" in _page(demo_client, "/orders/LOAN-0007")
    assert "No loans to return" in _page(demo_client, "/orders?view=loans")


def test_a_holiday_is_kept_and_made_an_ordinary_day_again(demo_client: TestClient) -> None:
    day = {"day": "2031-05-01", "holiday": "May day"}
    assert _post(demo_client, "/suppliers/holidays", **day, once=ONCE).status_code == 303
    words = re.sub(r"<[^>]+>", " ", _page(demo_client, "/suppliers"))
    assert re.search(r"Thu 1 May\s+May day", words)
    gone = {"day": "2031-05-01", "act": "remove", "once": f"{ONCE}-gone"}
    assert _post(demo_client, "/suppliers/holidays", **gone).status_code == 303
    assert "May day" not in _page(demo_client, "/suppliers")


def test_a_nurse_reads_and_makes_sterile_and_decides_nothing(demo_work: Work) -> None:
    add_somebody(demo_work, "nora", ["nurse"])
    nurse = bearer("nora") | HTML
    with TestClient(app_on(demo_work.settings.database_url)) as client:
        pages = ("/shortfalls", "/orders", "/orders/PO-1041", "/suppliers")
        texts = [client.get(path, headers=nurse).text for path in pages]
        for text in texts:
            assert "Add to draft" not in text
            assert "Book in" not in text
            assert "Cancel this order" not in text
            assert "Add closed day" not in text
        for path in ("/shortfalls/drafts", "/orders/PO-1041/decide", "/orders/PO-1041/receive"):
            assert client.post(path, data={}, headers=nurse).status_code == 403
        lot = {"ref": "ESK-IS", "serial": "E-7", "once": ONCE}
        answer = client.post("/orders/LOAN-0007/sterilise", data=lot, headers=nurse)
        assert answer.status_code == 422
        assert "this lot of ESK-IS (loan) is not in stock" in answer.text
