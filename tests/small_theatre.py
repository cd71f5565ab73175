"""A department small enough to count by hand: three items, two shelves, two theatres.

A case planned here asks for one nail and the nail set at first use, and keeps one end cap as its
backup; everything a test then sees can be counted on the fingers.
"""

from datetime import date, datetime, timedelta
from pathlib import Path
from typing import Any

from pydantic import TypeAdapter
from sqlalchemy import Row, select
from sqlmodel import SQLModel

from service.operations import backup
from service.operations.cases.lookup import get_case
from service.operations.catalogue import add_item
from service.operations.constructs import load_constructs
from service.operations.cover.check import check_case
from service.operations.demo import read_toml
from service.operations.holds import reserve
from service.operations.locations import add_location
from service.operations.planning import case_changes, confirm
from service.operations.sizing import load_defaults
from service.operations.stock import movements
from service.operations.stock.movements import list_stock
from service.operations.trays import trays
from service.operations.work import Unit, Work
from service.schemas.cases import CaseBody, CaseFields, CaseOut, PlanBody
from service.schemas.catalogue import ItemBody
from service.schemas.cover import CaseCheckOut
from service.schemas.stock import LocationBody, MovementOut
from service.schemas.trays import (
    HoldBody,
    HoldList,
    MovementBody,
    PackBody,
    PackOutcomeBody,
    TrayOut,
)
from service.storage.tables import CaseEvent, Confirmation, Hold, Movement, SurgicalCase, table_of
from tests.conftest import NOW

SEED = Path(__file__).parents[1] / "seed_data"


SHELF = {"store": "Store", "shelf": "A"}


OTHER_SHELF = {"store": "Store", "shelf": "B"}


QUARANTINE = {"store": "Quarantine", "shelf": "Q"}


FIRST_DAY = date(2031, 3, 4)


USE_BY = date(2033, 1, 1)


PRIMARY, BACKUP = "nail@Testfield", "cap@Testfield"


_COMMON = {"system": "Testfield", "supplier": "Test supply", "supplied_sterile": True}


ITEMS: list[dict[str, Any]] = [
    {
        **_COMMON,
        "ref": "NAIL",
        "kind": "single_lag_screw_nail",
        "description": "Nail",
        "gtin": "02910000000017",
        "length_mm": 180,
        "diameter_mm": 11,
        "angle_deg": 130,
        "side": "either",
    },
    {**_COMMON, "ref": "CAP", "kind": "end_cap", "description": "End cap"},
    {
        **_COMMON,
        "ref": "SET",
        "kind": "nail_instrument_set",
        "description": "Nail set",
        "supplied_sterile": False,
        "reusable": True,
        "turnaround_minutes": 240,
    },
]


def _role(role: str, kind: str) -> dict[str, Any]:
    return {"role": role, "kinds": [kind], "match": ["system"]}


CONSTRUCTS = {
    "construct": [
        {
            "code": "nail",
            "name": "Nail",
            "part": "base",
            "roles": [
                _role("nail", "single_lag_screw_nail"),
                _role("nail instrument set", "nail_instrument_set"),
            ],
        },
        {"code": "cap", "name": "Cap", "part": "base", "roles": [_role("end cap", "end_cap")]},
    ]
}


def furnish(work: Work) -> None:
    """Fill an empty database: catalogue, constructs, sizing figures, shelves."""

    def write(unit: Unit) -> None:
        for item in ITEMS:
            add_item(unit, ItemBody.model_validate(item))
        load_constructs(unit, CONSTRUCTS)
        load_defaults(unit, read_toml(SEED / "sizing.toml"))
        for place in (SHELF, OTHER_SHELF):
            add_location(unit, LocationBody.model_validate(place))
        add_location(unit, LocationBody.model_validate({**QUARANTINE, "kind": "quarantine"}))

    work.write(write, "furnisher")


def movement(kind: str, **fields: object) -> movements.AnyMovement:
    """Make the body of a movement as HTTP would read it."""

    adapter: TypeAdapter[movements.AnyMovement] = TypeAdapter(MovementBody)
    return adapter.validate_python({"kind": kind, **fields})


class Theatre:
    """The department's words for operations, each in one transaction."""

    def __init__(self, work: Work) -> None:
        self.work = work
        self.actor = "nurse"

    def record(self, kind: str, ref: str | None = "NAIL", **fields: object) -> MovementOut:
        facts = {**({"ref": ref} if ref else {}), **fields}
        body = movement(kind, **facts)
        return self.work.write(lambda unit: movements.record_movement(unit, body), self.actor)

    def receive(self, ref: str, quantity: int, lot: str = "L1", **fields: object) -> MovementOut:
        facts: dict[str, object] = {"lot": lot, "quantity": quantity, "to": SHELF, **fields}
        if ref != "SET":
            facts.setdefault("use_by", USE_BY)
        else:
            facts.setdefault("sterility", "sterile")
        return self.record("receive", ref, **facts)

    def add_case(
        self, reference: str, *, day: date = FIRST_DAY, theatre: str = "T1", hour: int = 9
    ) -> CaseOut:
        fields = case_fields(day, theatre, hour)
        body = CaseBody.model_validate({"reference": reference, **fields})
        return self.work.write(lambda unit: case_changes.add_case(unit, body), self.actor)

    def change_case(
        self, reference: str, *, day: date = FIRST_DAY, theatre: str = "T1", hour: int = 9
    ) -> CaseOut:
        body = CaseFields.model_validate(case_fields(day, theatre, hour))
        version = self.case(reference).version
        return self.work.write(
            lambda unit: case_changes.change_case(unit, reference, body, version), self.actor
        )

    def plan(self, reference: str, primary: str = PRIMARY, *alternates: str) -> CaseOut:
        body = PlanBody(primary=primary, alternates=list(alternates))
        version = self.case(reference).version
        return self.work.write(
            lambda unit: case_changes.make_plan(unit, reference, body, version), self.actor
        )

    def cancel(self, reference: str) -> CaseOut:
        version = self.case(reference).version
        return self.work.write(
            lambda unit: case_changes.cancel_case(unit, reference, version), self.actor
        )

    def promise(self, case: str, ref: str, quantity: int = 1, **fields: object) -> HoldList:
        facts = {"case": case, "ref": ref, "quantity": quantity, "lot": "L1", "at": SHELF, **fields}
        body = HoldBody.model_validate(facts)
        return self.work.write(lambda unit: reserve.reserve_units(unit, body), self.actor)

    def pick(self, case: str, ref: str, quantity: int = 1, **fields: object) -> TrayOut:
        body = PackBody.model_validate({"ref": ref, "lot": "L1", "quantity": quantity, **fields})
        return self.work.write(lambda unit: trays.pick_pack(unit, case, body), self.actor)

    def settle(self, case: str, ref: str, fate: str, quantity: int = 1, **more: object) -> TrayOut:
        facts = {"ref": ref, "lot": "L1", "fate": fate, "quantity": quantity, **more}
        body = PackOutcomeBody.model_validate(facts)
        return self.work.write(lambda unit: trays.record_pack_outcome(unit, case, body), self.actor)

    def status(self, case: str, status: str) -> TrayOut:
        version = self.case(case).version
        return self.work.write(
            lambda unit: trays.set_status(unit, case, status, version), self.actor
        )

    def confirm(self, reference: str) -> None:
        """Have the surgeon confirm the newest plan of a case as it is checked now."""
        case = self.case(reference)
        revision = case.plan.revision if case.plan is not None else 0
        self.work.write(
            lambda unit: confirm.confirm_plan_backups(unit, reference, revision, case.version),
            "surgeon",
        )

    def check(self, reference: str) -> CaseCheckOut:
        return self.work.read(lambda unit: check_case(unit, reference))

    def states(self, reference: str) -> list[str]:
        """Give how far each construct of a case is covered, the primary first."""
        return [one.state for one in self.check(reference).constructs]

    def reopened(self, reference: str) -> str:
        """Give what a write has reopened a case's newest confirmation by; empty while none has."""
        query = (
            select(Confirmation.reopened_why)  # type: ignore[call-overload] # SQLModel types a column as its value
            .join(SurgicalCase)
            .where(SurgicalCase.reference == reference)
            .order_by(Confirmation.id)
        )
        return str(self.work.read(lambda unit: unit.session.execute(query).scalars().all()[-1]))

    def wait_until(self, moment: datetime) -> None:
        """Let the clock stand at a later moment; nothing else happens."""
        self.work.clock = lambda: moment

    def case(self, reference: str) -> CaseOut:
        return self.work.read(lambda unit: get_case(unit, reference))

    def tray(self, reference: str) -> TrayOut:
        return self.work.read(lambda unit: trays.tray_of(unit, reference))

    def held(self, reference: str) -> list[tuple[str, str, str, int]]:
        """Give what a case holds: item, lot, shelf, quantity."""
        found = self.work.read(lambda unit: reserve.holds_of(unit, reference))
        return sorted((one.ref, one.lot, one.shelf, one.quantity) for one in found.holds)

    def shared(self, reference: str) -> set[str]:
        found = self.work.read(lambda unit: reserve.holds_of(unit, reference))
        return {one.ref for one in found.holds if one.shared}

    def balance(self, ref: str, shelf: str = "A", lot: str = "L1") -> tuple[int, int]:
        """Give quantity and held of a lot on a shelf, whoever owns it."""
        page = self.work.read(lambda unit: list_stock(unit, limit=500))
        rows = [row for row in page.stock if (row.ref, row.shelf, row.lot) == (ref, shelf, lot)]
        return sum(row.quantity for row in rows), sum(row.held for row in rows)

    def events(self, reference: str) -> list[tuple[str, str]]:
        query = (
            select(CaseEvent.kind, CaseEvent.says)  # type: ignore[call-overload] # SQLModel types a column as its value
            .join(SurgicalCase)
            .where(SurgicalCase.reference == reference)
            .order_by(CaseEvent.id)
        )
        rows = self.work.read(lambda unit: unit.session.execute(query).all())
        return [(row[0], row[1]) for row in rows]

    def lines(self) -> list[Row[Any]]:
        """Give the ledger, oldest line first."""
        return self.rows(Movement)

    def all_holds(self) -> list[Row[Any]]:
        """Give every hold ever made, oldest first."""
        return self.rows(Hold)

    def rows(self, model: type[SQLModel]) -> list[Row[Any]]:
        table = table_of(model)
        query = select(table).order_by(*table.primary_key.columns)
        return self.work.read(lambda unit: list(unit.session.execute(query).all()))


def case_fields(
    day: date = FIRST_DAY, theatre: str = "T1", hour: int = 9, **more: object
) -> dict[str, object]:
    return {
        "list_date": day,
        "theatre": theatre,
        "starts": f"{hour:02}:00",
        "ends": f"{hour + 1:02}:00",
        "position": 1,
        "side": "left",
        **more,
    }


def next_day(days: int = 1) -> date:
    return FIRST_DAY + timedelta(days=days)


def on_day(day: date, hour: int) -> datetime:
    return datetime(day.year, day.month, day.day, hour, tzinfo=NOW.tzinfo)


def assert_true(work: Work) -> None:
    """Check what must hold after anything: ledger, balances, holds and trays agree."""
    assert work.read(backup.verify).disagree == []
