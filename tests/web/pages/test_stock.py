"""What the forms of the stock pages do and refuse, role by role; no browser needed."""

import re
from html import unescape
from typing import Any

import pytest
from fastapi.testclient import TestClient

from service.operations.stock import view as item_view
from service.operations.work import Work
from tests.conftest import app_on
from tests.two_sites import add_site, add_somebody, bearer
from web.pages.items import amounts_of

HTML = {"Accept": "text/html"}


#: stock.csv: two of lot A29S0238, reserved for nobody.
UNITS = {
    "ref": "AMB-L-090",
    "lot": "A29S0238",
    "serial": "",
    "ownership": "owned",
    "store": "Central store",
    "shelf": "A-02-4",
}


MOVE = {"action": "move", "quantity": "1", "to_store": "Theatre store", "to": "A-02-4"}


def _key(client: TestClient, **more: str) -> str:
    page = client.get("/stock/units", params={**UNITS, **more}, headers=HTML)
    assert page.status_code == 200
    found = re.search(r'name="once" value="([^"]+)"', page.text)
    assert found
    return found.group(1)


def _there(client: TestClient, shelf: str = "A-02-4", store: str = "Central store") -> int:
    rows = client.get("/api/v1/stock", params={"ref": "AMB-L-090", "limit": 500}).json()["stock"]
    wanted = ("A29S0238", store, shelf)
    return sum(
        row["quantity"] for row in rows if (row["lot"], row["store"], row["shelf"]) == wanted
    )


def _send(client: TestClient, once: str, **values: str) -> Any:  # noqa: ANN401 - httpx is not ours
    data = {**UNITS, "once": once, **values}
    return client.post("/stock/units", data=data, headers=HTML, follow_redirects=False)


def test_a_double_tap_moves_units_once(demo_client: TestClient) -> None:
    once = _key(demo_client)
    first, second = (_send(demo_client, once, **MOVE) for _ in range(2))
    assert (first.status_code, second.status_code) == (303, 303)
    assert first.headers["location"] == second.headers["location"]
    assert (_there(demo_client), _there(demo_client, store="Theatre store")) == (1, 1)
    said = demo_client.get(first.headers["location"], headers=HTML).text
    where = "from Central store, A-02-4 to Theatre store, A-02-4."
    assert f"Moved: 1 of lot A29S0238 {where}" in unescape(said)


def test_the_same_form_with_something_else_in_it_is_refused(demo_client: TestClient) -> None:
    once = _key(demo_client)
    _send(demo_client, once, action="count", counted="1", reason="looked twice")
    again = _send(demo_client, once, action="count", counted="0", reason="looked twice")
    assert again.status_code == 422
    assert "saved already" in again.text
    assert _there(demo_client) == 1


def test_a_count_that_agrees_says_so_and_writes_no_line(demo_client: TestClient) -> None:
    answer = _send(demo_client, _key(demo_client), action="count", counted="2", reason="monthly")
    said = demo_client.get(answer.headers["location"], headers=HTML).text
    assert "Count agrees: 2 of lot A29S0238 at Central store, A-02-4." in unescape(said)
    assert 'action="/items/undo"' not in said


@pytest.mark.parametrize(
    ("counted", "change"), [("1", "1 fewer"), ("0", "2 fewer"), ("5", "3 more")]
)
def test_a_count_says_how_many_there_are_and_were(
    demo_client: TestClient, counted: str, change: str
) -> None:
    once = _key(demo_client)
    answer = _send(demo_client, once, action="count", counted=counted, reason="monthly")
    said = unescape(demo_client.get(answer.headers["location"], headers=HTML).text)
    found = f"Count saved: {counted} (was 2, {change}), lot A29S0238 at Central store, A-02-4."
    assert found in said
    assert _there(demo_client) == int(counted)


@pytest.mark.parametrize(
    "values",
    [
        MOVE,
        {"action": "count", "counted": "0", "reason": "not seen"},
        {"action": "count", "counted": "5", "reason": "three more"},
        {"action": "write_off", "quantity": "2", "reason": "dropped"},
    ],
)
def test_what_was_just_saved_is_undone_by_a_new_line_once(
    demo_client: TestClient, values: dict[str, str]
) -> None:
    answer = _send(demo_client, _key(demo_client), **values)
    page = demo_client.get(answer.headers["location"], headers=HTML).text
    found = re.search(r'name="once" value="([^"]+-u)".*name="seq" value="(\d+)"', page)
    assert found
    form = {"ref": "AMB-L-090", "once": found.group(1), "seq": found.group(2)}
    done = [
        demo_client.post("/items/undo", data=form, headers=HTML, follow_redirects=False)
        for _ in range(2)
    ]
    assert [one.status_code for one in done] == [303, 303]
    assert _there(demo_client) == 2
    said = demo_client.get(done[1].headers["location"], headers=HTML).text
    assert "Undone: " in said
    assert 'action="/items/undo"' not in said
    again = demo_client.post("/items/undo", data={**form, "once": "z" * 24}, headers=HTML)
    assert again.status_code == 409
    assert "has already been corrected" in again.text


def test_what_was_released_goes_back_to_quarantine_when_it_is_undone(
    demo_client: TestClient,
) -> None:
    _send(demo_client, _key(demo_client), action="quarantine", quantity="2", reason="seal torn")
    rows = demo_client.get("/api/v1/stock", params={"ref": "AMB-L-090", "limit": 500}).json()
    (held,) = [row for row in rows["stock"] if row["lot"] == "A29S0238"]
    place = {"store": held["store"], "shelf": held["shelf"]}
    values = {"action": "release", "quantity": "2", "reason": "was dust", **place}
    values |= {"to_store": "Central store", "to": "A-02-4"}
    answer = _send(demo_client, _key(demo_client, **place), **values)
    page = demo_client.get(answer.headers["location"], headers=HTML).text
    found = re.search(r'name="once" value="([^"]+-u)".*name="seq" value="(\d+)"', page)
    assert found
    form = {"ref": "AMB-L-090", "once": found.group(1), "seq": found.group(2)}
    assert demo_client.post("/items/undo", data=form, headers=HTML).status_code == 200
    assert _there(demo_client) == 0
    assert _there(demo_client, held["shelf"], held["store"]) == 2


def test_a_shelf_that_is_new_is_added_when_that_is_ticked(demo_client: TestClient) -> None:
    once = _key(demo_client)
    new = {**MOVE, "to": "Z-99"}
    refused = _send(demo_client, once, **new)
    assert refused.status_code == 422
    assert 'name="add_shelf" value="Theatre store, Z-99"' in refused.text
    # The tick is for the shelf it was offered with, not for whatever is typed after it.
    other = _send(demo_client, once, **{**new, "to": "Z-98"}, add_shelf="Theatre store, Z-99")
    assert other.status_code == 422
    assert _send(demo_client, once, **new, add_shelf="Theatre store, Z-99").status_code == 303
    assert _there(demo_client, "Z-99", "Theatre store") == 1


def test_what_is_free_reserved_and_elsewhere_adds_up_to_what_is_in_stock(demo_work: Work) -> None:
    # stock.csv: an expired lot of the first, and of the second one in quarantine.
    refs = ("AMB-N-130-12-300-R", "AMB-N-135-12-180", "AMB-L-090", "AMB-D-38")
    views = demo_work.read(lambda unit: [item_view.view_item(unit, ref) for ref in refs])
    seen: set[str] = set()
    for view in views:
        amounts = dict(amounts_of(view))
        seen |= {name for name, count in amounts.items() if count}
        assert sum(amounts.values()) == view.size.here == sum(lot.quantity for lot in view.lots)
        free = sum(lot.quantity - lot.held for lot in view.lots if not lot.not_usable)
        assert amounts["Free"] == free
    assert seen >= {"Free", "Reserved", "Expired", "In quarantine"}


def test_the_overview_names_what_is_short_before_the_counts(demo_client: TestClient) -> None:
    page = demo_client.get("/stock", headers=HTML).text
    parts = ['id="short"', 'id="low"', 'id="expires"', "By family", ">PO-1041<"]
    places = [page.index(part) for part in parts]
    assert places == sorted(places)
    # planted.csv: HAR-0712 needs this screw, and none is in stock.
    assert "FAL-L-115" in page[: places[1]]


@pytest.mark.parametrize(
    ("values", "field"),
    [
        ({**MOVE, "to": "Z-99"}, "to"),
        ({**MOVE, "quantity": "3"}, "quantity"),
        ({**MOVE, "quantity": "two"}, "quantity"),
        ({"action": "count", "counted": "-1", "reason": "x"}, "counted"),
        ({"action": "count", "counted": "1"}, "reason"),
        ({"action": "write_off", "quantity": "", "reason": "lost"}, "quantity"),
    ],
)
def test_a_wrong_field_is_named_and_what_was_typed_stays(
    demo_client: TestClient, values: dict[str, str], field: str
) -> None:
    answer = _send(demo_client, _key(demo_client), **values)
    assert answer.status_code == 422
    assert f'href="#field-{field}"' in answer.text
    wrong = re.search(rf'<input id="field-{field}"[^>]*>', answer.text)
    assert wrong
    assert 'aria-invalid="true"' in wrong.group()
    typed = values.get(field, "")
    assert not typed or f'value="{typed}"' in wrong.group()
    assert _there(demo_client) == 2


def test_units_go_to_quarantine_and_back_to_a_shelf(demo_client: TestClient) -> None:
    _send(demo_client, _key(demo_client), action="quarantine", quantity="2", reason="seal torn")
    assert _there(demo_client) == 0
    rows = demo_client.get("/api/v1/stock", params={"ref": "AMB-L-090", "limit": 500}).json()
    (held,) = [row for row in rows["stock"] if row["lot"] == "A29S0238"]
    assert held["location_kind"] == "quarantine"
    place = {"store": held["store"], "shelf": held["shelf"]}
    page = demo_client.get("/stock/units", params={**UNITS, **place}, headers=HTML).text
    assert "Release" in page
    values = {"action": "release", "quantity": "2", "reason": "was dust", **place}
    values |= {"to_store": "Central store", "to": "A-02-4"}
    answer = _send(demo_client, _key(demo_client, **place), **values)
    assert answer.status_code == 303
    assert _there(demo_client) == 2


def test_promised_units_are_not_written_off_and_the_case_is_named(demo_client: TestClient) -> None:
    rows = demo_client.get("/api/v1/stock", params={"ref": "AMB-L-090", "limit": 500}).json()
    row = next(one for one in rows["stock"] if one["held"] == one["quantity"])
    which = {name: row[name] for name in ("lot", "serial", "ownership", "store", "shelf")}
    once = _key(demo_client, **which)
    values = {"action": "write_off", "quantity": str(row["quantity"]), "reason": "dropped"}
    answer = _send(demo_client, once, **which, **values)
    assert answer.status_code == 422
    assert re.search(r"These units are reserved: case HAR-\d+", answer.text)


def _nurse(work: Work) -> dict[str, str]:
    add_somebody(work, "nora", ["nurse"])
    return {**bearer("nora"), **HTML}


def test_a_nurse_moves_and_quarantines_and_nothing_else(demo_work: Work) -> None:
    nurse = _nurse(demo_work)
    with TestClient(app_on(demo_work.settings.database_url)) as client:
        page = client.get("/stock/units", params=UNITS, headers=nurse).text
        tabs = re.findall(r"action=(\w+)\"", page)
        assert tabs == ["move", "quarantine"]
        data = {**UNITS, "once": "k" * 24, "action": "count", "counted": "0", "reason": "x"}
        answer = client.post("/stock/units", data=data, headers=nurse)
        assert answer.status_code == 403
        assert "storekeeper" in answer.text
        data = {**UNITS, **MOVE, "to": "Z-99", "once": "n" * 24}
        refused = client.post("/stock/units", data=data, headers=nurse)
        assert 'name="add_shelf"' not in refused.text
        data["add_shelf"] = "Theatre store, Z-99"
        assert client.post("/stock/units", data=data, headers=nurse).status_code == 403
        for path in ("/recalls", "/transfers", "/recalls/lift"):
            assert client.post(path, data={}, headers=nurse).status_code == 403


def test_units_of_another_site_do_not_exist(demo_work: Work) -> None:
    add_somebody(demo_work, "olga", ["storekeeper"], add_site(demo_work))
    stranger = {**bearer("olga"), **HTML}
    with TestClient(app_on(demo_work.settings.database_url)) as client:
        page = client.get("/stock/units", params=UNITS, headers=stranger)
        assert page.status_code == 404
        data = {**UNITS, "once": "k" * 24, "action": "count", "counted": "0", "reason": "x"}
        assert client.post("/stock/units", data=data, headers=stranger).status_code == 404
        assert "A29S0238" not in client.get("/items/AMB-L-090", headers=stranger).text


def test_a_transfer_is_asked_for_and_answered_on_the_page(demo_work: Work) -> None:
    other = add_site(demo_work)
    add_somebody(demo_work, "olga", ["storekeeper"], other)
    add_somebody(demo_work, "stan", ["storekeeper"])
    asks, answers = {**bearer("olga"), **HTML}, {**bearer("stan"), **HTML}
    with TestClient(app_on(demo_work.settings.database_url)) as client:
        shelf = {"store": "Other store", "shelf": "X-1"}
        client.post("/api/v1/locations", json=shelf, headers=bearer("olga"))
        sites = re.findall(
            r'<option value="([^"]+)">Harrowmere', client.get("/transfers", headers=asks).text
        )
        form = {
            "once": "o" * 24,
            "site": sites[0],
            "ref": "AMB-L-090",
            "quantity": "2",
            "to_store": "Other store",
            "to": "X-2",
        }
        wrong = client.post("/transfers", data=form, headers=asks)
        assert wrong.status_code == 422
        assert 'href="#field-to"' in wrong.text
        client.post("/transfers", data={**form, "to": "X-1"}, headers=asks)
        again = client.post("/transfers", data={**form, "to": "X-1"}, headers=asks)
        assert f"Saved: {sites[0]} is asked for 2 × AMB-L-090." in again.text
        page = client.get("/transfers", headers=answers).text
        asked = re.findall(r'action="/transfers/(\d+)"', page)
        assert len(set(asked)) == 1  # the double tap asked once
        choices = [
            unescape(one) for one in re.findall(r'name="units" required value="([^"]+)"', page)
        ]
        chosen = next(one for one in choices if one.startswith("A29S0238\t"))
        agreed = {"once": "a" * 24, "agreed": "yes", "units": chosen}
        answered = client.post(f"/transfers/{asked[0]}", data=agreed, headers=answers)
        assert answered.status_code == 200
        assert "Saved: 2 × AMB-L-090, A29S0238, sent to" in answered.text
        sent = client.get("/transfers", headers=asks).text
        assert "arrival time not known" in sent
        before = client.get("/items/AMB-L-090", headers=asks).text
        assert "A29S0238" in before
        assert "Receive it" in before
        arrivals = f"/transfers/{asked[0]}/arrivals"
        assert arrivals in sent
        too_many = {"once": "r" * 24, "quantity": "3", "condition": "arrived"}
        wrong = client.post(arrivals, data=too_many, headers=asks)
        assert wrong.status_code == 422
        assert f'href="#field-quantity-{asked[0]}"' in wrong.text
        assert f"2 of transfer {asked[0]} are in transit" in wrong.text
        no_reason = {"once": "s" * 24, "quantity": "1", "condition": "missing"}
        wrong = client.post(arrivals, data=no_reason, headers=asks)
        assert f'href="#field-reason-{asked[0]}"' in wrong.text
        good = {**too_many, "quantity": "2"}
        assert client.post(arrivals, data=good, headers=answers).status_code == 422
        booked = client.post(arrivals, data=good, headers=asks)
        assert booked.status_code == 200
        assert "Saved: 2 of 2 × AMB-L-090 booked in." in booked.text
        done = client.get("/transfers", headers=asks).text
        assert arrivals not in done
        assert "received</span>" in done
        there = client.get("/items/AMB-L-090", headers=asks).text
        assert "A29S0238" in there
        assert "X-1" in there
