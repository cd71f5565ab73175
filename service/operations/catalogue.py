"""The catalogue: look up, add and change lines."""

from dataclasses import fields

from sqlalchemy.exc import IntegrityError

from service.core.catalogue import ITEM_KINDS, ItemFacts, describe_size
from service.errors import BadInput, Duplicate, FieldFault, NotFound
from service.exchange.labels.hibc import join_hibc
from service.exchange.labels.read import read_scan
from service.exchange.labels.scan import Scan
from service.operations.planner import planner_of
from service.operations.work import Unit, require_version
from service.schemas.catalogue import (
    ItemBody,
    ItemOut,
    ItemPage,
    TaughtCode,
    TaughtCodes,
    UnlearnBody,
)
from service.schemas.trays import LearnBody, LearnedOut
from service.storage.queries import catalogue
from service.storage.tables import Item, ItemCode, UnlearnedCode


def list_items(
    unit: Unit, *, kind: str | None, system: str | None, text: str, after: str, limit: int
) -> ItemPage:
    """Return catalogue lines in order of reference, some at a time."""
    if kind is not None and kind not in ITEM_KINDS:
        raise BadInput(
            "Unknown kind of item.", faults=[FieldFault("/kind", f"'{kind}' is not a kind of item")]
        )
    filters = {name: value for name, value in (("kind", kind), ("system", system)) if value}
    rows = catalogue.page(unit.session, filters=filters, text=text, after=after, limit=limit + 1)
    more = rows[limit - 1].ref if len(rows) > limit else None
    return ItemPage(items=[ItemOut.model_validate(row) for row in rows[:limit]], next_after=more)


def get_item(unit: Unit, ref: str) -> ItemOut:
    """Return one catalogue line."""
    return ItemOut.model_validate(require_item(unit, ref))


def require_item(unit: Unit, ref: str, pointer: str | None = None) -> Item:
    """Return an item's row, or say that there is none; with a pointer it is a fault of a field."""
    row = planner_of(unit).find_item(ref)
    if row is not None:
        return row
    if pointer is None:
        raise NotFound(f"REF {ref} is not in the catalogue.")
    reason = f"REF {ref} is not in the catalogue; add it first"
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
    row = require_item(unit, ref)
    require_version(row.version, version, f"Item {ref}")
    if body.ref != ref:
        reason = "a REF cannot be changed; add a new item instead"
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
            raise _duplicate("/gtin", f"GTIN {body.gtin} (linked to another item)")


def _flush(unit: Unit, body: ItemBody) -> None:
    try:
        unit.session.flush()
    except IntegrityError as error:
        # Another transaction added the same REF or GTIN between our look and our write.
        raise _duplicate("/ref", f"REF {body.ref}, or its GTIN") from error


def _duplicate(pointer: str, what: str) -> Duplicate:
    reason = f"{what} is already in the catalogue"
    return Duplicate(f"{reason[0].upper()}{reason[1:]}.", faults=[FieldFault(pointer, reason)])


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
    """Return the part of a code that names the item; ``None`` when it names none."""
    if scan.refused:
        return None
    if scan.gtin is not None:
        return scan.gtin
    if scan.lic is not None and scan.product is not None:
        return f"{scan.lic}{scan.product}{scan.unit or ''}"
    return None


def facts_of(item: Item) -> ItemFacts:
    """Return an item as the planner sees it."""
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
        reason = scan.problem or "this code does not give the item; scan the primary code as well"
        raise BadInput("Nothing was linked.", faults=[FieldFault("/raw", reason)])
    item = require_item(unit, body.ref, "/ref")
    known = planner_of(unit).item_of_code(code)
    if known is not None and known.id != item.id:
        reason = f"code {code} is already linked to REF {known.ref}"
        raise Duplicate(f"Nothing was linked: {reason}.", faults=[FieldFault("/raw", reason)])
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
    unit.session.info.setdefault("codes", set()).add(code)
    try:
        unit.session.flush()
    except IntegrityError as error:
        # Somebody else taught the same code between our look and our write.
        reason = f"code {code} has just been linked by someone else; scan the pack again"
        raise Duplicate(f"Nothing was linked: {reason}.") from error


def taught_codes(unit: Unit, ref: str | None = None) -> TaughtCodes:
    """Return the codes that people have taught, and those that were taken back.

    Parameters
    ----------
    ref
        Only of this item.
    """
    return TaughtCodes(
        known=[
            TaughtCode(
                code=row.code,
                ref=item.ref,
                learned_at=unit.local(row.learned_at),
                taught_by=row.actor,
            )
            for row, item in catalogue.codes_learned(unit.session, ref)
        ],
        unlearned=[
            _unlearned_out(unit, row, item)
            for row, item in catalogue.codes_unlearned(unit.session, ref)
        ],
    )


def unlearn_code(unit: Unit, code: str, body: UnlearnBody) -> TaughtCode:
    """Take back a code that was taught wrongly; what was scanned with it stays on record.

    Raises
    ------
    NotFound
        When nobody has taught this code, or it was taken back already.
    """
    row = unit.session.get(ItemCode, code)
    if row is None:
        raise NotFound(f"Code {code} is not linked to an item, or the link has been removed.")
    item = unit.session.get_one(Item, row.item_id)
    gone = UnlearnedCode(
        code=row.code,
        item_id=row.item_id,
        learned_at=row.learned_at,
        taught_by=row.actor,
        unlearned_at=unit.now,
        actor=unit.actor,
        reason=body.reason,
    )
    unit.session.add(gone)
    unit.session.delete(row)
    unit.session.flush()
    # The trail names the codes of a change.
    unit.session.info.setdefault("codes", set()).add(code)
    return _unlearned_out(unit, gone, item)


def _unlearned_out(unit: Unit, row: UnlearnedCode, item: Item) -> TaughtCode:
    return TaughtCode(
        code=row.code,
        ref=item.ref,
        learned_at=unit.local(row.learned_at),
        taught_by=row.taught_by,
        unlearned_at=unit.local(row.unlearned_at),
        unlearned_by=row.actor,
        reason=row.reason,
    )
