"""The catalogue: look up, add and change lines."""

from sqlalchemy.exc import IntegrityError

from service.core.items import ITEM_KINDS
from service.errors import BadInput, Duplicate, FieldFault, NotFound
from service.operations.planner import planner_of
from service.operations.schemas.items import ItemBody, ItemOut, ItemPage
from service.operations.unit import Unit
from service.operations.versions import require_version
from service.storage.queries import catalogue
from service.storage.tables import Item, ItemCode

__all__ = ["add_item", "change_item", "get_item", "list_items", "the_item"]


def list_items(
    unit: Unit, *, kind: str | None, system: str | None, text: str, after: str, limit: int
) -> ItemPage:
    """Give catalogue lines in order of reference, some at a time."""
    if kind is not None and kind not in ITEM_KINDS:
        raise BadInput("There is no such kind.", faults=[FieldFault("/kind", f"'{kind}' unknown")])
    filters = {name: value for name, value in (("kind", kind), ("system", system)) if value}
    rows = catalogue.page(unit.session, filters=filters, text=text, after=after, limit=limit + 1)
    more = rows[limit - 1].ref if len(rows) > limit else None
    return ItemPage(items=[ItemOut.model_validate(row) for row in rows[:limit]], next_after=more)


def get_item(unit: Unit, ref: str) -> ItemOut:
    """Give one catalogue line."""
    return ItemOut.model_validate(the_item(unit, ref))


def the_item(unit: Unit, ref: str, pointer: str | None = None) -> Item:
    """Give an item's row, or say that there is none; with a pointer it is a fault of a field."""
    row = planner_of(unit).find_item(ref)
    if row is not None:
        return row
    if pointer is None:
        raise NotFound(f"The catalogue has no item with REF {ref}.")
    reason = f"the catalogue has no item with REF {ref}; add it to the catalogue first"
    raise BadInput("Nothing was saved.", faults=[FieldFault(pointer, reason)])


def add_item(unit: Unit, body: ItemBody) -> ItemOut:
    """Add a catalogue line; REF and GTIN are each used once."""
    _refuse_known(unit, body, own_id=None)
    row = Item(**body.model_dump())
    unit.session.add(row)
    _flush(unit, body)
    return ItemOut.model_validate(row)


def change_item(unit: Unit, ref: str, body: ItemBody, version: int) -> ItemOut:
    """Change a catalogue line that has not been changed since it was read."""
    row = the_item(unit, ref)
    require_version(row.version, version, f"Item {ref}")
    if body.ref != ref:
        reason = "a REF does not change; add a new item instead"
        raise BadInput("Nothing was saved.", faults=[FieldFault("/ref", reason)])
    _refuse_known(unit, body, own_id=row.id)
    row.sqlmodel_update(body.model_dump())
    row.version += 1
    _flush(unit, body)
    return ItemOut.model_validate(row)


def _refuse_known(unit: Unit, body: ItemBody, *, own_id: int | None) -> None:
    known = catalogue.one_by(unit.session, ref=body.ref)
    if known is not None and known.id != own_id:
        raise _duplicate("/ref", f"REF {body.ref}")
    if body.gtin is not None:
        known = catalogue.one_by(unit.session, gtin=body.gtin)
        if known is not None and known.id != own_id:
            raise _duplicate("/gtin", f"GTIN {body.gtin} (it belongs to REF {known.ref})")
        learned = unit.session.get(ItemCode, body.gtin)
        if learned is not None and learned.item_id != own_id:
            raise _duplicate("/gtin", f"GTIN {body.gtin} (learned as a code of another item)")


def _flush(unit: Unit, body: ItemBody) -> None:
    try:
        unit.session.flush()
    except IntegrityError as error:
        # Another transaction added the same REF or GTIN between our look and our write.
        raise _duplicate("/ref", f"REF {body.ref}, or its GTIN") from error


def _duplicate(pointer: str, what: str) -> Duplicate:
    reason = f"the catalogue has {what} already"
    return Duplicate(f"{reason[0].upper()}{reason[1:]}.", faults=[FieldFault(pointer, reason)])
