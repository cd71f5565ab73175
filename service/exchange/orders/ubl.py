"""An order as OASIS UBL 2.1, with what Peppol BIS Ordering 3 asks for.

Sources: UBL-Order-2.1.xsd (OASIS, 2013) for elements and their order; the rules of the Peppol order
transaction (PEPPOL-T01, release 3.8.1) for what must be there.
"""

import re
import xml.etree.ElementTree as ET
from collections.abc import Iterator
from datetime import date
from decimal import Decimal

from service.exchange.orders.paper import OrderPaper, PaperLine, Party
from service.exchange.sheets.money import amount_text

_ORDER = "urn:oasis:names:specification:ubl:schema:xsd:Order-2"


_CAC = "urn:oasis:names:specification:ubl:schema:xsd:CommonAggregateComponents-2"


_CBC = "urn:oasis:names:specification:ubl:schema:xsd:CommonBasicComponents-2"


CUSTOMIZATION = "urn:fdc:peppol.eu:poacc:trns:order:3"


PROFILE = "urn:fdc:peppol.eu:poacc:bis:ordering:3"


#: "Order" in UN/CEFACT code list 1001.
_ORDER_TYPE = "220"


#: "One" in UN/ECE Recommendation 20: a unit, whatever pack it comes in.
_ONE = "C62"


#: GTIN in the list of ISO 6523 ICD codes.
_GTIN = "0160"


#: Peppol allows amounts other than unit prices no more decimals (PEPPOL-T01-R028).
_MOST_DECIMALS = 2


_SCHEME = re.compile(r"[0-9]{4}", re.ASCII)


_NO_XML = re.compile("[^\\t\\n\\r\\x20-\\ud7ff\\ue000-\\ufffd\\U00010000-\\U0010ffff]")


_COUNTRY = re.compile(r"[A-Z]{2}", re.ASCII)


def missing_for_ubl(paper: OrderPaper) -> list[tuple[str, str]]:
    """Say what an order lacks to be written: where it is to be said, and what.

    Returns
    -------
    list of tuple of str
        Pointer and sentence; empty when the order can be written in full.
    """
    return [
        *_missing_at_the_head(paper),
        *_missing_of("buyer", paper.buyer),
        *_missing_of("supplier", paper.seller),
        *_missing_in_lines(paper),
        *_not_for_xml(paper),
    ]


def _missing_at_the_head(paper: OrderPaper) -> Iterator[tuple[str, str]]:
    if paper.kind == "loan":
        yield "/kind", "a loan is not a purchase: send its CSV"
    if paper.issued is None:
        yield "/sent_at", "it has no issue date: it has not been sent, or the date is not recorded"
    if paper.currency is None:
        yield "/currency", "the currency is not known"
    if not paper.lines:
        yield "/items", "there are no lines"


def _missing_of(who: str, party: Party) -> Iterator[tuple[str, str]]:
    if not party.name:
        yield f"/{who}/legal_name", f"the {who} has no name"
    if not party.endpoint_id or not _SCHEME.fullmatch(party.endpoint_scheme):
        yield f"/{who}/endpoint_id", f"the {who} has no electronic address and scheme"
    if who == "supplier" and not _COUNTRY.fullmatch(party.country):
        yield f"/{who}/country", f"the {who} has no country"


def _missing_in_lines(paper: OrderPaper) -> Iterator[tuple[str, str]]:
    for place, line in enumerate(paper.lines):
        if line.unit_price_minor is None:
            yield f"/items/{place}/unit_price_minor", f"{line.ref} has no price"
        elif paper.currency is not None:
            amount = amount_text(line.unit_price_minor * line.quantity, paper.currency)
            exponent = Decimal(amount).normalize().as_tuple().exponent
            if -int(exponent) > _MOST_DECIMALS:
                said = f"{amount} {paper.currency} has more than {_MOST_DECIMALS} decimals"
                yield f"/items/{place}/unit_price_minor", f"{line.ref}: {said}"
        if not line.description:
            yield f"/items/{place}/description", f"{line.ref} has no description"


def _not_for_xml(paper: OrderPaper) -> Iterator[tuple[str, str]]:
    """Name texts with characters that XML 1.0 cannot carry (its production 2, Char)."""
    texts = [("/reference", paper.reference), ("/note", paper.note)]
    texts += [("/buyer/legal_name", paper.buyer.name), ("/supplier/name", paper.seller.name)]
    for place, line in enumerate(paper.lines):
        uses = (part for use in line.uses for part in (use.lot, use.serial, use.case))
        texts.append((f"/items/{place}", "".join((line.ref, line.description, *uses))))
    for pointer, text in texts:
        if _NO_XML.search(text):
            yield pointer, "it has a character that XML cannot contain"


def ubl_order(paper: OrderPaper) -> bytes:
    """Write an order as UBL 2.1.

    Raises
    ------
    ValueError
        When something is missing: ask ``missing_for_ubl`` first. Nothing half-written comes out.
    """
    lacking = missing_for_ubl(paper)
    if lacking or paper.currency is None or paper.issued is None:
        raise ValueError("; ".join(sentence for _, sentence in lacking))
    root = ET.Element(f"{{{_ORDER}}}Order")
    _text(root, "CustomizationID", CUSTOMIZATION)
    _text(root, "ProfileID", PROFILE)
    _text(root, "ID", paper.reference)
    _text(root, "IssueDate", paper.issued.isoformat())
    _text(root, "OrderTypeCode", _ORDER_TYPE)
    if paper.note:
        _text(root, "Note", paper.note)
    _text(root, "DocumentCurrencyCode", paper.currency)
    _party(_group(root, "BuyerCustomerParty"), paper.buyer)
    _party(_group(root, "SellerSupplierParty"), paper.seller)
    days = [line.due for line in paper.lines if line.due is not None]
    if days:
        _period(_group(root, "Delivery"), paper.issued, max(days))
    total = sum((_line_total(line, paper.currency) for line in paper.lines), Decimal(0))
    monetary = _group(root, "AnticipatedMonetaryTotal")
    for name in ("LineExtensionAmount", "PayableAmount"):
        _amount(monetary, name, total, paper.currency)
    for number, line in enumerate(paper.lines, start=1):
        _line(root, number, line, paper.currency)
    return _written(root)


def _written(root: ET.Element) -> bytes:
    # The names of the prefixes are kept by the library for the whole process; they harm nobody.
    for prefix, name in (("", _ORDER), ("cac", _CAC), ("cbc", _CBC)):
        ET.register_namespace(prefix, name)
    ET.indent(root)
    text: bytes = ET.tostring(root, encoding="UTF-8", xml_declaration=True)
    return text


def _group(parent: ET.Element, name: str) -> ET.Element:
    return ET.SubElement(parent, f"{{{_CAC}}}{name}")


def _text(parent: ET.Element, name: str, text: str, **attributes: str) -> None:
    ET.SubElement(parent, f"{{{_CBC}}}{name}", attributes).text = text


def _amount(parent: ET.Element, name: str, amount: Decimal, currency: str) -> None:
    _text(parent, name, f"{amount:f}", currencyID=currency)


def _party(parent: ET.Element, party: Party) -> None:
    inside = _group(parent, "Party")
    _text(inside, "EndpointID", party.endpoint_id, schemeID=party.endpoint_scheme)
    _text(_group(inside, "PartyName"), "Name", party.name)
    if party.country:
        country = _group(_group(inside, "PostalAddress"), "Country")
        _text(country, "IdentificationCode", party.country)
    _text(_group(inside, "PartyLegalEntity"), "RegistrationName", party.name)


def _period(delivery: ET.Element, first: date, last: date) -> None:
    period = _group(delivery, "RequestedDeliveryPeriod")
    _text(period, "StartDate", min(first, last).isoformat())
    _text(period, "EndDate", last.isoformat())


def _price(line: PaperLine, currency: str) -> Decimal:
    return Decimal(amount_text(line.unit_price_minor or 0, currency))


def _line_total(line: PaperLine, currency: str) -> Decimal:
    # A third decimal can only be a zero here, see missing_for_ubl.
    total = _price(line, currency) * line.quantity
    return total.quantize(Decimal("0.01")) if -int(total.as_tuple().exponent) > 2 else total  # noqa: PLR2004 - as above


def _line(root: ET.Element, number: int, line: PaperLine, currency: str) -> None:
    order_line = _group(root, "OrderLine")
    note = "; ".join(_use_says(line))
    if note:
        _text(order_line, "Note", note)
    inside = _group(order_line, "LineItem")
    _text(inside, "ID", str(number))
    _text(inside, "Quantity", str(line.quantity), unitCode=_ONE)
    _amount(inside, "LineExtensionAmount", _line_total(line, currency), currency)
    if line.due is not None:
        period = _group(_group(inside, "Delivery"), "RequestedDeliveryPeriod")
        _text(period, "EndDate", line.due.isoformat())
    price = _group(inside, "Price")
    _amount(price, "PriceAmount", _price(line, currency), currency)
    item = _group(inside, "Item")
    _text(item, "Name", line.description)
    _text(_group(item, "SellersItemIdentification"), "ID", line.ref)
    if line.gtin:
        _text(_group(item, "StandardItemIdentification"), "ID", line.gtin, schemeID=_GTIN)
    for use in line.uses:
        instance = _group(item, "ItemInstance")
        if use.serial:
            _text(instance, "SerialID", use.serial)
        if use.lot:
            _text(_group(instance, "LotIdentification"), "LotNumberID", use.lot)


def _use_says(line: PaperLine) -> Iterator[str]:
    for use in line.uses:
        what = use.serial or use.lot
        yield f"{use.quantity} of {what} used in case {use.case}"
