"""Orders as files for the supplier, and who this site is on them."""

from datetime import date, datetime

from service.errors import Conflict, FieldFault
from service.exchange.orders.csv import order_csv
from service.exchange.orders.paper import OrderPaper, PaperLine, PaperUse, Party
from service.exchange.orders.ubl import missing_for_ubl, ubl_order
from service.operations.orders.orders import order_lines, require_order
from service.operations.work import Unit, require_version
from service.schemas.orders import BuyerBody, BuyerOut
from service.storage.queries import orders, suppliers
from service.storage.tables import Buyer, Site, SupplyOrder


def csv_of(unit: Unit, reference: str) -> bytes:
    """Return an order as CSV, whatever is known of it."""
    return order_csv(paper_of(unit, require_order(unit, reference)))


def xml_of(unit: Unit, reference: str) -> bytes:
    """Return a sent order as UBL 2.1.

    Raises
    ------
    Conflict
        Names everything that an electronic order needs and this one lacks.
    """
    paper = paper_of(unit, require_order(unit, reference))
    lacking = missing_for_ubl(paper)
    if lacking:
        says = "; ".join(sentence for _, sentence in lacking)
        raise Conflict(
            f"Order {reference} cannot be exported as an electronic order: {says}.",
            faults=[FieldFault(pointer, sentence) for pointer, sentence in lacking],
        )
    return ubl_order(paper)


def paper_of(unit: Unit, order: SupplyOrder) -> OrderPaper:
    """Gather what goes out with an order."""
    known = suppliers.find_supplier(unit.session, order.supplier)
    seller = Party(order.supplier)
    if known is not None:
        seller = Party(known.name, known.endpoint_id, known.endpoint_scheme, known.country)
    buyer = get_buyer(unit)
    uses: dict[int, list[PaperUse]] = {}
    for row in orders.billed_on(unit.session, order.id or 0):
        use = PaperUse(row.lot_number, row.serial, row.quantity, row.case_reference)
        uses.setdefault(row.line_id, []).append(use)
    return OrderPaper(
        reference=order.reference,
        kind=order.kind,
        issued=None if order.sent_at is None else unit.local(order.sent_at).date(),
        currency=order.currency,
        buyer=Party(buyer.legal_name, buyer.endpoint_id, buyer.endpoint_scheme),
        seller=seller,
        lines=tuple(
            PaperLine(
                ref=item.ref,
                gtin=item.gtin,
                description=item.description,
                quantity=line.quantity,
                pack_quantity=item.pack_quantity,
                unit_price_minor=line.unit_price_minor,
                due=_day(unit, line.due_at or order.due_at),
                uses=tuple(uses.get(line.id or 0, ())),
            )
            for line, item in order_lines(unit, order)
        ),
        note=order.note,
        return_by=order.return_by,
    )


def _day(unit: Unit, moment: datetime | None) -> date | None:
    return None if moment is None else unit.local(moment).date()


def get_buyer(unit: Unit) -> BuyerOut:
    """Return who this site is on an electronic order; its name where nobody has said more."""
    row = unit.session.get(Buyer, unit.site_id)
    if row is not None:
        return BuyerOut.model_validate(row)
    name = unit.session.get_one(Site, unit.site_id).name
    return BuyerOut(legal_name=name, endpoint_id="", endpoint_scheme="", version=0)


def put_buyer(unit: Unit, body: BuyerBody, version: int) -> BuyerOut:
    """Say who this site is on an electronic order; the first time is based on version 0."""
    row = unit.session.get(Buyer, unit.site_id)
    require_version(0 if row is None else row.version, version, "The buyer")
    if row is None:
        row = Buyer(site_id=unit.site_id, version=0)
        unit.session.add(row)
    row.sqlmodel_update(body.model_dump())
    row.version += 1
    unit.session.flush()
    return BuyerOut.model_validate(row)
