"""Orders as UBL 2.1: valid under OASIS's schema, and under what Peppol asks of an order.

The schema is the published one, in tests/published/ubl. Peppol's rules are written by hand from
OpenPeppol's Schematron of the order transaction (PEPPOL-T01, release 3.8.1); each carries its
number there.
"""

from collections.abc import Iterator
from dataclasses import replace
from datetime import date
from decimal import Decimal
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from lxml import etree

from service.exchange.orders.paper import OrderPaper, PaperLine, PaperUse, Party
from service.exchange.orders.ubl import missing_for_ubl, ubl_order

SCHEMA = Path(__file__).parents[2] / "published" / "ubl" / "maindoc" / "UBL-Order-2.1.xsd"


NAMES = {
    "o": "urn:oasis:names:specification:ubl:schema:xsd:Order-2",
    "cac": "urn:oasis:names:specification:ubl:schema:xsd:CommonAggregateComponents-2",
    "cbc": "urn:oasis:names:specification:ubl:schema:xsd:CommonBasicComponents-2",
}


NAIL = PaperLine("AMB-N", "02910000000017", "Nail", 4, 1, 24_800, date(2031, 3, 6))


SCREW = PaperLine("AMB-S", None, "Screw & washer <5 mm>", 10, 5, 1_250, None)


PAPER = OrderPaper(
    reference="PO-2031-0001",
    kind="purchase",
    issued=date(2031, 3, 3),
    currency="GBP",
    # GLNs with right check digits, of the GS1 range for restricted circulation.
    buyer=Party("Harrowmere General (invented)", "2900000000001", "0088"),
    seller=Party("Ambleford Demo Supply", "2900000000018", "0088", "GB"),
    lines=(NAIL, SCREW),
    note="Call before delivery.",
)


Document = Any


@pytest.fixture(scope="module")
def schema() -> Any:  # noqa: ANN401 - lxml has no types
    return etree.XMLSchema(etree.parse(str(SCHEMA), etree.XMLParser(no_network=True)))


def read(paper: OrderPaper) -> Document:
    return etree.fromstring(ubl_order(paper))


def texts(document: Document, path: str) -> list[str]:
    found = document.xpath(path, namespaces=NAMES)
    return [str(one if isinstance(one, str) else one.text) for one in found]


def number(document: Document, path: str) -> Decimal:
    return Decimal(texts(document, path)[0])


# EAS codes, currencies and units are code lists; those used here are in them (release 3.8.1).
_EAS, _ICD, _CURRENCIES, _UNITS = {"0088", "0192", "9957"}, {"0160"}, {"GBP", "EUR"}, {"C62"}


def broken_rules(document: Document) -> Iterator[str]:
    """Name each Peppol rule an order breaks."""
    yield from _broken_at_the_head(document)
    yield from _broken_parties(document)
    yield from _broken_lines(document)
    yield from _broken_amounts(document)


_NEEDED = (
    ("B00101", "/o:Order/cbc:CustomizationID"),
    ("B00102", "/o:Order/cbc:ProfileID"),
    ("B00103", "/o:Order/cbc:ID"),
    ("B00104", "/o:Order/cbc:IssueDate"),
    ("B00105", "/o:Order/cbc:DocumentCurrencyCode"),
    ("B00106", "/o:Order/cac:BuyerCustomerParty"),
    ("B00107", "/o:Order/cac:SellerSupplierParty"),
    ("B00108", "/o:Order/cac:OrderLine"),
)


def _broken_at_the_head(document: Document) -> Iterator[str]:
    # An order without VAT breakdown, originator, allowance or validity has no rules on those; that
    # a validity end date SHOULD be there (R002) is a warning.
    yield from (rule for rule, path in _NEEDED if not texts(document, path))
    if texts(document, "//cbc:CustomizationID") != ["urn:fdc:peppol.eu:poacc:trns:order:3"]:
        yield "B00201"
    if texts(document, "//cbc:ProfileID") != ["urn:fdc:peppol.eu:poacc:bis:ordering:3"]:
        yield "R031"
    if not set(texts(document, "//cbc:OrderTypeCode")) <= {"220", "227"}:
        yield "B00801"
    if not set(texts(document, "//cbc:DocumentCurrencyCode")) <= _CURRENCIES:
        yield "B01001"
    if document.xpath("//@*[local-name() = 'schemaLocation']"):
        yield "B00109"
    # That no element is empty: number from memory.
    if document.xpath("//*[not(*) and not(normalize-space())]"):
        yield "COMMON-R001"
    dates = texts(document, "//cbc:IssueDate | //cbc:StartDate | //cbc:EndDate")
    if any(date.fromisoformat(text).isoformat() != text for text in dates):
        yield "COMMON-R030"


def _broken_parties(document: Document) -> Iterator[str]:
    for party, endpoint, entity in (
        ("cac:BuyerCustomerParty", "B03301", "B03302"),
        ("cac:SellerSupplierParty", "B06801", "B06803"),
    ):
        inside = f"/o:Order/{party}/cac:Party"
        if not texts(document, f"{inside}/cbc:EndpointID"):
            yield endpoint
        if not set(texts(document, f"{inside}/cbc:EndpointID/@schemeID")) & _EAS:
            yield "B03401, B03402, B06901, B06902"
        if not texts(document, f"{inside}/cac:PartyLegalEntity/cbc:RegistrationName"):
            yield entity
    country = "//cac:SellerSupplierParty/cac:Party/cac:PostalAddress/cac:Country"
    if not texts(document, f"{country}/cbc:IdentificationCode"):
        yield "B06802, B07601"


def _broken_lines(document: Document) -> Iterator[str]:
    items = document.xpath("/o:Order/cac:OrderLine/cac:LineItem", namespaces=NAMES)
    keys = [texts(item, "cbc:ID") for item in items]
    if any(len(key) != 1 for key in keys) or len({key[0] for key in keys}) < len(keys):
        yield "R001"
    for item in items:
        if not texts(item, "cac:Item/cbc:Name"):
            yield "B25201"
        if not set(texts(item, "cbc:Quantity/@unitCode")) & _UNITS:
            yield "quantity without a unit of UN/ECE Recommendation 20"
        if number(item, "cbc:Quantity") < 0:
            yield "R004"
        if number(item, "cac:Price/cbc:PriceAmount") < 0:
            yield "R005"
        total = number(item, "cbc:Quantity") * number(item, "cac:Price/cbc:PriceAmount")
        if abs(number(item, "cbc:LineExtensionAmount") - total) > Decimal("0.02"):
            yield "R024"
        schemes = texts(item, "cac:Item/cac:StandardItemIdentification/cbc:ID/@schemeID")
        gtins = texts(item, "cac:Item/cac:StandardItemIdentification/cbc:ID")
        if len(schemes) != len(gtins) or not set(schemes) <= _ICD:
            yield "B26001, B26002"


def _broken_amounts(document: Document) -> Iterator[str]:
    currency = texts(document, "/o:Order/cbc:DocumentCurrencyCode")
    if set(texts(document, "//@currencyID")) != set(currency):
        yield "R003"
    if len(texts(document, "//@currencyID")) != len(
        texts(document, "//*[contains(local-name(), 'Amount')]")
    ):
        yield "an amount without currency (B23701 and its like)"
    outside_price = "//*[contains(local-name(), 'Amount') and not(ancestor::cac:Price)]"
    if any(len(text.partition(".")[2]) > 2 for text in texts(document, outside_price)):
        yield "R028"
    lines = texts(document, "//cac:LineItem/cbc:LineExtensionAmount")
    if number(document, "//cac:AnticipatedMonetaryTotal/cbc:LineExtensionAmount") != sum(
        map(Decimal, lines)
    ):
        yield "R008"
    if number(document, "//cac:AnticipatedMonetaryTotal/cbc:PayableAmount") < 0:
        yield "R006"


def test_an_order_is_valid_under_the_published_schema_and_peppols_rules(schema: Any) -> None:  # noqa: ANN401 - lxml has no types
    document = read(PAPER)
    schema.assertValid(document)
    assert list(broken_rules(document)) == []


def test_an_order_says_what_was_ordered(schema: Any) -> None:  # noqa: ANN401 - lxml has no types
    document = read(PAPER)
    assert texts(document, "//cac:LineItem/cbc:Quantity") == ["4", "10"]
    assert texts(document, "//cac:Price/cbc:PriceAmount") == ["248.00", "12.50"]
    # 4 × 248.00 and 10 × 12.50.
    assert texts(document, "//cac:LineItem/cbc:LineExtensionAmount") == ["992.00", "125.00"]
    assert texts(document, "//cac:AnticipatedMonetaryTotal/cbc:PayableAmount") == ["1117.00"]
    assert texts(document, "//cac:SellersItemIdentification/cbc:ID") == ["AMB-N", "AMB-S"]
    assert texts(document, "//cac:StandardItemIdentification/cbc:ID[@schemeID='0160']") == [
        "02910000000017"
    ]
    assert texts(document, "//cac:Item/cbc:Name")[1] == "Screw & washer <5 mm>"
    period = "/o:Order/cac:Delivery/cac:RequestedDeliveryPeriod/cbc:EndDate"
    assert texts(document, period) == ["2031-03-06"]
    assert schema.validate(document)


def test_a_bill_names_lot_serial_and_case(schema: Any) -> None:  # noqa: ANN401 - lxml has no types
    uses = (PaperUse("L1", "", 3, "K1"), PaperUse("", "S2", 1, "K2"))
    paper = replace(PAPER, kind="bill_only", lines=(replace(NAIL, due=None, uses=uses),))
    document = read(paper)
    schema.assertValid(document)
    assert list(broken_rules(document)) == []
    assert texts(document, "//cac:LotIdentification/cbc:LotNumberID") == ["L1"]
    assert texts(document, "//cac:ItemInstance/cbc:SerialID") == ["S2"]
    assert texts(document, "//cac:OrderLine/cbc:Note") == [
        "3 of L1 used in case K1; 1 of S2 used in case K2"
    ]


@pytest.mark.parametrize(
    ("changes", "pointers"),
    [
        ({"currency": None}, ["/currency"]),
        ({"issued": None}, ["/sent_at"]),
        ({"lines": ()}, ["/items"]),
        ({"kind": "loan"}, ["/kind"]),
        ({"buyer": Party("Hospital")}, ["/buyer/endpoint_id"]),
        ({"buyer": Party("", "1", "0088")}, ["/buyer/legal_name"]),
        ({"seller": Party("Supply", "1", "0088")}, ["/supplier/country"]),
        ({"seller": Party("Supply")}, ["/supplier/endpoint_id", "/supplier/country"]),
        ({"lines": (NAIL, replace(SCREW, unit_price_minor=None))}, ["/items/1/unit_price_minor"]),
        # Three decimals, where Peppol takes two (R028).
        (
            {"currency": "KWD", "lines": (replace(NAIL, quantity=1, unit_price_minor=5),)},
            ["/items/0/unit_price_minor"],
        ),
        # XML 1.0, production 2 (Char), ends at FFFD.
        ({"note": "\ufffe"}, ["/note"]),
    ],
)
def test_what_is_missing_is_named_and_nothing_half_written(
    changes: dict[str, Any], pointers: list[str]
) -> None:
    paper = replace(PAPER, **changes)
    assert [pointer for pointer, _ in missing_for_ubl(paper)] == pointers
    with pytest.raises(ValueError, match=r"."):
        ubl_order(paper)


@pytest.mark.parametrize(
    ("path", "rule"),
    [
        ("//cbc:CustomizationID", "B00101"),
        ("//cac:BuyerCustomerParty/cac:Party/cbc:EndpointID", "B03301"),
        ("//cac:SellerSupplierParty/cac:Party/cac:PostalAddress", "B06802, B07601"),
        ("//cac:Item/cbc:Name", "B25201"),
    ],
)
def test_the_checks_here_find_what_is_taken_away(path: str, rule: str) -> None:
    """The control: rules that never fail would show nothing."""
    document = read(PAPER)
    for element in document.xpath(path, namespaces=NAMES):
        element.getparent().remove(element)
    assert rule in list(broken_rules(document))


def test_the_schema_refuses_elements_out_of_order(schema: Any) -> None:  # noqa: ANN401 - lxml has no types
    document = read(PAPER)
    document.append(document[0])
    assert not schema.validate(document)


TEXT = st.text(
    st.characters(min_codepoint=32, max_codepoint=0x2FFF, exclude_categories=["Cs", "Cc"]),
    min_size=1,
    max_size=30,
).filter(lambda text: text.strip() != "")


LINES = st.builds(
    PaperLine,
    ref=TEXT,
    gtin=st.sampled_from([None, "02910000000017"]),
    description=TEXT,
    quantity=st.integers(1, 10**6),
    pack_quantity=st.integers(1, 100),
    unit_price_minor=st.integers(0, 2 * 10**9),
    due=st.one_of(st.none(), st.dates(date(2031, 3, 3), date(2040, 1, 1))),
)


@settings(max_examples=40, deadline=None)
@given(lines=st.lists(LINES, min_size=1, max_size=6), note=TEXT)
def test_any_order_that_lacks_nothing_is_valid(
    schema: Any,  # noqa: ANN401 - lxml has no types
    lines: list[PaperLine],
    note: str,
) -> None:
    paper = replace(PAPER, lines=tuple(lines), note=note)
    assert missing_for_ubl(paper) == []
    document = read(paper)
    schema.assertValid(document)
    assert list(broken_rules(document)) == []
    assert texts(document, "//cac:SellersItemIdentification/cbc:ID") == [one.ref for one in lines]
