"""Files people bring: faults by row and column, all or nothing, and never twice."""

import asyncio
import csv
import io
import zipfile
from collections.abc import Callable, Iterator, MutableMapping
from datetime import date
from pathlib import Path
from typing import Any

import httpx
import openpyxl
import pytest
from fastapi.testclient import TestClient
from sqlalchemy import update

from service.main import create_app
from service.operations.work import Unit
from service.settings import Settings
from service.storage.queries import stock
from service.storage.tables import Balance, table_of
from tests.api.sent import API, LAG, assert_problem, everything, pointers, put_in_place
from tests.conftest import BEARER, NOW, MakeDatabase

SEED = Path(__file__).parents[2] / "seed_data"


SEED_FILES = {
    "catalogue": "catalogue.csv",
    "stock-take": "stock.csv",
    "usage": "usage.csv",
    "lists": "lists.csv",
    "deliveries": "deliveries.csv",
    "suppliers": "suppliers.csv",
    "holidays": "holidays.csv",
}


Table = list[list[Any]]


#: For each format a header, a row that is in order, a row that is not, and what is wrong with it.
FILES: dict[str, tuple[list[str], list[Any], list[Any], str, str]] = {
    "catalogue": (
        [
            "ref",
            "kind",
            "description",
            "supplier",
            "supplied_sterile",
            "reusable",
            "length_mm",
            "diameter_mm",
            "system",
        ],
        ["NEW-1", "lag_screw", "Lag screw", "Supplier", "yes", "no", 95, 10.5, "Newsystem"],
        ["NEW-2", "spaceship", "Lag screw", "Supplier", "yes", "no", 95, 10.5, "Newsystem"],
        "kind",
        "spaceship",
    ),
    "stock-take": (
        ["ref", "lot", "use_by", "quantity", "store", "shelf"],
        ["AMB-L-095", "NEW1", date(2033, 1, 31), 3, "New store", "N-01-1"],
        ["AMB-L-095", "NEW2", None, 3, "New store", "N-01-1"],
        "use_by",
        "use-by date",
    ),
    "usage": (
        ["used_on", "ref", "quantity", "lot", "case_reference", "outcome"],
        [date(2031, 3, 1), "AMB-L-095", 1, "NEW1", "HAR-0001", "implanted"],
        [date(2031, 3, 4), "AMB-L-095", 1, "NEW1", "HAR-0001", "implanted"],
        "used_on",
        "in the future",
    ),
    "lists": (
        ["list_date", "theatre", "starts", "ends", "case_reference", "position", "side", "primary"],
        [
            date(2031, 3, 20),
            "Theatre 5",
            "08:30",
            "10:00",
            "NEW-1",
            1,
            "left",
            "short-single-lag-nail@Ambleford/130",
        ],
        [
            date(2031, 3, 20),
            "Theatre 6",
            "08:30",
            "10:00",
            "NEW-2",
            2,
            "left",
            "short-single-lag-nail@Ambleford/121",
        ],
        "primary",
        "121° is not available",
    ),
    "deliveries": (
        ["reference", "ref", "quantity", "ownership", "due_at", "usable_from", "return_by"],
        ["NEW-1", "AMB-L-095", 2, "owned", "2031-03-05T10:00", None, None],
        ["NEW-1", "AMB-IS", 1, "loan", "2031-03-05T10:00", None, date(2031, 3, 20)],
        "usable_from",
        "unsterile",
    ),
    "suppliers": (
        ["name", "minimum_order", "currency", "works_on", "cut_off"],
        ["New supply", "250.00", "GBP", "1111100", "14:00"],
        ["Newer supply", "250.00", "GBP", "0000000", "14:00"],
        "works_on",
        "at least one working day",
    ),
    "holidays": (
        ["day", "name"],
        [date(2031, 5, 5), "Early May"],
        ["05/05/2031", "Early May"],
        "day",
        "more than one date",
    ),
}


def as_csv(table: Table) -> tuple[str, bytes]:
    file = io.StringIO()
    csv.writer(file).writerows(table)
    return "file.csv", file.getvalue().encode()


def as_xlsx(table: Table) -> tuple[str, bytes]:
    workbook = openpyxl.Workbook()
    sheet = workbook.active
    assert sheet is not None
    for row in table:
        sheet.append(row)
    file = io.BytesIO()
    workbook.save(file)
    return "file.xlsx", file.getvalue()


Writer = Callable[[Table], tuple[str, bytes]]


WRITERS: tuple[Writer, ...] = (as_csv, as_xlsx)


def send(
    client: TestClient, form: str, file: tuple[str, bytes], *, good_rows: bool = False
) -> httpx.Response:
    params = {"take_good_rows": "true"} if good_rows else {}
    address = f"{API}/imports/{form}"
    response: httpx.Response = client.post(address, files={"file": file}, params=params)
    return response


@pytest.mark.parametrize("write", WRITERS, ids=["csv", "xlsx"])
def test_one_faulty_row_changes_nothing_unless_the_good_rows_are_asked_for(
    demo_client: TestClient, write: Writer
) -> None:
    for form, (header, good, bad, column, says) in FILES.items():
        file = write([header, good, bad])
        before = everything(demo_client)
        refused = send(demo_client, form, file)
        assert_problem(refused, 422, "bad-input")
        assert pointers(refused) == [f"row 3, column {column}"], form
        assert says in refused.json()["errors"][0]["detail"]
        assert everything(demo_client) == before

        taken = send(demo_client, form, file, good_rows=True)
        assert taken.status_code == 200, taken.text
        answer = taken.json()
        assert (answer["added"], answer["changed"], answer["unchanged"]) == (1, 0, 0), form
        (left_out,) = answer["refused"]
        assert (left_out["row"], left_out["column"]) == (3, column)
        assert says in left_out["reason"]

        after = everything(demo_client)
        again = send(demo_client, form, write([header, good])).json()
        assert (again["added"], again["changed"], again["unchanged"]) == (0, 0, 1), form
        assert everything(demo_client) == after


def test_a_faulty_row_of_a_list_leaves_no_list_and_no_case_behind(demo_client: TestClient) -> None:
    header, good, bad, _, _ = FILES["lists"]
    assert send(demo_client, "lists", as_csv([header, good, bad]), good_rows=True).is_success
    days = demo_client.get(f"{API}/lists?first=2031-03-20&last=2031-03-20").json()["lists"]
    assert [(one["theatre"], len(one["cases"])) for one in days] == [("Theatre 5", 1)]
    assert demo_client.get(f"{API}/cases/NEW-2").status_code == 404


def test_the_demo_files_a_second_time_change_nothing(demo_client: TestClient) -> None:
    # The demo has lost a pack since its stock take; taking stock once more finds it again.
    found = send(demo_client, "stock-take", ("stock.csv", (SEED / "stock.csv").read_bytes()))
    assert found.is_success
    before = everything(demo_client)
    for form, name in SEED_FILES.items():
        content = (SEED / name).read_bytes()
        rows = len(list(csv.reader(io.StringIO(content.decode())))) - 1
        answer = send(demo_client, form, (name, content)).json()
        assert (answer["added"], answer["changed"], answer["unchanged"]) == (0, 0, rows), form
        assert answer["refused"] == []
    assert everything(demo_client) == before


def test_a_changed_catalogue_line_gets_a_new_version_and_the_others_do_not(
    demo_client: TestClient,
) -> None:
    lines = (SEED / "catalogue.csv").read_text(encoding="utf-8").splitlines()
    assert "AMB-N-125-09-180" in lines[1]
    lines[1] = lines[1].replace("248.00", "249.50")
    answer = send(demo_client, "catalogue", ("c.csv", "\n".join(lines).encode())).json()
    assert (answer["added"], answer["changed"]) == (0, 1)
    item = demo_client.get(f"{API}/items/AMB-N-125-09-180").json()
    assert (item["unit_price_minor"], item["version"]) == (24950, 2)
    assert demo_client.get(f"{API}/items/AMB-N-125-10-180").json()["version"] == 1


def shelf_counts(client: TestClient) -> dict[tuple[str, ...], int]:
    rows = client.get(f"{API}/stock?limit=500").json()["stock"]
    return {
        (row["ref"], row["lot"] or row["serial"], row["store"], row["shelf"]): row["quantity"]
        for row in rows
    }


def ledger_equals_balances(client: TestClient) -> bool:
    def both(unit: Unit) -> bool:
        # A balance of none is kept, as is a sum of none.
        kept = stock.balances_with_held(unit.session)
        return stock.ledger_sums(unit.session) == {key: there for key, (there, _) in kept.items()}

    equal: bool = client.app.state.work.read(both)  # type: ignore[attr-defined] # the test client types its app as any ASGI callable
    return equal


def test_a_stock_take_makes_the_shelves_what_was_counted(client: TestClient) -> None:
    put_in_place(client)
    header = ["ref", "lot", "use_by", "quantity", "store", "shelf"]
    use_by = "2033-01-31"
    first = [
        ["T-L-095", "L1", use_by, 5, "Theatre store", "A-01-1"],
        ["T-L-095", "L2", use_by, 2, "Theatre store", "A-01-2"],
        ["T-L-095", "L1", use_by, 1, "Quarantine", "Q"],
    ]
    assert send(client, "stock-take", as_csv([header, *first])).json()["added"] == 3
    second = [
        ["T-L-095", "L1", use_by, 2, "Theatre store", "A-01-1"],
        ["T-L-095", "L2", use_by, 0, "Theatre store", "A-01-2"],
        ["T-L-095", "L1", use_by, 1, "Quarantine", "Q"],
        ["T-L-095", "L3", use_by, 4, "Theatre store", "A-01-2"],
    ]
    answer = send(client, "stock-take", as_csv([header, *second])).json()
    assert (answer["added"], answer["changed"], answer["unchanged"]) == (1, 2, 1)
    assert shelf_counts(client) == {
        ("T-L-095", "L1", "Theatre store", "A-01-1"): 2,
        ("T-L-095", "L1", "Quarantine", "Q"): 1,
        ("T-L-095", "L3", "Theatre store", "A-01-2"): 4,
    }
    assert ledger_equals_balances(client)
    kinds = {row["location_kind"] for row in client.get(f"{API}/stock").json()["stock"]}
    assert kinds == {"shelf", "quarantine"}


def test_the_demo_ledger_equals_its_balances(demo_client: TestClient) -> None:
    assert ledger_equals_balances(demo_client)


def test_a_stock_take_cannot_count_away_what_is_promised(demo_client: TestClient) -> None:
    table = table_of(Balance)
    demo_client.app.state.work.write(  # type: ignore[attr-defined] # the test client types its app as any ASGI callable
        lambda unit: unit.session.execute(update(table).values(held=table.c.quantity))
    )
    lines = (SEED / "stock.csv").read_text(encoding="utf-8").splitlines()
    row = lines[1].split(",")
    header = lines[0].split(",")
    row[header.index("quantity")] = "0"
    before = everything(demo_client)
    response = send(demo_client, "stock-take", as_csv([header, row]))
    assert_problem(response, 422, "bad-input")
    assert pointers(response) == ["row 2, column quantity"]
    assert "reserved" in response.json()["errors"][0]["detail"]
    assert everything(demo_client) == before


def test_a_lot_that_contradicts_its_label_is_refused(demo_client: TestClient) -> None:
    table: Table = [
        ["ref", "lot", "use_by", "quantity", "store", "shelf"],
        ["AMB-L-095", "X1", "2033-01-31", 1, "New store", "1"],
        ["AMB-L-095", "X1", "2034-01-31", 1, "New store", "2"],
    ]
    response = send(demo_client, "stock-take", as_csv(table))
    assert_problem(response, 422, "bad-input")
    assert pointers(response) == ["row 3, column use_by"]


def test_a_name_twice_in_a_file_is_refused_with_the_row_it_is_in_already(
    demo_client: TestClient,
) -> None:
    before = everything(demo_client)
    column_of = {
        "catalogue": "ref",
        "stock-take": "ref",
        "usage": "ref",
        "lists": "case_reference",
        "deliveries": "ref",
        "suppliers": "name",
        "holidays": "day",
    }
    for form, (header, good, *_) in FILES.items():
        response = send(demo_client, form, as_csv([header, good, good]))
        assert_problem(response, 422, "bad-input")
        assert f"row 3, column {column_of[form]}" in pointers(response), form
        assert "row 2" in response.json()["errors"][0]["detail"]
    assert everything(demo_client) == before


def test_a_wrong_header_is_never_taken_even_for_its_good_rows(demo_client: TestClient) -> None:
    before = everything(demo_client)
    table: Table = [["ref", "amount"], ["AMB-L-095", 1]]
    response = send(demo_client, "stock-take", as_csv(table), good_rows=True)
    assert_problem(response, 422, "bad-input")
    assert "row 1, column amount" in pointers(response)
    assert "row 1, column quantity" in pointers(response)
    assert everything(demo_client) == before


MANGLED = [
    ("2.91E+12", "digits"),
    ("2910000000017", "digits"),
    ("02910000000018", "check digit"),
    (2910000000017, "number cell"),
]


@pytest.mark.parametrize(("gtin", "says"), MANGLED, ids=str)
def test_a_gtin_a_spreadsheet_has_spoilt_is_refused_and_not_repaired(
    client: TestClient, gtin: object, says: str
) -> None:
    before = everything(client)
    header, good, *_ = FILES["catalogue"]
    response = send(client, "catalogue", as_xlsx([[*header, "gtin"], [*good, gtin]]))
    assert_problem(response, 422, "bad-input")
    assert pointers(response) == ["row 2, column gtin"]
    assert says in response.json()["errors"][0]["detail"]
    assert everything(client) == before


def test_an_instrument_set_is_counted_without_a_use_by_date(client: TestClient) -> None:
    put_in_place(client)
    table: Table = [
        ["ref", "serial", "quantity", "store", "shelf", "sterility"],
        ["T-IS", "S1", 1, "Sterile store", "1", "sterile"],
    ]
    assert send(client, "stock-take", as_csv(table)).json()["added"] == 1


def test_of_very_many_faults_the_first_are_listed_and_the_rest_counted(client: TestClient) -> None:
    rows = [["NONE", "L", "2033-01-01", 1, "Store", str(n)] for n in range(1000)]
    header = ["ref", "lot", "use_by", "quantity", "store", "shelf"]
    response = send(client, "stock-take", as_csv([header, *rows]))
    assert_problem(response, 422, "bad-input")
    assert len(response.json()["errors"]) == 200
    assert "800 more" in response.json()["detail"]


SIXTY_MEGABYTES = 60_000_000


def test_sixty_megabytes_announced_are_refused_before_they_are_sent(client: TestClient) -> None:
    before = everything(client)

    def never() -> Iterator[bytes]:
        yield b"only a little"

    headers = {
        "content-type": "multipart/form-data; boundary=x",
        "content-length": str(SIXTY_MEGABYTES),
    }
    response = client.post(f"{API}/imports/usage", content=never(), headers=headers)
    assert_problem(response, 413, "too-large")
    assert "20 MB" in response.json()["detail"]
    assert everything(client) == before


PART = b'--x\r\nContent-Disposition: form-data; name="file"; filename="a.csv"\r\n\r\n'


def chunks() -> Iterator[bytes]:
    """Give the beginning of a file and 60 MB of it."""
    yield PART
    for _ in range(SIXTY_MEGABYTES // 1_000_000):
        yield b"x" * 1_000_000


@pytest.mark.parametrize("path", ["imports/usage", "items"])
def test_sixty_megabytes_nobody_announced_are_refused(client: TestClient, path: str) -> None:
    before = everything(client)
    kind = "application/json" if path == "items" else "multipart/form-data; boundary=x"
    response = client.post(f"{API}/{path}", content=chunks(), headers={"content-type": kind})
    assert "content-length" not in response.request.headers
    assert_problem(response, 413, "too-large")
    assert everything(client) == before


@pytest.mark.parametrize("ends", [True, False], ids=["the body ends", "the sender breaks off"])
def test_a_stream_beyond_the_limit_is_answered_and_not_kept(client: TestClient, ends: bool) -> None:
    """The test client sends one piece; a server hands the application one chunk after another."""
    before = everything(client)
    body, sent = chunks(), []

    async def receive() -> dict[str, Any]:
        for chunk in body:
            return {"type": "http.request", "body": chunk, "more_body": True}
        if ends:
            return {"type": "http.request", "body": b"", "more_body": False}
        return {"type": "http.disconnect"}

    async def send(message: MutableMapping[str, Any]) -> None:
        sent.append(message)

    scope = {
        "type": "http",
        "http_version": "1.1",
        "method": "POST",
        "scheme": "http",
        "path": f"{API}/imports/usage",
        "query_string": b"",
        "headers": [
            (b"content-type", b"multipart/form-data; boundary=x"),
            (b"authorization", BEARER["Authorization"].encode()),
        ],
        "server": ("testserver", 80),
        "client": ("testclient", 50000),
        "root_path": "",
    }
    asyncio.run(asyncio.wait_for(client.app(scope, receive, send), 30))
    assert [message["type"] for message in sent] == ["http.response.start", "http.response.body"]
    assert sent[0]["status"] == 413
    assert b"20 MB" in sent[1]["body"]
    assert everything(client) == before


def test_a_body_that_does_not_arrive_in_time_is_answered_and_not_kept(
    make_database: MakeDatabase,
) -> None:
    app = create_app(
        Settings(database_url=make_database("sqlite", False), upload_seconds=0.2), lambda: NOW
    )
    with TestClient(app, headers=BEARER) as client:
        before = everything(client)
        sent: list[MutableMapping[str, Any]] = []
        pieces = iter([b"--x\r\n"])

        async def receive() -> dict[str, Any]:
            for piece in pieces:
                return {"type": "http.request", "body": piece, "more_body": True}
            await asyncio.sleep(30)
            raise AssertionError("the service waited for the rest")

        async def send(message: MutableMapping[str, Any]) -> None:
            sent.append(message)

        headers = [
            (b"content-type", b"multipart/form-data; boundary=x"),
            (b"authorization", BEARER["Authorization"].encode()),
        ]
        scope = {
            "type": "http",
            "http_version": "1.1",
            "method": "POST",
            "scheme": "http",
            "path": f"{API}/imports/usage",
            "query_string": b"",
            "headers": headers,
            "server": ("testserver", 80),
            "client": ("testclient", 50000),
            "root_path": "",
        }
        asyncio.run(asyncio.wait_for(app(scope, receive, send), 10))
        assert sent[0]["status"] == 408
        assert b"too-slow" in sent[1]["body"]
        assert everything(client) == before


def test_a_body_within_the_limit_is_let_through(client: TestClient) -> None:
    """The control of the refusals above: 19 MB are read, and refused for what they hold."""
    response = send(client, "usage", ("a.csv", b"used_on,ref,quantity\n" + b"x" * 19_000_000))
    assert_problem(response, 422, "bad-input")


def test_a_zip_bomb_that_calls_itself_a_workbook_is_refused(client: TestClient) -> None:
    before = everything(client)
    file = io.BytesIO()
    with zipfile.ZipFile(file, "w", zipfile.ZIP_DEFLATED) as bomb:
        bomb.writestr("xl/workbook.xml", b"<workbook/>")
        bomb.writestr("xl/worksheets/sheet1.xml", b"0" * 190_000_000)
    assert len(file.getvalue()) < 1_000_000
    response = send(client, "usage", ("bomb.xlsx", file.getvalue()))
    assert_problem(response, 413, "too-large")
    assert everything(client) == before


@pytest.mark.parametrize(
    ("name", "content"),
    [
        ("a.xlsx", b"PK\x03\x04 no zip"),
        ("a.csv", b"\xff\x00\xff"),
        ("a.pdf", b"%PDF-1.7"),
        ("a.csv", b""),
    ],
    ids=["broken zip", "no text", "another kind", "empty"],
)
def test_what_is_no_table_is_refused(client: TestClient, name: str, content: bytes) -> None:
    before = everything(client)
    assert_problem(send(client, "usage", (name, content)), 422, "bad-input")
    assert everything(client) == before


def test_an_import_without_a_file_or_of_no_known_kind_names_the_field(client: TestClient) -> None:
    response = client.post(f"{API}/imports/usage")
    assert_problem(response, 422, "bad-input")
    assert pointers(response) == ["/file"]
    response = send(client, "holiday-snaps", ("a.csv", b"a\n1\n"))
    assert_problem(response, 422, "bad-input")
    assert pointers(response) == ["/form"]


def test_the_price_of_an_item_is_one_both_databases_can_keep(client: TestClient) -> None:
    header, good, *_ = FILES["catalogue"]
    table: Table = [[*header, "unit_price", "currency"], [*good, "999999999.00", "GBP"]]
    response = send(client, "catalogue", as_csv(table))
    assert_problem(response, 422, "bad-input")
    assert pointers(response) == ["row 2, column unit_price"]
    assert (
        client.post(
            f"{API}/items", json={**LAG, "unit_price_minor": 2_000_000_000, "currency": "GBP"}
        ).status_code
        == 201
    )
