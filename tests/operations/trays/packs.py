"""Codes and rows of packs of the demo hospital, for tests that scan, recall and look at dates."""

import csv
from datetime import timedelta
from pathlib import Path

from sqlalchemy import select
from sqlmodel import col

from service.operations.holds import holds
from service.operations.work import Unit, Work
from service.storage.tables import CasePack, Hold, Item, Location, Lot, OperatingList, SurgicalCase

SEED = Path(__file__).parents[3] / "seed_data"


with (SEED / "catalogue.csv").open(encoding="utf-8", newline="") as _file:
    GTINS = {row["ref"]: row["gtin"] for row in csv.DictReader(_file)}


def gs1(ref: str, use_by: str = "", lot: str = "", serial: str = "") -> str:
    """Write a GS1 code as printed, identifiers in brackets (GS1 General Specifications, 3.2)."""
    parts = (("17", use_by), ("10", lot), ("21", serial))
    return f"(01){GTINS[ref]}" + "".join(f"({ai}){value}" for ai, value in parts if value)


def lot_id(unit: Unit, ref: str, name: str) -> int:
    query = select(col(Lot.id)).join(Item).where(col(Item.ref) == ref)
    for key in unit.session.execute(query).scalars():
        lot = unit.session.get_one(Lot, key)
        if name in {lot.lot_number, lot.serial}:
            return int(key)
    message = f"the demo has no lot {name} of {ref}"
    raise LookupError(message)


def place_id(unit: Unit, store: str, shelf: str) -> int:
    query = select(Location).filter_by(store=store, shelf=shelf)
    return unit.session.execute(query).scalars().one().id or 0


def case_row(unit: Unit, reference: str) -> SurgicalCase:
    query = select(SurgicalCase).filter_by(reference=reference)
    row: SurgicalCase = unit.session.execute(query).scalars().one()
    return row


def hold(
    work: Work,
    case: str,
    lot: tuple[str, str],
    place: tuple[str, str],
    quantity: int,
    *,
    turnaround_hours: int | None = None,
) -> None:
    """Promise units to a case, as preparing a list does; a set until its turnaround is over."""

    def write(unit: Unit) -> None:
        row = case_row(unit, case)
        operating_list = unit.session.get_one(OperatingList, row.list_id)
        keys = lot_id(unit, *lot), place_id(unit, *place)
        unit.session.add(
            Hold(
                case_id=row.id or 0,
                lot_id=keys[0],
                location_id=keys[1],
                quantity=quantity,
                list_date=operating_list.list_date,
                list_id=row.list_id,
                stays=turnaround_hours is None,
                is_set=turnaround_hours is not None,
                from_at=row.starts_at,
                until_at=row.ends_at + timedelta(hours=turnaround_hours or 0),
                made_at=unit.now,
                actor="test",
            )
        )
        holds.update_held(unit, [keys])

    work.write(write)


def put_on_tray(
    work: Work,
    case: str,
    lot: tuple[str, str],
    home: tuple[str, str],
    picked: int,
    *,
    returned: int = 0,
) -> None:
    """Note packs as scanned to a case's tray."""
    work.write(
        lambda unit: unit.session.add(
            CasePack(
                case_id=case_row(unit, case).id or 0,
                lot_id=lot_id(unit, *lot),
                home_location_id=place_id(unit, *home),
                picked=picked,
                returned=returned,
            )
        )
    )
