"""Par levels in force, and what to order so that they are kept."""

from collections.abc import Mapping
from typing import Any

from sqlalchemy import Row
from sqlalchemy.exc import IntegrityError

from service.errors import NotFound, Required
from service.operations.catalogue import require_item
from service.operations.par.basis import on_shelf
from service.operations.people.audit import note
from service.operations.work import Unit, require_version
from service.schemas.par import BelowPar, LevelBody, LevelOut, LevelsOut, OnShelf
from service.storage.database import TransactionClash
from service.storage.queries import par as queries
from service.storage.tables import ParLevel

_NOTHING = OnShelf(owned=0, consigned=0)


def list_levels(unit: Unit, *, below_only: bool) -> LevelsOut:
    """Return the par levels in force with what counts towards them, and what to order.

    Parameters
    ----------
    below_only
        Only those with less on the shelf and on order than their level.
    """
    levels = _levels(unit)
    return LevelsOut(
        day=unit.today,
        levels=[one for one in levels if one.missing or not below_only],
        order=[_suggested(one) for one in levels if one.missing],
    )


def below_par(unit: Unit) -> list[BelowPar]:
    """Return what to order so that every level is kept: reference, units and why, by reference."""
    return [_suggested(one) for one in _levels(unit) if one.missing]


def get_level(unit: Unit, ref: str) -> LevelOut:
    """Return one level in force."""
    row = unit.session.get(ParLevel, (unit.site_id, require_item(unit, ref).id or 0))
    if row is None:
        raise NotFound(f"No par level is set for {ref}.")
    facts = queries.supply_facts(unit.session)[ref]
    ordered = queries.on_order(unit.session, unit.site_id)
    return _out(unit, facts, row, on_shelf(unit), ordered)


def set_level(unit: Unit, ref: str, body: LevelBody, version: int | None) -> LevelOut:
    """Set a level where there is none (without a version), or change one that was read.

    Raises
    ------
    Required
        When there is a level and no version was sent.
    Stale
        When it was changed since it was read.
    """
    key = require_item(unit, ref).id or 0
    row = unit.session.get(ParLevel, (unit.site_id, key), with_for_update=True)
    if row is None and version is not None:
        raise NotFound(f"No par level is set for {ref}.")
    if row is not None and version is None:
        raise Required(f"{ref} already has a par level. Send If-Match with its ETag.")
    if row is not None:
        require_version(row.version, version or 0, f"The par level of {ref}")
    before = None if row is None else row.level
    put_level(unit, key, body.level, body.why)
    note(unit, unit.caller, "done", {"ref": ref, "level": body.level, "before": before})
    return get_level(unit, ref)


def put_level(unit: Unit, item_id: int, level: int, why: str) -> ParLevel:
    """Write a level with who, when and why; a change is a new version."""
    row = unit.session.get(ParLevel, (unit.site_id, item_id), with_for_update=True)
    if row is None:
        row = ParLevel(
            site_id=unit.site_id,
            item_id=item_id,
            level=level,
            set_at=unit.now,
            actor=unit.actor,
            why=why,
        )
        unit.session.add(row)
    else:
        row.level, row.why, row.version = level, why, row.version + 1
        row.set_at, row.actor = unit.now, unit.actor
    try:
        unit.session.flush()
    except IntegrityError as error:
        # Somebody set the first level between our look and our write: look again.
        raise TransactionClash from error
    return row


def _levels(unit: Unit) -> list[LevelOut]:
    rows = queries.levels_of(unit.session, unit.site_id)
    if not rows:
        return []
    facts = queries.supply_facts(unit.session)
    here, ordered = on_shelf(unit), queries.on_order(unit.session, unit.site_id)
    return [_out(unit, facts[ref], row, here, ordered) for ref, row in rows.items()]


def _out(
    unit: Unit,
    facts: Row[Any],
    row: ParLevel,
    here: Mapping[str, OnShelf],
    ordered: Mapping[str, int],
) -> LevelOut:
    shelf, coming = here.get(facts.ref, _NOTHING), ordered.get(facts.ref, 0)
    return LevelOut(
        ref=facts.ref,
        description=facts.description,
        supplier=facts.supplier,
        level=row.level,
        set_at=unit.local(row.set_at),
        actor=row.actor,
        why=row.why,
        version=row.version,
        on_shelf=shelf,
        on_order=coming,
        missing=max(0, row.level - shelf.owned - shelf.consigned - coming),
        lead_time_days=facts.lead_time_days,
    )


def _suggested(one: LevelOut) -> BelowPar:
    here = one.on_shelf.owned + one.on_shelf.consigned
    return BelowPar(
        ref=one.ref,
        quantity=one.missing,
        why=f"par level {one.level}: {here} in stock, {one.on_order} on order",
    )
