"""A machine that does everything a department does to its stock, beside a plain dictionary."""

import hashlib
from collections.abc import Callable
from datetime import timedelta
from functools import partial
from types import SimpleNamespace
from typing import Any, ClassVar

from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, initialize, invariant, rule
from pydantic import BaseModel

from service.errors import ServiceError, Stale
from service.operations import work
from service.operations.holds import reserve
from service.operations.planning import case_changes
from service.operations.stock import movements
from service.operations.trays import trays
from service.operations.work import Unit, Work
from service.schemas.cases import CaseBody, CaseFields, CaseOut, PlanBody
from service.schemas.stock import MovementOut
from service.schemas.trays import HoldBody, HoldList, PackBody, PackOutcomeBody, TrayOut
from service.settings import Settings
from tests.conftest import NOW
from tests.machine.by_hand import Books, Units, faults, needed_at_most
from tests.small_theatre import (
    BACKUP,
    PRIMARY,
    QUARANTINE,
    USE_BY,
    assert_true,
    case_fields,
    movement,
    next_day,
)

LOTS = ("NAIL/L1/owned", "NAIL/L2/consigned", "CAP/L1/owned", "SET/L1/owned")


TURNAROUND = timedelta(minutes=240)


OPEN = ("planned", "prepared", "in_theatre")


some_lot = st.sampled_from(LOTS)


some_shelf = st.sampled_from("AB")


some_number = st.integers(0, 60)


some_case = st.sampled_from(["K1", "K2", "K3", "K4"])


few = st.integers(1, 3)


def at(shelf: str) -> dict[str, str]:
    return {"store": "Store", "shelf": shelf}


def which(lot: str) -> dict[str, str]:
    ref, number, owner = lot.split("/")
    return {"ref": ref, "lot": number, "ownership": owner}


class LedgerMachine(RuleBasedStateMachine):
    """What is in the dictionaries is what must be in the database, after every step."""

    new_database: ClassVar[Callable[[], str]]

    def __init__(self) -> None:
        super().__init__()
        self.work = Work(Settings(database_url=type(self).new_database()), lambda: NOW)
        self.stock: dict[Units, int] = {}
        self.packs: dict[tuple[str, str, str], int] = {}
        self.status: dict[str, str] = {}
        self.lines: list[dict[str, Any]] = []
        self.requests = 0
        self.last: tuple[Callable[[], BaseModel], BaseModel] | None = None
        self.books = self.work.read(Books)

    def teardown(self) -> None:
        self.work.close()

    @initialize()
    def four_cases_on_three_lists(self) -> None:
        for place, (day, theatre, hour) in enumerate(
            [(0, "T1", 9), (0, "T1", 14), (0, "T2", 9), (1, "T1", 9)], start=1
        ):
            fields = case_fields(next_day(day), theatre, hour)
            body = CaseBody.model_validate({"reference": f"K{place}", **fields})
            self.work.write(partial(case_changes.add_case, body=body))
            self.status[f"K{place}"] = "planned"
        self.books = self.work.read(Books)

    @initialize(counts=st.tuples(*[st.integers(0, 4)] * len(LOTS)))
    def some_stock(self, counts: tuple[int, ...]) -> None:
        for lot, count in zip(LOTS, counts, strict=True):
            if count:
                self.receive(lot, count, "A")

    def send(
        self, operation: Callable[[Unit], BaseModel], answer: type[BaseModel], *, may: bool
    ) -> BaseModel | None:
        """Send a request with a key of its own; it must be carried out exactly when it may be."""
        self.requests += 1
        key = f"request-{self.requests:06}"
        fingerprint = hashlib.sha256(key.encode()).hexdigest()

        def again() -> BaseModel:
            return self.work.write(
                lambda unit: work.run_once(unit, key, fingerprint, operation, answer), "machine"
            )

        done, refused = None, None
        try:
            done = again()
        except ServiceError as refusal:
            refused = f"{refusal.detail} {refusal.faults}"
        assert may == (done is not None), refused or done
        if done is not None:
            self.last = again, done
        self.books = self.work.read(Books)
        return done

    def move(self, lot: str, origin: str | None, target: str | None, quantity: int) -> None:
        for place, change in ((origin, -quantity), (target, quantity)):
            if place is not None:
                left = self.stock.get((lot, place), 0) + change
                self.stock[lot, place] = left
                if not left:
                    del self.stock[lot, place]

    def post(  # noqa: PLR0917 - one movement's facts
        self,
        kind: str,
        lot: str,
        units: int,
        way_from: str | None,
        way_to: str | None,
        may: bool,
        **fields: object,
    ) -> None:
        body = movement(kind, **which(lot), **fields)
        done = self.send(lambda unit: movements.record_movement(unit, body), MovementOut, may=may)
        if isinstance(done, MovementOut) and done.seq is not None:
            self.move(lot, way_from, way_to, units)
            self.lines.append(
                {"seq": done.seq, "lot": lot, "from": way_from, "to": way_to, "quantity": units}
            )

    def units(self, number: int) -> Units:
        """Choose units among those on shelves; now and then some that need not be there."""
        on_shelves = sorted(key for key in self.stock if key[1] in {"A", "B"})
        found = [*on_shelves, ("CAP/L1/owned", "B")]
        return found[number % len(found)]

    def there(self, lot: str, shelf: str) -> int:
        return self.stock.get((lot, shelf), 0)

    @rule(lot=some_lot, quantity=few, shelf=some_shelf)
    def receive(self, lot: str, quantity: int, shelf: str) -> None:
        facts: dict[str, object] = {"sterility": "sterile"}
        if not lot.startswith("SET"):
            facts["use_by"] = USE_BY
        self.post(
            "receive", lot, quantity, None, shelf, True, quantity=quantity, to=at(shelf), **facts
        )

    @rule(number=some_number, quantity=few)
    def move_to_the_other_shelf(self, number: int, quantity: int) -> None:
        lot, shelf = self.units(number)
        other = "B" if shelf == "A" else "A"
        may = self.there(lot, shelf) >= quantity
        ends = {"origin": at(shelf), "to": at(other)}
        self.post("move", lot, quantity, shelf, other, may, quantity=quantity, **ends)

    @rule(number=some_number, counted=st.integers(0, 4))
    def count(self, number: int, counted: int) -> None:
        lot, shelf = self.units(number)
        change = counted - self.there(lot, shelf)
        origin, target = (shelf, None) if change < 0 else (None, shelf)
        may = any(lot == known for known in self.books.lots.values())
        may = may and (change <= 0 or self.may_turn_up(lot))
        self.post(
            "count",
            lot,
            abs(change),
            origin,
            target,
            may,
            counted=counted,
            at=at(shelf),
            reason="counted",
        )

    def may_turn_up(self, lot: str) -> bool:
        """Units may turn up on a shelf when none like them lie where nobody may use them."""
        ref, number, _ = lot.split("/")
        alike = [key for key in self.stock if key[0].split("/")[:2] == [ref, number]]
        return not any(
            place == "Q" or (ref == "SET" and place not in {"A", "B"}) for _, place in alike
        )

    @rule(number=some_number, quantity=few)
    def write_off(self, number: int, quantity: int) -> None:
        lot, shelf = self.units(number)
        left = self.there(lot, shelf) - quantity
        key = lot, shelf
        promised = max(self.books.needed().get(key, 0), self.books.copies_needed().get(key, 0))
        self.post(
            "write_off",
            lot,
            quantity,
            shelf,
            None,
            left >= promised and left >= 0,
            quantity=quantity,
            at=at(shelf),
            reason="damaged",
        )

    @rule(number=some_number, quantity=few)
    def quarantine(self, number: int, quantity: int) -> None:
        lot, shelf = self.units(number)
        may = self.there(lot, shelf) >= quantity
        self.post(
            "quarantine",
            lot,
            quantity,
            shelf,
            "Q",
            may,
            quantity=quantity,
            origin=at(shelf),
            reason="dented",
        )

    @rule(number=some_number, quantity=few, shelf=some_shelf)
    def release(self, number: int, quantity: int, shelf: str) -> None:
        found = [*sorted(lot for lot, place in self.stock if place == "Q"), "CAP/L1/owned"]
        lot = found[number % len(found)]
        self.post(
            "release",
            lot,
            quantity,
            "Q",
            shelf,
            self.there(lot, "Q") >= quantity,
            quantity=quantity,
            origin=QUARANTINE,
            to=at(shelf),
            reason="looked at",
        )

    @rule(number=some_number)
    def correct(self, number: int) -> None:
        if not self.lines:
            return
        wrong = self.lines[number % len(self.lines)]
        body = movement("correction", seq=wrong["seq"], reason="mistaken")
        end = wrong["to"]
        may = "taken back" not in wrong and "is case's" not in wrong
        may = may and (end is None or self.there(wrong["lot"], end) >= wrong["quantity"])
        may = may and (end is not None or self.may_turn_up(wrong["lot"]))
        may = may and not (end == "Q" and wrong["from"] is not None)
        done = self.send(lambda unit: movements.record_movement(unit, body), MovementOut, may=may)
        if isinstance(done, MovementOut):
            wrong["taken back"] = True
            self.move(wrong["lot"], wrong["to"], wrong["from"], wrong["quantity"])
            assert self.books.lines[-1].corrects_seq == wrong["seq"]

    @rule(case=some_case, number=some_number, quantity=few, take=st.booleans())
    def promise(self, case: str, number: int, quantity: int, take: bool) -> None:
        lot, shelf = self.units(number)
        facts = {"case": case, "quantity": quantity, "at": at(shelf), "take_over": take}
        body = HoldBody.model_validate({**which(lot), **facts, "reason": "urgent"})
        may = self.status[case] in OPEN and self.may_promise(case, (lot, shelf), quantity, take)
        self.send(lambda unit: reserve.reserve_units(unit, body), HoldList, may=may)

    def may_promise(self, case: str, units: Units, quantity: int, take: bool) -> bool:
        row = next(row for row in self.books.cases.values() if row.reference == case)
        if units[0].startswith("SET"):
            own = len(self.books.holds_of(case, units))
            if take:
                return own + quantity <= self.stock.get(units, 0)
            return self.copies_left(case, units) - own >= quantity
        holds = [
            hold
            for other in ([case] if take else self.status)
            for hold in self.books.holds_of(other, units)
        ]
        day = row.starts_at.date()
        new = SimpleNamespace(
            id="new", case_id="new", list_date=day, stays=True, share_group=None, quantity=quantity
        )
        return needed_at_most([*holds, new]) <= self.stock.get(units, 0)  # type: ignore[list-item] # it has a hold's columns

    def copies_left(self, case: str, units: Units) -> int:
        row = next(row for row in self.books.cases.values() if row.reference == case)
        until = row.ends_at + TURNAROUND
        spans = [
            hold
            for other in self.status
            for hold in self.books.holds_of(other, units)
            if other != case and hold.from_at < until and hold.until_at > row.starts_at
        ]
        away = [sum(o.from_at <= one.from_at < o.until_at for o in spans) for one in spans]
        return self.stock.get(units, 0) - max(away, default=0)

    @rule(case=some_case, number=some_number, quantity=st.integers(1, 2))
    def pick(self, case: str, number: int, quantity: int) -> None:
        lot, shelf = self.units(number)
        self.bring(case, (lot, shelf), quantity)

    @rule(number=some_number)
    def pick_what_may_be_picked(self, number: int) -> None:
        found = [
            (case, units)
            for case in sorted(self.status)
            for units in sorted(self.stock)
            if self.status[case] in OPEN
            and units[1] in {"A", "B"}
            and self.may_pick(case, units, 1)
        ]
        if found:
            self.bring(*found[number % len(found)], 1)

    def bring(self, case: str, units: Units, quantity: int) -> None:
        lot, shelf = units
        facts = {"quantity": quantity, "at": at(shelf), "although": "asked for"}
        body = PackBody.model_validate({**which(lot), **facts})
        done = self.send(
            lambda unit: trays.pick_pack(unit, case, body),
            TrayOut,
            may=self.status[case] in OPEN and self.may_pick(case, (lot, shelf), quantity),
        )
        if done is not None:
            self.move(lot, shelf, case, quantity)
            key = case, lot, shelf
            self.packs[key] = self.packs.get(key, 0) + quantity
            if self.status[case] == "planned":
                self.status[case] = "prepared"
            self.note_case_lines()

    def may_pick(self, case: str, units: Units, quantity: int) -> bool:
        there = self.stock.get(units, 0)
        if there < quantity:
            return False
        if units[0].startswith("SET"):
            return self.copies_left(case, units) >= quantity
        own = sum(hold.quantity for hold in self.books.holds_of(case, units))
        return bool(own + there - self.books.held().get(units, 0) >= quantity)

    @rule(
        number=some_number,
        fate=st.sampled_from(["implant", "waste", "return"]),
        quantity=st.integers(1, 2),
    )
    def settle(self, number: int, fate: str, quantity: int) -> None:
        on_trays = sorted(key for key, left in self.packs.items() if left)
        found = on_trays or [("K1", "CAP/L1/owned", "A")]
        case, lot, _ = found[number % len(found)]
        homes = [shelf for shelf in "AB" if self.packs.get((case, lot, shelf))]
        left = self.packs[case, lot, homes[0]] if homes else 0
        is_used_up = fate in {"implant", "waste"} and lot.startswith("SET")
        is_late = fate == "implant" and self.status[case] not in OPEN
        may = left >= quantity and not is_used_up and not is_late
        facts = {"fate": fate, "quantity": quantity, "reason": "said so"}
        body = PackOutcomeBody.model_validate({**which(lot), **facts})
        done = self.send(lambda unit: trays.record_pack_outcome(unit, case, body), TrayOut, may=may)
        if done is not None:
            self.packs[case, lot, homes[0]] -= quantity
            self.move(lot, case, homes[0] if fate == "return" else None, quantity)
            self.note_case_lines()

    def note_case_lines(self) -> None:
        """Remember the newest line as one that only its case may undo."""
        line = self.books.lines[-1]
        self.lines.append(
            {"seq": line.seq, "lot": "", "from": None, "to": None, "quantity": 0, "is case's": True}
        )

    @rule(case=some_case, backup=st.booleans())
    def plan(self, case: str, backup: bool) -> None:
        body = PlanBody(primary=PRIMARY, alternates=[BACKUP] if backup else [])
        version = self.version(case)
        self.send(
            lambda unit: case_changes.make_plan(unit, case, body, version),
            CaseOut,
            may=self.status[case] != "closed",
        )

    @rule(case=some_case)
    def hold_anew(self, case: str) -> None:
        self.send(
            lambda unit: reserve.refresh_holds(unit, case),
            HoldList,
            may=self.status[case] in OPEN,
        )

    @rule(
        case=some_case,
        day=st.integers(0, 2),
        hour=st.sampled_from([9, 14]),
        theatre=st.sampled_from(["T1", "T2"]),
        stale=st.booleans(),
    )
    def change(self, case: str, day: int, hour: int, theatre: str, stale: bool) -> None:
        body = CaseFields.model_validate(case_fields(next_day(day), theatre, hour))
        version = self.version(case) - stale
        self.send(
            lambda unit: case_changes.change_case(unit, case, body, version),
            CaseOut,
            may=self.status[case] != "closed" and not stale,
        )

    @rule(case=some_case, luck=st.integers(0, 3))
    def cancel(self, case: str, luck: int) -> None:
        if luck:
            # A cancelled case ends many ways on; most runs must go far.
            return
        version = self.version(case)
        done = self.send(
            lambda unit: case_changes.cancel_case(unit, case, version),
            CaseOut,
            may=self.status[case] != "closed",
        )
        if done is not None:
            self.status[case] = "cancelled"

    @rule(case=some_case, status=st.sampled_from(["prepared", "in_theatre", "closed"]))
    def go_on(self, case: str, status: str) -> None:
        steps = {
            "planned": {"prepared"},
            "prepared": {"in_theatre", "closed"},
            "in_theatre": {"closed"},
        }
        if status == "closed" and self.requests % 2:
            # As with cancelling.
            return
        open_packs = sum(n for (name, _, _), n in self.packs.items() if name == case)
        may = status in steps.get(self.status[case], ())
        version = self.version(case)
        done = self.send(
            lambda unit: trays.set_status(unit, case, status, version),
            TrayOut,
            may=may and not (status == "closed" and open_packs),
        )
        if done is not None:
            self.status[case] = status

    @rule()
    def send_the_last_request_again(self) -> None:
        if self.last is not None:
            again, first = self.last
            assert again().model_dump(mode="json") == first.model_dump(mode="json")
            self.books = self.work.read(Books)

    @rule(case=some_case)
    def plan_from_a_stale_page(self, case: str) -> None:
        body, version = PlanBody(primary=PRIMARY), self.version(case) - 1
        try:
            self.work.write(lambda unit: case_changes.make_plan(unit, case, body, version))
        except Stale:
            return
        message = "a stale plan was stored"
        raise AssertionError(message)

    def version(self, case: str) -> int:
        return int(next(row.version for row in self.books.cases.values() if row.reference == case))

    @invariant()
    def the_books_are_true(self) -> None:
        found = faults(self.books)
        assert not found, found

    @invariant()
    def the_database_is_the_dictionary(self) -> None:
        assert self.books.balance() == self.stock
        on_trays: dict[tuple[str, str], int] = {}
        for (case, lot, _), number in self.packs.items():
            if number:
                on_trays[case, lot] = on_trays.get((case, lot), 0) + number
        assert self.books.open_packs() == on_trays
        found = {row.reference: row.status for row in self.books.cases.values()}
        assert found == self.status

    @invariant()
    def the_service_finds_so_too(self) -> None:
        assert_true(self.work)
