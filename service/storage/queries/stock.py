"""Reading and writing lots, locations, the ledger and its balances."""

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime
from typing import Any

from sqlalchemy import (
    ColumnElement,
    Row,
    Select,
    and_,
    bindparam,
    case,
    func,
    insert,
    or_,
    select,
    tuple_,
    update,
)
from sqlalchemy.dialects import postgresql, sqlite
from sqlmodel import Session, col

from service.errors import Conflict
from service.storage.queries.recalls import names_for_certain, names_recalled
from service.storage.tables import (
    BALANCE,
    ITEM,
    LOT,
    MOVEMENT,
    ORDER,
    ORDER_LINE,
    PAST_USE,
    PLACE,
    SITE,
    TRANSFER,
    Location,
    Lot,
    Movement,
    Site,
    Transfer,
)

_NEWEST_AT = select(MOVEMENT.c.at).order_by(MOVEMENT.c.seq.desc()).limit(1)


# Written once: building a statement anew costs more than carrying it out.
_FIND_LOCATION = select(Location).where(
    *(PLACE.c[name] == bindparam(name) for name in ("site_id", "store", "shelf"))
)


_FIND_LOT = select(Lot).where(
    *(LOT.c[name] == bindparam(name) for name in ("item_id", "lot_number", "serial", "ownership"))
)


_QUANTITY_AT = select(BALANCE.c.quantity).where(
    BALANCE.c.lot_id == bindparam("of_lot"), BALANCE.c.location_id == bindparam("at")
)


def find_location(session: Session, site_id: int, store: str, shelf: str) -> Location | None:
    """Return a location by its store and shelf."""
    values = {"site_id": site_id, "store": store, "shelf": shelf}
    return session.execute(_FIND_LOCATION, values).scalars().first()


def places_named(session: Session, site_id: int, shelf: str) -> list[Location]:
    """Return the places of a shelf's name in every store, the oldest first."""
    query = select(Location).filter_by(site_id=site_id, shelf=shelf).order_by(PLACE.c.id)
    return list(session.execute(query).scalars())


def locations(session: Session, site_id: int) -> list[Location]:
    """Return every location of a site, by store and shelf."""
    query = select(Location).filter_by(site_id=site_id).order_by(PLACE.c.store, PLACE.c.shelf)
    return list(session.execute(query).scalars())


def zones_of_places(session: Session) -> dict[int, str]:
    """Return the name of the time zone that each place of every site is in."""
    query = select(PLACE.c.id, SITE.c.timezone).join(SITE, SITE.c.id == PLACE.c.site_id)
    return {row.id: row.timezone for row in session.execute(query)}


def stores(session: Session, site_id: int) -> list[str]:
    """Name every store of a site."""
    query = select(PLACE.c.store).where(PLACE.c.site_id == site_id).distinct()
    return list(session.execute(query.order_by(PLACE.c.store)).scalars())


def systems(session: Session) -> list[str]:
    """Name every implant system of the catalogue."""
    query = select(ITEM.c.system).where(ITEM.c.system.is_not(None)).distinct()
    return list(session.execute(query.order_by(ITEM.c.system)).scalars())


def find_lot(
    session: Session, item_id: int, lot_number: str, serial: str, ownership: str
) -> Lot | None:
    """Return a lot by item, lot number, serial and owner."""
    values = {
        "item_id": item_id,
        "lot_number": lot_number,
        "serial": serial,
        "ownership": ownership,
    }
    return session.execute(_FIND_LOT, values).scalars().first()


def lines_of_quarantine(session: Session, site_id: int, lot_id: int) -> Sequence[Row[Any]]:
    """Return the lines by which units of a lot came into a site's quarantine, or left it.

    Each row says what kind of place the other end is; ``None`` for none.
    """
    origin, target = PLACE.alias("origin"), PLACE.alias("target")
    query = (
        select(
            MOVEMENT.c.seq,
            MOVEMENT.c.kind,
            MOVEMENT.c.quantity,
            MOVEMENT.c.corrects_seq,
            (target.c.kind == "quarantine").label("came"),
            case((target.c.kind == "quarantine", origin.c.kind), else_=target.c.kind).label(
                "other_kind"
            ),
        )
        .outerjoin(origin, origin.c.id == MOVEMENT.c.from_location_id)
        .outerjoin(target, target.c.id == MOVEMENT.c.to_location_id)
        .where(
            MOVEMENT.c.lot_id == lot_id,
            or_(
                and_(origin.c.kind == "quarantine", origin.c.site_id == site_id),
                and_(target.c.kind == "quarantine", target.c.site_id == site_id),
            ),
            func.coalesce(origin.c.kind, "") != func.coalesce(target.c.kind, ""),
        )
        .order_by(MOVEMENT.c.seq)
    )
    return session.execute(query).all()


#: Beyond so many references the whole store is read: a statement takes only so many values.
_MOST_REFS = 10_000


@dataclass(frozen=True, slots=True)
class LotFacts:
    """A lot without its item; ``id`` is ``None`` while it is not stored."""

    id: int | None
    use_by: date | None
    return_by: date | None
    sterility: str


def lots(session: Session) -> dict[tuple[int, str, str, str], LotFacts]:
    """Return every lot by item, lot number, serial and owner."""
    query = select(
        LOT.c.item_id,
        LOT.c.lot_number,
        LOT.c.serial,
        LOT.c.ownership,
        LOT.c.id,
        LOT.c.use_by,
        LOT.c.return_by,
        LOT.c.sterility,
    )
    return {
        (row[0], row[1], row[2], row[3]): LotFacts(row[4], row[5], row[6], row[7])
        for row in session.execute(query)
    }


def insert_lots(session: Session, new: Mapping[tuple[int, str, str, str], LotFacts]) -> None:
    """Add many lots at once."""
    rows = [
        {
            "item_id": item_id,
            "lot_number": lot_number,
            "serial": serial,
            "ownership": ownership,
            "use_by": facts.use_by,
            "return_by": facts.return_by,
            "sterility": facts.sterility,
        }
        for (item_id, lot_number, serial, ownership), facts in new.items()
    ]
    if rows:
        session.execute(insert(LOT), rows)


def stock_rows(
    session: Session,
    *,
    site_id: int,
    filters: Mapping[str, object],
    refs: Collection[str] | None = None,
    after: tuple[str, int, int] | None = None,
    limit: int | None = None,
) -> Sequence[Row[Any]]:
    """Return what lies where: one row a lot and location with something in it.

    Reads balances, never the ledger, so that it stays flat as the ledger grows.
    """
    if refs is not None and not refs:
        return []
    query = _lying(BALANCE.c.held, names_recalled().label("recalled"))
    query = query.where(PLACE.c.site_id == site_id)
    columns = {"ref": ITEM, "kind": ITEM, "system": ITEM, "store": PLACE}
    for name, value in filters.items():
        query = query.where(columns[name].c[name] == value)
    if refs is not None and len(refs) <= _MOST_REFS:
        query = query.where(ITEM.c.ref.in_(sorted(refs)))
    if after is not None:
        query = query.where(tuple_(ITEM.c.ref, LOT.c.id, PLACE.c.id) > tuple_(*after))
    return session.execute(query if limit is None else query.limit(limit)).all()


def units_lying(session: Session, site_id: int, refs: Collection[str] | None) -> Sequence[Row[Any]]:
    """Return what lies where, and whether a recall in force names it, or may; not what is promised.

    Each row says when the newest line of the ledger was written, too.
    """
    newest = _NEWEST_AT.scalar_subquery().label("newest_at")
    named = names_recalled().label("recalled"), names_for_certain().label("is_named")
    query = _lying(*named, newest).where(PLACE.c.site_id == site_id)
    if refs is not None and len(refs) <= _MOST_REFS:
        query = query.where(ITEM.c.ref.in_(sorted(refs)))
    return session.execute(query).all()


def _lying(*more: ColumnElement[Any]) -> Select[Any]:
    return (
        select(
            ITEM.c.ref,
            ITEM.c.kind,
            ITEM.c.system,
            ITEM.c.description,
            LOT.c.id.label("lot_id"),
            LOT.c.lot_number,
            LOT.c.serial,
            LOT.c.use_by,
            LOT.c.ownership,
            LOT.c.return_by,
            LOT.c.sterility,
            PLACE.c.id.label("location_id"),
            PLACE.c.store,
            PLACE.c.shelf,
            PLACE.c.kind.label("location_kind"),
            BALANCE.c.quantity,
            *more,
        )
        .join(LOT, LOT.c.id == BALANCE.c.lot_id)
        .join(ITEM, ITEM.c.id == LOT.c.item_id)
        .join(PLACE, PLACE.c.id == BALANCE.c.location_id)
        .where(BALANCE.c.quantity > 0)
        .order_by(ITEM.c.ref, LOT.c.id, PLACE.c.id)
    )


def last_shelf(session: Session, lot_id: int) -> int | None:
    """Return the shelf that units of a lot last left for a tray, quarantine or reprocessing."""
    query = (
        select(MOVEMENT.c.from_location_id)
        .join(PLACE, PLACE.c.id == MOVEMENT.c.from_location_id)
        .where(
            MOVEMENT.c.lot_id == lot_id,
            MOVEMENT.c.kind.in_(("pick", "reprocess", "quarantine")),
            PLACE.c.kind == "shelf",
        )
        .order_by(MOVEMENT.c.seq.desc())
        .limit(1)
    )
    found: int | None = session.execute(query).scalar()
    return found


def quantity_at(session: Session, lot_id: int, location_id: int) -> int:
    """Return how many units of a lot lie at a location."""
    values = {"of_lot": lot_id, "at": location_id}
    return int(session.execute(_QUANTITY_AT, values).scalar() or 0)


def free_at(session: Session, lot_id: int, location_id: int) -> int:
    """Return how many units of a lot at a location are not promised."""
    query = select(BALANCE.c.quantity - BALANCE.c.held).where(
        BALANCE.c.lot_id == lot_id, BALANCE.c.location_id == location_id
    )
    return int(session.execute(query).scalar() or 0)


def correction_of(session: Session, seq: int) -> int | None:
    """Return the line that corrects a line of the ledger."""
    query = select(MOVEMENT.c.seq).where(MOVEMENT.c.corrects_seq == seq)
    return session.execute(query).scalar()


def balances_with_held(session: Session) -> dict[tuple[int, int], tuple[int, int]]:
    """Return quantity and held of every balance, by lot and location."""
    columns = (BALANCE.c.lot_id, BALANCE.c.location_id, BALANCE.c.quantity, BALANCE.c.held)
    return {(row[0], row[1]): (row[2], row[3]) for row in session.execute(select(*columns))}


def ledger_sums(session: Session) -> dict[tuple[int, int], int]:
    """Replay the ledger: what every balance must be, by lot and location."""
    sums: dict[tuple[int, int], int] = {}
    for column, sign in ((MOVEMENT.c.to_location_id, 1), (MOVEMENT.c.from_location_id, -1)):
        query = (
            select(MOVEMENT.c.lot_id, column, func.sum(MOVEMENT.c.quantity))
            .where(column.is_not(None))
            .group_by(MOVEMENT.c.lot_id, column)
        )
        for lot, place, quantity in session.execute(query):
            sums[lot, place] = sums.get((lot, place), 0) + sign * quantity
    return sums


def post_movements(
    session: Session,
    movements: Sequence[Mapping[str, Any]],
    held: Mapping[tuple[int, int], int] | None = None,
) -> None:
    """Write lines to the ledger and bring the balances along, in the caller's transaction.

    A balance that would fall below zero, or below what is held, violates its CHECK and takes the
    whole transaction down: the caller turns that into a sentence.

    Parameters
    ----------
    held
        What is promised afterwards, by lot and location; each is a place that units come to or
        leave. Without it, what was promised before still is.
    """
    if not movements:
        return
    posted = session.info.setdefault("posted_lots", set())
    posted.update(movement["lot_id"] for movement in movements)
    session.execute(insert(Movement), [dict(movement) for movement in movements])
    change: dict[tuple[int, int], int] = {}
    for movement in movements:
        for name, sign in (("to_location_id", 1), ("from_location_id", -1)):
            place = movement.get(name)
            if place is not None:
                key = (movement["lot_id"], place)
                change[key] = change.get(key, 0) + sign * movement["quantity"]
    _add_to_balances(session, _balance_rows({k: n for k, n in change.items() if n > 0}))
    taken = {key: min(amount, 0) for key, amount in change.items() if amount < 0 or held}
    _take_from_balances(session, _balance_rows(taken, held))


def _balance_rows(
    change: Mapping[tuple[int, int], int], held: Mapping[tuple[int, int], int] | None = None
) -> list[dict[str, int]]:
    """Write changes as rows in one order, so that two transactions cannot wait for each other."""
    return [
        {"lot_id": lot, "location_id": place, "change": amount}
        | ({} if held is None else {"held": held[lot, place]})
        for (lot, place), amount in sorted(change.items())
    ]


# Written once: building a statement anew costs more than carrying it out.
_TAKE = (
    update(BALANCE)
    .where(BALANCE.c.lot_id == bindparam("of_lot"), BALANCE.c.location_id == bindparam("at"))
    .values(quantity=BALANCE.c.quantity + bindparam("change"))
)


_TAKE_AND_HOLD = _TAKE.values(held=bindparam("now"))


def _take_from_balances(session: Session, rows: Sequence[Mapping[str, int]]) -> None:
    """Take units off balances; rows that say what is promised afterwards all say it."""
    if not rows:
        return
    names = {"lot_id": "of_lot", "location_id": "at", "change": "change", "held": "now"}
    # On the connection: a session would take many updates for updates of whole objects.
    done = session.connection().execute(
        _TAKE_AND_HOLD if "held" in rows[0] else _TAKE,
        [{names[name]: value for name, value in row.items()} for row in rows],
    )
    if done.rowcount != len(rows):
        raise Conflict("The location does not have that many units. Nothing was saved.")


def _add_to_balances(session: Session, rows: Sequence[Mapping[str, int]]) -> None:
    if not rows:
        return
    dialect = session.get_bind().dialect.name
    make = sqlite.insert if dialect == "sqlite" else postgresql.insert
    statement = make(BALANCE)
    statement = statement.on_conflict_do_update(
        index_elements=["lot_id", "location_id"],
        set_={"quantity": BALANCE.c.quantity + statement.excluded.quantity},
    )
    values = [
        {
            "lot_id": row["lot_id"],
            "location_id": row["location_id"],
            "quantity": row["change"],
            "held": 0,
        }
        for row in rows
    ]
    session.execute(statement, values)


def newest_at(session: Session) -> datetime | None:
    """Return when the newest line of the ledger was written."""
    found: datetime | None = session.execute(_NEWEST_AT).scalar()
    return found


def last_seq(session: Session) -> int:
    """Return the sequence number of the newest line of the ledger in this transaction."""
    return int(session.execute(select(func.max(MOVEMENT.c.seq))).scalar_one())


def deliveries_due(session: Session, site_id: int) -> Sequence[Row[Any]]:
    """Return what is on its way, the earliest first: what is outstanding on orders that were sent.

    A line has the moments of its order unless the supplier has named others for it.
    """
    outstanding = ORDER_LINE.c.quantity - ORDER_LINE.c.received - ORDER_LINE.c.let_go
    due_at = func.coalesce(ORDER_LINE.c.due_at, ORDER.c.due_at).label("due_at")
    query = (
        select(
            ORDER_LINE.c.id,
            ORDER_LINE.c.order_id,
            ORDER_LINE.c.item_id,
            ORDER.c.reference,
            ORDER.c.kind,
            ORDER.c.ownership,
            ORDER.c.return_by,
            ORDER.c.supplier,
            outstanding.label("quantity"),
            due_at,
            func.coalesce(ORDER_LINE.c.usable_from, ORDER.c.usable_from).label("usable_from"),
            ITEM.c.ref,
            ITEM.c.description,
        )
        .join(ORDER, ORDER.c.id == ORDER_LINE.c.order_id)
        .join(ITEM, ITEM.c.id == ORDER_LINE.c.item_id)
        .where(
            ORDER.c.site_id == site_id,
            ORDER.c.state == "sent",
            ORDER.c.kind != "bill_only",
            outstanding > 0,
        )
        .order_by(due_at, ORDER.c.reference, ITEM.c.ref)
    )
    return session.execute(query).all()


def expiring(session: Session, site_id: int, until: date) -> Sequence[Row[Any]]:
    """Return units here whose use-by date is not after a day, the earliest first."""
    query = (
        _lying(ITEM.c.unit_price_minor, ITEM.c.currency, BALANCE.c.held)
        .where(PLACE.c.site_id == site_id, PLACE.c.kind != "transit", LOT.c.use_by <= until)
        .order_by(None)
        .order_by(LOT.c.use_by, ITEM.c.ref, LOT.c.id, PLACE.c.store, PLACE.c.shelf)
    )
    return session.execute(query).all()


def of_site(session: Session, site_id: int) -> list[Transfer]:
    """Return the transfers from or to a site, the newest first."""
    query = select(Transfer).where(
        or_(col(Transfer.from_site_id) == site_id, col(Transfer.to_site_id) == site_id)
    )
    return list(session.execute(query.order_by(col(Transfer.id).desc())).scalars())


def units_in_transit(session: Session, site_id: int) -> Sequence[Row[Any]]:
    """Return what other sites have sent to a site and nobody has received, by transfer and lot.

    Each row says whether a recall in force may name it.
    """
    signed = case(
        (MOVEMENT.c.to_location_id == PLACE.c.id, MOVEMENT.c.quantity), else_=-MOVEMENT.c.quantity
    )
    left = (
        select(
            MOVEMENT.c.transfer_id,
            MOVEMENT.c.lot_id,
            PLACE.c.id.label("location_id"),
            func.sum(signed).label("quantity"),
        )
        .join(
            MOVEMENT,
            or_(MOVEMENT.c.from_location_id == PLACE.c.id, MOVEMENT.c.to_location_id == PLACE.c.id),
        )
        .where(
            PLACE.c.site_id == site_id,
            PLACE.c.kind == "transit",
            MOVEMENT.c.transfer_id.is_not(None),
        )
        .group_by(MOVEMENT.c.transfer_id, MOVEMENT.c.lot_id, PLACE.c.id)
        .having(func.sum(signed) > 0)
        .subquery()
    )
    query = (
        select(
            left,
            ITEM.c.ref,
            ITEM.c.kind,
            LOT.c.lot_number,
            LOT.c.serial,
            LOT.c.use_by,
            LOT.c.ownership,
            LOT.c.return_by,
            LOT.c.sterility,
            PLACE.c.store,
            PLACE.c.shelf,
            SITE.c.code.label("sent_from"),
            TRANSFER.c.expected_at,
            names_recalled().label("recalled"),
        )
        .join(LOT, LOT.c.id == left.c.lot_id)
        .join(ITEM, ITEM.c.id == LOT.c.item_id)
        .join(PLACE, PLACE.c.id == left.c.location_id)
        .join(TRANSFER, TRANSFER.c.id == left.c.transfer_id)
        .join(SITE, SITE.c.id == TRANSFER.c.from_site_id)
        .order_by(left.c.transfer_id, left.c.lot_id)
    )
    return session.execute(query).all()


def lines_of_transfers(session: Session, transfer_ids: Collection[int]) -> Sequence[Row[Any]]:
    """Return the ledger's lines of transfers, the oldest first, with kind and site of both ends."""
    if not transfer_ids:
        return []
    origin, target = PLACE.alias("origin"), PLACE.alias("target")
    query = (
        select(
            MOVEMENT.c.transfer_id,
            MOVEMENT.c.quantity,
            LOT.c.lot_number,
            LOT.c.serial,
            origin.c.kind.label("from_kind"),
            origin.c.site_id.label("from_site"),
            target.c.kind.label("to_kind"),
            target.c.site_id.label("to_site"),
        )
        .join(LOT, LOT.c.id == MOVEMENT.c.lot_id)
        .outerjoin(origin, origin.c.id == MOVEMENT.c.from_location_id)
        .outerjoin(target, target.c.id == MOVEMENT.c.to_location_id)
        .where(MOVEMENT.c.transfer_id.in_(sorted(transfer_ids)))
        .order_by(MOVEMENT.c.seq)
    )
    return session.execute(query).all()


def site_of_code(session: Session, code: str) -> Site | None:
    """Return a site by its code."""
    return session.execute(select(Site).filter_by(code=code)).scalars().first()


def other_sites(session: Session, site_id: int) -> list[Site]:
    """Return every site but one, by name."""
    query = select(Site).where(col(Site.id) != site_id).order_by(col(Site.name), col(Site.id))
    return list(session.execute(query).scalars())


#: What makes one use the same use.
KEY = ("item_id", "used_on", "lot_number", "case_reference", "outcome")


def quantities(session: Session) -> dict[tuple[int, date, str, str, str], int]:
    """Return the quantity of every use on record, by its key."""
    rows = session.execute(select(*(PAST_USE.c[name] for name in KEY), PAST_USE.c.quantity))
    return {(row[0], row[1], row[2], row[3], row[4]): row[5] for row in rows}


def insert_many(session: Session, rows: Sequence[Mapping[str, Any]]) -> None:
    """Add many uses at once."""
    if rows:
        session.execute(insert(PAST_USE), [dict(row) for row in rows])


def on_tray_places(session: Session) -> dict[tuple[int, str, int], tuple[int, int]]:
    """Return place and quantity of every lot in a theatre, by site, tray's case and lot."""
    query = (
        select(
            PLACE.c.site_id,
            PLACE.c.shelf,
            BALANCE.c.lot_id,
            PLACE.c.id,
            BALANCE.c.quantity,
        )
        .join(PLACE, PLACE.c.id == BALANCE.c.location_id)
        .where(PLACE.c.kind == "theatre")
    )
    return {(row[0], row[1], row[2]): (row[3], row[4]) for row in session.execute(query)}


def unit_names(session: Session, keys: Sequence[tuple[int, int]]) -> dict[tuple[int, int], str]:
    """Name lots and places as people do, by lot and location; what is not on record is left out."""
    lots_wanted, places_wanted = {lot for lot, _ in keys}, {place for _, place in keys}
    query = select(LOT.c.id, ITEM.c.ref, LOT.c.lot_number, LOT.c.serial)
    rows = session.execute(query.join(ITEM, ITEM.c.id == LOT.c.item_id)) if keys else ()
    named = {
        row.id: f"{row.ref}, "
        + (f"lot {row.lot_number}" if row.lot_number else f"serial {row.serial}")
        for row in rows
        if row.id in lots_wanted
    }
    spots = session.execute(select(PLACE.c.id, PLACE.c.store, PLACE.c.shelf)) if keys else ()
    where = {row.id: f"{row.store}, {row.shelf}" for row in spots if row.id in places_wanted}
    return {
        (lot, place): f"{named[lot]} at {where.get(place, 'an unknown location')}"
        for lot, place in keys
        if lot in named
    }
