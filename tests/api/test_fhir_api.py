"""FHIR R5 over HTTP: sound resources, whole searches, the site's own, errors in FHIR's form."""

from collections.abc import Callable, Iterator
from datetime import timedelta
from functools import partial
from typing import Any

import httpx
import pytest
from fastapi.testclient import TestClient
from sqlalchemy import func, select

from service.errors import NotFound
from service.operations import fhir
from service.operations.people.permissions import ROLES
from service.operations.recalls.start import start_recall
from service.operations.work import Unit, Work
from service.schemas.recalls import RecallBody
from service.storage.tables import (
    Balance,
    Item,
    Lot,
    Movement,
    OrderLine,
    OrderReceipt,
    SupplyOrder,
    table_of,
)
from tests.api.sent import API, everything
from tests.conftest import NOW
from tests.exchange.fhir.fhir_checks import Json, check, references
from tests.small_theatre import SHELF, Theatre, furnish
from tests.two_sites import add_site, add_somebody, bearer, furnish_other, work_at

FHIR = f"{API}/fhir"


#: Written by hand: what may be asked is part of the interface.
TYPES = (
    *("DeviceDefinition", "Device", "InventoryReport"),
    *("SupplyRequest", "SupplyDelivery", "DeviceUsage"),
)


BASE = "https://h/fhir"


def _app_work(client: TestClient) -> Work:
    work: Work = client.app.state.work  # type: ignore[attr-defined] # the test client types its app as any ASGI callable
    return work


def _fetch(client: TestClient, address: str, **more: Any) -> Json:  # noqa: ANN401 - what httpx takes
    answer = client.get(address, **more)
    assert answer.status_code == 200, answer.text
    assert answer.headers["content-type"] == "application/fhir+json"
    body: Json = answer.json()
    return body


def _resources(ask: Callable[[str], Json], first: str) -> Iterator[Json]:
    """Follow the links from the first page to the last; each page is checked as it is."""
    address: str | None = first
    while address is not None:
        page = ask(address)
        check(page)
        links = {one["relation"]: one["url"] for one in page["link"]}
        yield from (entry["resource"] for entry in page.get("entry", []))
        address = links.get("next")


def _outcome(answer: httpx.Response, status: int, code: str) -> list[str]:
    """Check that an answer is an OperationOutcome of a code, and give what it says."""
    assert answer.status_code == status, answer.text
    assert answer.headers["content-type"] == "application/fhir+json"
    said = answer.json()
    assert said["resourceType"] == "OperationOutcome"
    check(said)
    assert {one["code"] for one in said["issue"]} == {code}
    return [one["diagnostics"] for one in said["issue"]]


def test_every_resource_of_the_demo_is_sound_and_refers_to_what_is_there(
    demo_client: TestClient,
) -> None:
    client = demo_client
    found: dict[str, Json] = {}
    for name in TYPES:
        address = f"{FHIR}/{name}?_count=500"
        total = _fetch(client, address)["total"]
        mine = list(_resources(partial(_fetch, client), address))
        assert len(mine) == total
        found |= {f"{name}/{one['id']}": one for one in mine}
    assert sum(key.startswith("DeviceDefinition/") for key in found) == 599
    assert sum(key.startswith("Device/") for key in found) > 500
    assert any(key.startswith("SupplyRequest/") for key in found)
    dangling = {
        reference
        for one in found.values()
        for reference in references(one)
        if reference not in found
    }
    assert dangling == set()
    for key in list(found)[::97]:
        assert _fetch(client, f"{FHIR}/{key}") == found[key]


def test_the_report_of_the_demo_adds_up_to_the_balances(demo_client: TestClient) -> None:
    """Compared with the table of balances, read as it is."""
    report = _fetch(demo_client, f"{FHIR}/InventoryReport")["entry"][0]["resource"]
    items = [item for listing in report["inventoryListing"] for item in listing["item"]]
    units = sum(item["quantity"]["value"] for item in items)
    column = list(table_of(Balance).columns.keys()).index("quantity")
    assert units == sum(row[column] for row in everything(demo_client)["balance"]) > 500


def test_no_price_and_no_name_of_a_person_goes_out(demo_client: TestClient) -> None:
    for name in TYPES:
        text = demo_client.get(f"{FHIR}/{name}?_count=500").text.lower()
        assert text
        assert not [word for word in ("price", "gbp", "money", "demo surgeon") if word in text]


@pytest.mark.parametrize(
    ("name", "count"), [("DeviceDefinition", 100), ("Device", 500), ("SupplyRequest", 1)]
)
def test_pages_of_a_search_list_everything_exactly_once(
    demo_client: TestClient, name: str, count: int
) -> None:
    ids = [
        one["id"]
        for one in _resources(partial(_fetch, demo_client), f"{FHIR}/{name}?_count={count}")
    ]
    total = _fetch(demo_client, f"{FHIR}/{name}?_count=0")["total"]
    assert len(ids) == len(set(ids)) == total > 1


def test_a_count_of_nothing_tells_only_how_many_there_are(demo_client: TestClient) -> None:
    page = _fetch(demo_client, f"{FHIR}/DeviceDefinition?_count=0")
    check(page)
    assert (page["total"], "entry" in page) == (599, False)
    assert [one["relation"] for one in page["link"]] == ["self"]


def test_the_statement_names_exactly_what_can_be_asked(demo_client: TestClient) -> None:
    statement = _fetch(demo_client, f"{FHIR}/metadata")
    check(statement)
    named = tuple(one["type"] for one in statement["rest"][0]["resource"])
    assert named == TYPES
    paths = demo_client.get("/openapi.json").json()["paths"]
    routes = {path: item for path, item in paths.items() if path.startswith(f"{FHIR}/")}
    asked = {"metadata", *TYPES, *(f"{name}/{{key}}" for name in TYPES)}
    assert set(routes) == {f"{FHIR}/{one}" for one in asked}
    for item in routes.values():
        assert set(item) == {"get"}, "read only"
        for answer in item["get"]["responses"].values():
            assert set(answer["content"]) == {"application/fhir+json"}


@pytest.fixture
def theatre(work: Work) -> Theatre:
    furnish(work)
    return Theatre(work)


def _search(work: Work, name: str, count: int = 500, after: str = "") -> Json:
    page = work.read(lambda unit: fhir.search(unit, name, BASE, after=after, count=count))
    check(page)
    return page


def _all(work: Work, name: str) -> list[Json]:
    return [entry["resource"] for entry in _search(work, name).get("entry", [])]


def _implant(theatre: Theatre, case: str, caps: int, nails: int = 0, **fields: object) -> None:
    theatre.add_case(case, theatre=f"Theatre {case}")
    for ref, units in (("CAP", caps), ("NAIL", nails)):
        if units:
            theatre.pick(case, ref, units, although="no plan", **fields)
            theatre.settle(case, ref, "implant", units, **fields)


def test_implanted_units_are_told_one_by_one_with_their_device_and_case(theatre: Theatre) -> None:
    theatre.receive("CAP", 9)
    theatre.receive("NAIL", 2, lot="N1")
    _implant(theatre, "K1", caps=3)
    theatre.add_case("K2", theatre="Theatre 2")
    theatre.pick("K2", "NAIL", lot="N1", although="no plan")
    theatre.settle("K2", "NAIL", "implant", lot="N1")
    theatre.pick("K2", "CAP", although="no plan")
    theatre.settle("K2", "CAP", "waste", reason="dropped")
    usages = _all(theatre.work, "DeviceUsage")
    devices = {f"Device/{one['id']}": one for one in _all(theatre.work, "Device")}
    told = [
        (
            one["derivedFrom"][0]["identifier"]["value"],
            devices[one["device"]["reference"]["reference"]]["partNumber"],
            one["device"]["reference"]["display"],
        )
        for one in usages
    ]
    # The nail's lot, its GTIN and use-by date are those of tests/small_theatre.py.
    printed = "(01)02910000000017(17)330101(10)N1"
    assert told == [
        *[("K1", "CAP", "CAP, End cap")] * 3,
        ("K2", "NAIL", f"NAIL, Nail, 11 × 180 mm, 130°, {printed}"),
    ]
    nail = next(one for one in devices.values() if one["partNumber"] == "NAIL")
    assert nail["udiCarrier"][0]["carrierHRF"] == printed
    for one in usages:
        reading = partial(fhir.read, resource_type="DeviceUsage", key=one["id"])
        again = theatre.work.read(reading)
        assert again == one
    line = str(usages[0]["id"]).partition("-")[0]
    for key in (line, f"{line}-0", f"{line}-4"):
        with pytest.raises(NotFound):
            theatre.work.read(partial(fhir.read, resource_type="DeviceUsage", key=key))


@pytest.mark.parametrize("count", [1, 2, 3, 4, 500])
def test_pages_of_implants_list_every_unit_exactly_once(theatre: Theatre, count: int) -> None:
    theatre.receive("CAP", 9)
    for case, caps in (("K1", 3), ("K2", 1), ("K3", 4)):
        _implant(theatre, case, caps=caps)

    def ask(address: str) -> Json:
        after = httpx.URL(address).params.get("after", "")
        page = _search(theatre.work, "DeviceUsage", count, after)
        assert len(page["entry"]) <= count
        return page

    cases = [
        one["derivedFrom"][0]["identifier"]["value"]
        for one in _resources(ask, f"{BASE}/DeviceUsage")
    ]
    assert cases == [*["K1"] * 3, "K2", *["K3"] * 4]
    assert _search(theatre.work, "DeviceUsage", 1)["total"] == 8


def test_a_lot_that_has_left_stays_on_record_and_is_not_current(theatre: Theatre) -> None:
    theatre.receive("CAP", 2)
    assert [one["status"] for one in _all(theatre.work, "Device")] == ["active"]
    theatre.record("write_off", "CAP", lot="L1", quantity=2, at=SHELF, reason="dropped")
    assert [one["status"] for one in _all(theatre.work, "Device")] == ["inactive"]
    report = _all(theatre.work, "InventoryReport")[0]
    assert "inventoryListing" not in report


def test_a_count_is_told_where_the_ledger_has_one(theatre: Theatre) -> None:
    theatre.receive("CAP", 2)

    def listings() -> list[Json]:
        found: list[Json] = _all(theatre.work, "InventoryReport")[0]["inventoryListing"]
        return found

    assert "countingDateTime" not in listings()[0]
    wrong = theatre.record("count", "CAP", lot="L1", at=SHELF, counted=3, reason="counted")
    assert [one["countingDateTime"] for one in listings()] == [NOW.isoformat()]
    assert listings()[0]["item"][0]["quantity"]["value"] == 3
    theatre.record("correction", None, seq=wrong.seq, reason="miscounted")
    assert "countingDateTime" not in listings()[0], "a count taken back is no count"


def test_recalled_units_are_not_told_as_free(theatre: Theatre) -> None:
    theatre.receive("CAP", 2)
    theatre.receive("CAP", 1, lot="L2")
    notice = RecallBody(notice="FSN-1", ref="CAP", lot="L1", reason="packaging", quarantine=False)
    theatre.work.write(lambda unit: start_recall(unit, notice))
    report = _all(theatre.work, "InventoryReport")[0]
    told = {
        listing["itemStatus"]["coding"][0]["code"]: listing["item"][0]["quantity"]["value"]
        for listing in report["inventoryListing"]
    }
    assert told == {"recalled": 2, "free": 1}


def _order(work: Work, **changes: Any) -> int:  # noqa: ANN401 - columns of an order
    """Write an order for four end caps, and give the key of its line."""

    def write(unit: Unit) -> int:
        fields: dict[str, Any] = {
            "site_id": unit.site_id,
            "reference": "PO-1",
            "supplier": "Test supply",
            "state": "sent",
            "due_at": NOW + timedelta(days=2),
            "usable_from": NOW + timedelta(days=2),
            "made_at": NOW,
            "made_by": "tester",
            **changes,
        }
        order = SupplyOrder(**fields)
        unit.session.add(order)
        unit.session.flush()
        table = table_of(Item)
        item_id = unit.session.execute(select(table.c.id).where(table.c.ref == "CAP")).scalar_one()
        line = OrderLine(
            order_id=order.id or 0, item_id=item_id, quantity=4, wanted=4, why=["case K1"]
        )
        unit.session.add(line)
        unit.session.flush()
        return line.id or 0

    return work.write(write)


def _receive_for(theatre: Theatre, line_id: int, quantity: int) -> int:
    """Receive units and note for which line; give the ledger's line."""
    seq = theatre.receive("CAP", quantity).seq or 0

    def note(unit: Unit) -> None:
        unit.session.add(
            OrderReceipt(
                line_id=line_id, movement_seq=seq, quantity=quantity, at=NOW, actor="tester"
            )
        )
        unit.session.get_one(OrderLine, line_id).received += quantity

    theatre.work.write(note)
    return seq


def test_an_order_and_what_came_for_it_are_request_and_delivery(theatre: Theatre) -> None:
    line_id = _order(theatre.work)
    seq = _receive_for(theatre, line_id, 3)
    request = _all(theatre.work, "SupplyRequest")[0]
    assert (request["status"], request["quantity"]["value"]) == ("active", 4)
    assert request["occurrenceDateTime"] == (NOW + timedelta(days=2)).isoformat()
    delivery = _all(theatre.work, "SupplyDelivery")[0]
    assert delivery["basedOn"] == [{"reference": f"SupplyRequest/{request['id']}"}]
    assert delivery["suppliedItem"][0]["quantity"]["value"] == 3
    assert delivery["destination"]["display"] == "Store, A"
    device = _all(theatre.work, "Device")[0]
    supplied = delivery["suppliedItem"][0]["itemReference"]["reference"]
    assert supplied == f"Device/{device['id']}"
    assert delivery["status"] == "completed"
    theatre.record("correction", None, seq=seq, reason="wrong item")
    assert _all(theatre.work, "SupplyDelivery") == [], "it belongs to no order any more"
    assert _all(theatre.work, "SupplyRequest")[0]["id"] == request["id"]


def test_an_id_is_never_given_to_another_line(theatre: Theatre) -> None:
    """SQLite gives the key of a deleted row to the next one; ids of FHIR are for good."""
    line_id = _order(theatre.work, state="draft")
    gone = _all(theatre.work, "SupplyRequest")[0]["id"]

    def take_off(unit: Unit) -> None:
        unit.session.delete(unit.session.get_one(OrderLine, line_id))

    theatre.work.write(take_off)
    _order(theatre.work, reference="PO-2")
    assert _all(theatre.work, "SupplyRequest")[0]["id"] != gone
    with pytest.raises(NotFound):
        theatre.work.read(partial(fhir.read, resource_type="SupplyRequest", key=gone))


def test_a_bill_for_units_that_were_here_asks_for_nothing(theatre: Theatre) -> None:
    _order(theatre.work, kind="bill_only", due_at=None, usable_from=None)
    page = _search(theatre.work, "SupplyRequest")
    assert (page["total"], page.get("entry")) == (0, None)


def test_another_site_sees_the_catalogue_and_nothing_of_ours(theatre: Theatre) -> None:
    line_id = _order(theatre.work)
    _receive_for(theatre, line_id, 3)
    _implant(theatre, "K1", caps=1)
    other = work_at(theatre.work, add_site(theatre.work))
    furnish_other(other, SHELF)
    ours = {name: _all(theatre.work, name) for name in TYPES}
    assert all(ours.values())
    assert _all(other, "DeviceDefinition") == ours["DeviceDefinition"]
    report = _all(other, "InventoryReport")
    assert [("inventoryListing" in one, one["id"]) for one in report] == [(False, report[0]["id"])]
    assert report[0]["id"] != ours["InventoryReport"][0]["id"]
    for name in ("Device", "SupplyRequest", "SupplyDelivery", "DeviceUsage"):
        assert _search(other, name)["total"] == 0
        assert _all(other, name) == []


def test_what_another_site_has_cannot_be_read_by_its_id(theatre: Theatre) -> None:
    line_id = _order(theatre.work)
    _receive_for(theatre, line_id, 3)
    _implant(theatre, "K1", caps=1)
    other = work_at(theatre.work, add_site(theatre.work))
    for name in TYPES[1:]:
        key = _all(theatre.work, name)[0]["id"]
        assert theatre.work.read(partial(fhir.read, resource_type=name, key=key))["id"] == key
        with pytest.raises(NotFound, match=f"{name} {key} was not found"):
            other.read(partial(fhir.read, resource_type=name, key=key))


def test_every_role_may_read_everything(client: TestClient) -> None:
    for role in ROLES:
        add_somebody(_app_work(client), f"only-{role}", [role])
        for path in ("metadata", *TYPES):
            check(_fetch(client, f"{FHIR}/{path}", headers=bearer(f"only-{role}")))


def test_errors_are_told_in_the_form_of_fhir(demo_client: TestClient) -> None:
    client = demo_client
    nobody = {"Authorization": "Bearer no-such-token"}
    _outcome(client.get(f"{FHIR}/Device", headers=nobody), 401, "login")
    _outcome(client.get(f"{FHIR}/Patient"), 404, "not-found")
    _outcome(client.get(f"{FHIR}/Device/999999"), 404, "not-found")
    _outcome(client.post(f"{FHIR}/Device", json={}), 405, "not-supported")
    said = _outcome(client.get(f"{FHIR}/Device?lot-number=A&patient=B"), 422, "invalid")
    assert [one.split(":")[0] for one in said] == ["lot-number", "patient"]
    _outcome(client.get(f"{FHIR}/Device?_count=501"), 422, "invalid")
    _outcome(client.get(f"{FHIR}/Device?_format=xml"), 422, "invalid")


def test_a_cursor_that_is_not_ours_is_refused(demo_client: TestClient) -> None:
    for after in ("x", "-1", "1-", "1-x", "0001", "12345678901", "٣", "1-2-3"):
        answer = demo_client.get(f"{FHIR}/SupplyRequest", params={"after": after})
        assert _outcome(answer, 422, "invalid"), after


def test_an_id_that_nothing_has_is_not_found(demo_client: TestClient) -> None:
    for name in TYPES:
        for key in ("0", "007", "1-1", "1" * 64, "stock-99", "1-0", "-"):
            assert _outcome(demo_client.get(f"{FHIR}/{name}/{key}"), 404, "not-found"), (name, key)
        # FHIR R5, datatypes: an id is letters, digits, dash and dot, 64 at most.
        for key in ("+1", "٣", "1" * 65):
            assert _outcome(demo_client.get(f"{FHIR}/{name}/{key}"), 422, "invalid"), (name, key)


def test_the_format_may_be_named(demo_client: TestClient) -> None:
    for form in ("json", "application/json", "application/fhir+json"):
        page = _fetch(demo_client, f"{FHIR}/SupplyRequest", params={"_format": form})
        assert page["resourceType"] == "Bundle"


def test_what_breaks_is_told_in_the_form_of_fhir_and_gives_nothing_away(
    demo_client: TestClient, monkeypatch: pytest.MonkeyPatch
) -> None:
    def broken(*_: object, **__: object) -> None:
        raise ZeroDivisionError("a secret of the inside")

    monkeypatch.setattr("service.operations.fhir.read", broken)
    with TestClient(
        demo_client.app, headers=dict(demo_client.headers), raise_server_exceptions=False
    ) as client:
        said = _outcome(client.get(f"{FHIR}/Device/1"), 500, "exception")
    assert "secret" not in " ".join(said)


def test_the_number_of_units_implanted_is_the_ledgers(theatre: Theatre) -> None:
    theatre.receive("CAP", 5)
    _implant(theatre, "K1", caps=2)
    _implant(theatre, "K2", caps=1)
    table, lots = table_of(Movement), table_of(Lot)
    query = select(func.sum(table.c.quantity)).join(lots, lots.c.id == table.c.lot_id)
    units = theatre.work.read(
        lambda unit: unit.session.execute(query.where(table.c.kind == "implant")).scalar_one()
    )
    assert _search(theatre.work, "DeviceUsage")["total"] == units == 3
