"""Resources of FHIR R5 made from plain values."""

import dataclasses
import json
import string
from datetime import UTC, date, datetime
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pydantic import ValidationError

from service.core.catalogue import HEAD_DESIGNS, ITEM_KINDS, SCREW_TYPES, SIDES, THREADS, ItemFacts
from service.core.cover.units import StockUnits
from service.exchange.fhir.devices import (
    DeviceArticle,
    DevicePack,
    ImplantedUnit,
    device,
    device_definition,
    device_usage,
    printed_udi,
)
from service.exchange.fhir.supply import (
    InventoryPlace,
    ReceivedUnits,
    RequestedLine,
    StatusUnits,
    inventory_report,
    request_status,
    status_units,
    supply_delivery,
    supply_request,
)
from service.exchange.fhir.terms import FhirSite, absent, capability_statement, search_set
from service.exchange.labels.read import read_scan
from service.exchange.sheets.columns import read_catalogue
from service.exchange.sheets.workbook import read_sheet
from tests.exchange.fhir.fhir_checks import check
from tests.published.fhir_value_sets import BINDINGS, CODES, SOURCES

SITE = FhirSite("HAR", "Harrow Vale")


NOON = datetime(2031, 3, 4, 12, tzinfo=UTC)


TODAY = date(2031, 3, 4)


SHELF = InventoryPlace(15, "Theatre store", "A-01-1", "shelf")


FDA = json.loads((Path(__file__).parents[2] / "published" / "barcodes.json").read_text())["gs1"]


CATALOGUE = Path(__file__).parents[3] / "seed_data" / "catalogue.csv"


NAIL = DeviceArticle(
    id=7,
    facts=ItemFacts(
        "X-N-180",
        "single_lag_screw_nail",
        "Short nail",
        system="Testfield",
        length_mm=180.0,
        diameter_mm=11.5,
        angle_deg=130.0,
        side="either",
    ),
    gtin=FDA["gtin"],
    emdn_code="P09120201",
    supplier="Test supply",
    pack_quantity=1,
)


PACK = DevicePack(34, NAIL, "A213B1", "1234", date(2015, 7, 7), "owned", "sterile", is_here=True)


def test_every_list_of_codes_has_its_source_and_every_binding_its_list() -> None:
    assert set(SOURCES) == set(CODES)
    assert set(BINDINGS.values()) <= set(CODES)
    # The page of the value set says "33 concepts", that of the absent reasons 15.
    assert (len(CODES["issue-type"]), len(CODES["data-absent-reason"])) == (33, 15)


def test_the_device_identifier_is_printed_as_the_regulator_prints_it() -> None:
    """FDA, UDI formats by issuing agency: (01)…(11)141231(17)150707(10)A213B1(21)1234."""
    made_on, use_by = date.fromisoformat(FDA["made_on"]), date.fromisoformat(FDA["use_by"])
    printed = printed_udi(
        FDA["gtin"], made_on=made_on, use_by=use_by, lot=FDA["lot"], serial=FDA["serial"]
    )
    assert printed == FDA["text"] == "(01)51022222233336(11)141231(17)150707(10)A213B1(21)1234"


#: Set 82 (GS1 General Specifications, 7.11) without its brackets.
_SET_82 = string.ascii_letters + string.digits + "!\"%&'*+,-./:;<=>?_"


@given(
    lot=st.text(_SET_82, max_size=20),
    serial=st.text(_SET_82, max_size=20),
    use_by=st.none() | st.dates(date(2020, 1, 1), date(2060, 12, 31)),
)
def test_what_is_printed_is_read_back_as_the_same_pack(
    lot: str, serial: str, use_by: date | None
) -> None:
    printed = printed_udi(FDA["gtin"], use_by=use_by, lot=lot, serial=serial)
    assert printed is not None
    scan = read_scan(printed, today=TODAY)
    assert scan.problem is None
    assert (scan.gtin, scan.lot or "", scan.serial or "", scan.use_by) == (
        *(FDA["gtin"], lot, serial),
        use_by,
    )


@pytest.mark.parametrize("lot", ["A(10)B", "Straße", "A B", "L" * 21, "A\x1dB", "A^B"])
def test_a_lot_that_no_gs1_code_can_hold_is_not_printed_as_one(lot: str) -> None:
    made = device(dataclasses.replace(PACK, lot_number=lot))
    assert made["udiCarrier"] == [
        {
            "deviceIdentifier": FDA["gtin"],
            "issuer": "http://hl7.org/fhir/NamingSystem/gs1-di",
        }
    ]
    assert made["lotNumber"] == lot


def test_a_device_carries_what_its_label_says() -> None:
    made = device(PACK)
    check(made)
    assert made["udiCarrier"] == [
        {
            "deviceIdentifier": "51022222233336",
            "issuer": "http://hl7.org/fhir/NamingSystem/gs1-di",
            "carrierHRF": "(01)51022222233336(17)150707(10)A213B1(21)1234",
        }
    ]
    assert (made["id"], made["lotNumber"], made["serialNumber"], made["expirationDate"]) == (
        *("34", "A213B1", "1234"),
        "2015-07-07",
    )
    assert made["definition"]["reference"]["reference"] == "DeviceDefinition/7"
    assert made["status"] == "active"


def test_what_is_not_known_of_a_pack_stays_absent() -> None:
    article = dataclasses.replace(NAIL, gtin=None, emdn_code=None)
    bare = DevicePack(1, article, "", "S1", None, "loan", "unsterile", is_here=False)
    made = device(bare)
    check(made)
    assert not {"udiCarrier", "lotNumber", "expirationDate", "manufacturer", "meta"} & set(made)
    assert [one["coding"][0]["code"] for one in made["type"]] == ["single_lag_screw_nail"]
    assert made["status"] == "inactive"


def test_a_catalogue_line_gives_its_identifier_names_classes_and_sizes() -> None:
    made = device_definition(NAIL)
    check(made)
    assert made["udiDeviceIdentifier"] == [
        {
            "deviceIdentifier": "51022222233336",
            "issuer": "http://hl7.org/fhir/NamingSystem/gs1-di",
            # Mandatory in R5 and not on record.
            "_jurisdiction": absent("unknown"),
        }
    ]
    assert made["partNumber"] == "X-N-180"
    classes = [one["type"]["coding"][0]["code"] for one in made["classification"]]
    assert classes == ["single_lag_screw_nail", "P09120201"]
    assert made["packaging"] == [{"count": 1, "distributor": [{"name": "Test supply"}]}]
    sizes = {
        one["type"]["coding"][0]["code"]: (one["valueQuantity"]["value"], one["valueQuantity"])
        for one in made["property"]
        if "valueQuantity" in one
    }
    # UCUM: millimetre "mm", degree of plane angle "deg".
    assert {name: (value, one["code"]) for name, (value, one) in sizes.items()} == {
        "length": (180, "mm"),
        "diameter": (11.5, "mm"),
        "angle": (130, "deg"),
    }


def test_without_a_gtin_there_is_no_device_identifier() -> None:
    made = device_definition(dataclasses.replace(NAIL, gtin=None))
    check(made)
    assert "udiDeviceIdentifier" not in made


@pytest.fixture(scope="module")
def catalogue() -> list[DeviceArticle]:
    parsed = read_catalogue(read_sheet(CATALOGUE.read_bytes(), CATALOGUE.name))
    assert parsed.faults == []
    names = [field.name for field in dataclasses.fields(ItemFacts)]
    return [
        DeviceArticle(
            number,
            ItemFacts(**{name: getattr(row, name) for name in names}),
            row.gtin,
            row.emdn_code,
            row.supplier,
            row.pack_quantity,
        )
        for number, row in parsed.good
    ]


def test_every_line_of_the_demo_catalogue_is_a_sound_definition(
    catalogue: list[DeviceArticle],
) -> None:
    assert len(catalogue) > 500
    for article in catalogue:
        made = device_definition(article)
        check(made)
        assert made["udiDeviceIdentifier"][0]["deviceIdentifier"] == article.gtin


def _some(words: frozenset[str]) -> st.SearchStrategy[str | None]:
    return st.none() | st.sampled_from(sorted(words))


_SIZES = st.none() | st.floats(0.01, 5000, allow_nan=False)


#: As the catalogue takes it: something, and no control characters.
_TEXTS = st.text(st.characters(exclude_categories=["C"]), min_size=1, max_size=40).map(
    lambda text: text.strip() or "x"
)


_ARTICLES = st.builds(
    DeviceArticle,
    id=st.integers(1, 10**9 - 1),
    facts=st.builds(
        ItemFacts,
        ref=_TEXTS,
        kind=st.sampled_from(sorted(ITEM_KINDS)),
        description=_TEXTS,
        system=st.none() | _TEXTS,
        length_mm=_SIZES,
        diameter_mm=_SIZES,
        angle_deg=_SIZES,
        side=_some(SIDES),
        screw_type=_some(SCREW_TYPES),
        head_design=_some(HEAD_DESIGNS),
        thread=_some(THREADS),
        thread_length_mm=_SIZES,
        holes=st.none() | st.integers(1, 30),
        barrel_mm=_SIZES,
        bow_radius_mm=_SIZES,
    ),
    gtin=st.none() | st.just("02910000000017"),
    emdn_code=st.none() | st.just("P09120201"),
    supplier=_TEXTS,
    pack_quantity=st.integers(1, 10_000),
)


@given(article=_ARTICLES)
def test_any_catalogue_line_is_a_sound_definition(article: DeviceArticle) -> None:
    check(device_definition(article))


@given(
    article=_ARTICLES,
    lot=st.just("") | _TEXTS,
    use_by=st.none() | st.dates(date(2000, 1, 1), date(2199, 12, 31)),
    is_here=st.booleans(),
)
def test_any_lot_is_a_sound_device(
    article: DeviceArticle, lot: str, use_by: date | None, *, is_here: bool
) -> None:
    check(device(DevicePack(1, article, lot, "S1", use_by, "consigned", "sterile", is_here)))


_FIELDS: dict[str, date | None] = {
    "use_by": date(2033, 1, 1),
    "return_by": None,
}


def stands(
    quantity: int, held: int, place: str, *blocked: str, **dates: date | None
) -> dict[str, int]:
    facts = {**_FIELDS, **dates}
    units = StockUnits(
        "p",
        "A",
        quantity,
        blocked=(*blocked, "quarantined") if place == "quarantine" else blocked,
        tray_of="K1" if place == "theatre" else None,
        use_by=facts["use_by"],
        return_by=facts["return_by"],
    )
    return status_units(units, held, TODAY, is_in_theatre=place == "theatre")


@pytest.mark.parametrize(
    ("place", "blocked", "dates", "expected"),
    [
        ("shelf", (), {}, {"promised": 1, "free": 2}),
        # A pack may be used until the end of its last day (GS1 General Specifications, AI 17).
        ("shelf", (), {"use_by": TODAY}, {"promised": 1, "free": 2}),
        ("shelf", (), {"use_by": date(2031, 3, 3)}, {"expired": 3}),
        ("shelf", (), {"use_by": None}, {"promised": 1, "free": 2}),
        ("shelf", (), {"return_by": date(2031, 3, 5)}, {"promised": 1, "free": 2}),
        ("shelf", (), {"return_by": TODAY}, {"return-due": 3}),
        ("shelf", ("unsterile",), {}, {"unsterile": 3}),
        ("shelf", ("recalled",), {}, {"recalled": 3}),
        ("quarantine", (), {}, {"quarantine": 3}),
        ("theatre", (), {}, {"in-theatre": 3}),
        (
            "quarantine",
            ("recalled",),
            {"use_by": date(2030, 1, 1)},
            {"quarantine": 3},
        ),
        ("theatre", (), {"use_by": date(2030, 1, 1)}, {"expired": 3}),
    ],
)
def test_what_cannot_be_used_is_never_called_free(
    place: str, blocked: tuple[str, ...], dates: dict[str, Any], expected: dict[str, int]
) -> None:
    assert stands(3, 1, place, *blocked, **dates) == expected


@pytest.mark.parametrize(
    ("away_with", "blocked", "expected"),
    [
        ("K1", (), {"in-theatre": 1}),
        ("reprocessing", (), {"reprocessing": 1}),
        ("reprocessing", ("unsterile",), {"unsterile": 1}),
    ],
)
def test_a_set_that_is_away_stands_with_its_case_or_is_reprocessed(
    away_with: str, blocked: tuple[str, ...], expected: dict[str, int]
) -> None:
    units = StockUnits("p", "A", 1, away_with=away_with, blocked=blocked)
    is_with_case = away_with != "reprocessing"
    assert status_units(units, 0, TODAY, is_in_theatre=is_with_case) == expected


@given(quantity=st.integers(1, 50), data=st.data(), recalled=st.booleans())
def test_no_unit_is_lost_or_told_twice(quantity: int, data: st.DataObject, recalled: bool) -> None:
    held = data.draw(st.integers(0, quantity))
    place = data.draw(st.sampled_from(["shelf", "quarantine", "theatre"]))
    found = stands(quantity, held, place, *(("recalled",) if recalled else ()))
    assert sum(found.values()) == quantity
    assert min(found.values()) > 0


def test_a_report_lists_each_place_and_standing_once() -> None:
    other = dataclasses.replace(SHELF, id=16, shelf="A-01-2")
    report = inventory_report(
        SITE,
        "stock-1",
        NOON,
        [
            StatusUnits(SHELF, "free", NOON, 1, "X, nail", 2),
            StatusUnits(SHELF, "expired", NOON, 2, "Y, screw", 1),
            StatusUnits(SHELF, "free", NOON, 3, "Z, screw", 4),
            StatusUnits(SHELF, "free", None, 4, "W, wire", 1),
            StatusUnits(other, "free", None, 3, "Z, screw", 5),
        ],
    )
    check(report)
    assert (report["countType"], report["reportedDateTime"]) == (
        "snapshot",
        "2031-03-04T12:00:00+00:00",
    )
    assert "operationType" not in report
    listed = [
        (
            one["location"]["identifier"]["value"],
            one["itemStatus"]["coding"][0]["code"],
            "countingDateTime" in one,
            [
                (item["item"]["reference"]["reference"], item["quantity"]["value"])
                for item in one["item"]
            ],
        )
        for one in report["inventoryListing"]
    ]
    assert listed == [
        ("15", "free", True, [("Device/1", 2), ("Device/3", 4)]),
        ("15", "expired", True, [("Device/2", 1)]),
        ("15", "free", False, [("Device/4", 1)]),
        ("16", "free", False, [("Device/3", 5)]),
    ]


def test_an_empty_site_reports_that_nothing_is_there() -> None:
    report = inventory_report(SITE, "stock-1", NOON, [])
    check(report)
    assert "inventoryListing" not in report


@pytest.mark.parametrize(
    ("state", "quantity", "received", "let_go", "expected"),
    [
        ("draft", 3, 0, 0, "draft"),
        ("approved", 3, 0, 0, "active"),
        ("sent", 3, 0, 0, "active"),
        ("sent", 3, 2, 0, "active"),
        ("sent", 3, 3, 0, "completed"),
        ("sent", 3, 4, 0, "completed"),
        ("sent", 3, 2, 1, "completed"),
        ("sent", 3, 0, 3, "cancelled"),
        ("received", 3, 2, 0, "completed"),
        ("received", 3, 0, 3, "cancelled"),
        ("cancelled", 3, 1, 0, "cancelled"),
    ],
)
def test_a_line_stands_as_its_order_and_its_units_do(
    state: str, quantity: int, received: int, let_go: int, expected: str
) -> None:
    assert request_status(state, quantity=quantity, received=received, let_go=let_go) == expected


REQUEST = RequestedLine(
    key="5-7",
    order="PO-1",
    kind="purchase",
    state="sent",
    supplier="Test supply",
    item_id=7,
    what="X-N-180, Short nail",
    quantity=3,
    received=1,
    let_go=0,
    made_at=NOON,
    due_at=None,
    why=("case HAR-0711",),
)


def test_a_line_of_an_order_is_a_request_for_one_definition() -> None:
    made = supply_request(SITE, REQUEST)
    check(made)
    assert made["item"]["reference"]["reference"] == "DeviceDefinition/7"
    assert made["quantity"]["value"] == 3
    assert made["identifier"] == [
        {"system": "https://traywright.invalid/fhir/site/HAR/order", "value": "PO-1"}
    ]
    assert made["reason"] == [{"concept": {"text": "case HAR-0711"}}]
    assert "occurrenceDateTime" not in made, "nobody has said when it is due"
    due = supply_request(SITE, dataclasses.replace(REQUEST, due_at=NOON))
    check(due)
    assert due["occurrenceDateTime"] == "2031-03-04T12:00:00+00:00"


def test_units_that_came_are_a_delivery_based_on_their_request() -> None:
    arrival = ReceivedUnits(9, "5-7", 34, "X-N-180, Short nail", "Test supply", 2, NOON, SHELF)
    made = supply_delivery(SITE, arrival)
    check(made)
    assert made["status"] == "completed"
    assert made["basedOn"] == [{"reference": "SupplyRequest/5-7"}]
    assert made["suppliedItem"][0]["itemReference"]["reference"] == "Device/34"
    assert made["destination"]["display"] == "Theatre store, A-01-1"
    assert made["meta"] == {"lastUpdated": "2031-03-04T12:00:00+00:00"}


def test_an_implant_names_its_device_and_case_and_no_patient() -> None:
    """FHIR R5, DeviceUsage: patient is 1..1; an extension may stand for what is absent."""
    made = device_usage(SITE, ImplantedUnit("12-1", 34, "X-N-180", "HAR-0711", "left", NOON))
    check(made)
    assert made["patient"]["extension"][0]["valueCode"] == "unsupported"
    assert not {"reference", "identifier"} & set(made["patient"])
    assert made["device"]["reference"]["reference"] == "Device/34"
    case = made["derivedFrom"][0]
    assert (case["type"], case["identifier"]["value"]) == ("Procedure", "HAR-0711")


def test_a_search_is_answered_with_its_links_and_total() -> None:
    made = search_set(
        "https://h/fhir", [device(PACK)], total=3, this="https://h/1", following="https://h/2"
    )
    check(made)
    assert made["total"] == 3
    assert made["entry"][0]["fullUrl"] == "https://h/fhir/Device/34"
    # FHIR R5, invariant bdl-18: a searchset has a self link.
    assert {one["relation"]: one["url"] for one in made["link"]} == {
        "self": "https://h/1",
        "next": "https://h/2",
    }
    nothing = search_set("https://h/fhir", [], total=0, this="https://h/1", following=None)
    check(nothing)
    assert "entry" not in nothing


def test_the_capability_statement_is_sound() -> None:
    made = capability_statement("https://h/fhir", SITE, "0.1.0", {"Device": "Lots."})
    check(made)
    # FHIR R5, invariant cpb-14: an instance has its implementation.
    assert made["implementation"]["url"] == "https://h/fhir"
    assert [one["type"] for one in made["rest"][0]["resource"]] == ["Device"]


@pytest.mark.parametrize(
    "change",
    [
        {"status": "nearly"},
        {"status": None},
        {"name": [{"value": "x", "type": "nickname"}]},
        {"lotNumber": ""},
        {"property": []},
        {"id": "has space"},
        {"colour": "blue"},
        {"expirationDate": "soon"},
        {"udiCarrier": [{"issuer": "http://hl7.org/fhir/NamingSystem/gs1-di"}]},
    ],
)
def test_the_checks_of_this_file_see_what_is_wrong(change: dict[str, object]) -> None:
    """The control: without it all the tests above might check nothing."""
    with pytest.raises((AssertionError, ValidationError)):
        check({**device(PACK), **change})
