"""Codes on packs: read them, and learn whose they are."""

from dataclasses import fields

from sqlalchemy.exc import IntegrityError

from service.core.items import ItemFacts, describe_size
from service.errors import BadInput, Duplicate, FieldFault
from service.exchange.barcodes import join_hibc, read_scan
from service.exchange.scan import Scan
from service.operations.catalogue import the_item
from service.operations.schemas.scans import LearnBody, LearnedOut
from service.operations.unit import Unit
from service.storage.queries import codes
from service.storage.tables import Item, ItemCode

__all__ = ["code_of", "facts_of", "learn_code", "read_code"]


def read_code(unit: Unit, raw: str, second: str | None) -> Scan:
    """Read one code, or the two HIBC codes of one label in either order."""
    first = read_scan(raw, today=unit.today)
    if not second:
        return first
    other = read_scan(second, today=unit.today)
    if first.kind == "hibc_secondary":
        first, other = other, first
    return join_hibc(first, other)


def code_of(scan: Scan) -> str | None:
    """Give the part of a code that names the item; ``None`` when it names none."""
    if scan.refused:
        return None
    if scan.gtin is not None:
        return scan.gtin
    if scan.lic is not None and scan.product is not None:
        return f"{scan.lic}{scan.product}{scan.unit or ''}"
    return None


def facts_of(item: Item) -> ItemFacts:
    """Give an item as the planner sees it."""
    return ItemFacts(**{field.name: getattr(item, field.name) for field in fields(ItemFacts)})


def learn_code(unit: Unit, body: LearnBody) -> LearnedOut:
    """Teach the service that a code belongs to an item; teaching it twice changes nothing.

    Raises
    ------
    BadInput
        When the code cannot be relied on or names no item, or there is no such REF.
    Duplicate
        When the code belongs to another item; names it.
    """
    scan = read_code(unit, body.raw, body.second)
    code = code_of(scan)
    if code is None:
        reason = scan.problem or "this code names no item: scan its primary code as well"
        raise BadInput("Nothing was learned.", faults=[FieldFault("/raw", reason)])
    item = the_item(unit, body.ref, "/ref")
    known = codes.item_of_code(unit.session, code)
    if known is not None and known.id != item.id:
        reason = f"code {code} belongs to REF {known.ref} already"
        raise Duplicate(f"Nothing was learned: {reason}.", faults=[FieldFault("/raw", reason)])
    if known is None:
        _learn(unit, code, item)
    row = unit.session.get(ItemCode, code)
    return LearnedOut(
        code=code,
        ref=item.ref,
        description=item.description,
        size=describe_size(facts_of(item)),
        learned_at=None if row is None else unit.local(row.learned_at),
        actor=None if row is None else row.actor,
    )


def _learn(unit: Unit, code: str, item: Item) -> None:
    if item.id is None:
        message = "an item read from the database has its id"
        raise RuntimeError(message)
    unit.session.add(ItemCode(code=code, item_id=item.id, learned_at=unit.now, actor=unit.actor))
    try:
        unit.session.flush()
    except IntegrityError as error:
        # Somebody else taught the same code between our look and our write.
        reason = f"code {code} has just been taught; scan the pack again"
        raise Duplicate(f"Nothing was learned: {reason}.") from error
