"""Nine places are asked about the same unit, for the same case and day, and give one answer.

What is expected is what is true of a pack in a cupboard (common practice, no source): it is used
up to its last day, a loan is gone on the day it goes back, and what is dirty, locked away,
recalled, on the road, on somebody's tray or promised to somebody is not there for anybody else.
"""

from collections.abc import Callable
from dataclasses import dataclass, replace
from datetime import date, datetime, time, timedelta
from itertools import product

import pytest
from sqlmodel import select

from service.core.cover.shelf import ClaimedStock
from service.errors import BadInput, Conflict, Taken
from service.operations import fhir
from service.operations.catalogue import add_item
from service.operations.cover.check import check_case
from service.operations.cover.requirements import case_requirements, check_input
from service.operations.holds import reserve
from service.operations.orders.receive import add_delivery
from service.operations.par.basis import on_shelf
from service.operations.planner import planner_of
from service.operations.shortfalls.sources import RemainingStock
from service.operations.stock.view import expiring, sizes_of
from service.operations.trays import scans, trays
from service.operations.work import Unit, Work
from service.schemas.catalogue import ItemBody
from service.schemas.stock import DeliveryBody
from service.schemas.trays import HoldBody, NamedPackBody, PackBody
from service.storage.queries import stock
from service.storage.tables import Balance, Hold, Item, Location, Lot, Recall
from tests.conftest import NOW
from tests.operations.trays.packs import case_row
from tests.small_theatre import ITEMS, PRIMARY, Theatre, furnish

LIST_DAY = date(2031, 3, 5)


BEFORE, AFTER = LIST_DAY - timedelta(days=1), LIST_DAY + timedelta(days=1)


EXPIRED = NOW.date() - timedelta(days=1)


class UndoneError(Exception):
    """Ends a transaction so that nothing of it stays."""


@dataclass(frozen=True)
class Pack:
    """One unit with everything that may be wrong with it."""

    ref: str
    use_by: date
    return_by: date | None
    sterility: str
    place: str
    is_recalled: bool
    is_reserved: bool

    @property
    def lot(self) -> str:
        return "BAD" if self.is_recalled else "GOOD"

    @property
    def ownership(self) -> str:
        return "owned" if self.return_by is None else "loan"

    @property
    def is_fit(self) -> bool:
        """Whether it can be used on the list day, whoever it is for."""
        is_here = self.return_by is None or self.return_by > LIST_DAY
        is_clean = self.sterility == "sterile" and not self.is_recalled
        return self.use_by >= LIST_DAY and is_here and is_clean and self.place == "A"

    @property
    def serves(self) -> bool:
        return self.is_fit and not self.is_reserved


PACKS = [
    Pack(f"N{number:03}", *facts)
    for number, facts in enumerate(
        product(
            (EXPIRED, BEFORE, LIST_DAY, AFTER),
            (None, BEFORE, LIST_DAY, AFTER),
            ("sterile", "unsterile"),
            # A shelf, quarantine, the tray of the case before, and a van from another hospital.
            ("A", "Q", "K1", "VAN"),
            (False, True),
            (False, True),
        )
    )
]


def _furnish(work: Work) -> None:
    furnish(work)
    theatre = Theatre(work)
    nail = {key: value for key, value in ITEMS[0].items() if key != "gtin"}
    theatre.add_case("K1", day=LIST_DAY, hour=9)
    theatre.add_case("K2", day=LIST_DAY, hour=11)

    def write(unit: Unit) -> None:
        for pack in PACKS:
            add_item(unit, ItemBody.model_validate({**nail, "ref": pack.ref}))

    work.write(write, "furnisher")
    theatre.plan("K2", PRIMARY)
    work.write(_stock, "furnisher")


def _stock(unit: Unit) -> None:
    """Put the packs where they are past every operation, some of which would refuse them."""
    k1 = case_row(unit, "K1")
    for store, shelf, kind in (("T1", "K1", "theatre"), ("In transit", "VAN", "transit")):
        unit.session.add(Location(site_id=unit.site_id, store=store, shelf=shelf, kind=kind))
    unit.session.add(Recall(notice="R", lot_number="BAD", reason="cracks", at=NOW, actor="x"))
    unit.session.flush()
    places = {one.shelf: one.id or 0 for one in stock.locations(unit.session, unit.site_id)}
    items = {one.ref: one.id or 0 for one in unit.session.exec(select(Item))}
    for pack in PACKS:
        lot = Lot(
            item_id=items[pack.ref],
            lot_number=pack.lot,
            ownership=pack.ownership,
            use_by=pack.use_by,
            return_by=pack.return_by,
            sterility=pack.sterility,
        )
        unit.session.add(lot)
        unit.session.flush()
        lot_id, place_id = lot.id or 0, places[pack.place]
        held = int(pack.is_reserved)
        unit.session.add(Balance(lot_id=lot_id, location_id=place_id, quantity=1, held=held))
        if pack.is_reserved:
            unit.session.add(
                Hold(
                    lot_id=lot_id,
                    location_id=place_id,
                    case_id=k1.id or 0,
                    quantity=1,
                    list_date=LIST_DAY,
                    list_id=k1.list_id,
                    stays=True,
                    from_at=k1.starts_at,
                    until_at=k1.ends_at,
                    made_at=NOW,
                    actor="x",
                )
            )


def _check(unit: Unit) -> set[str]:
    """Let the case be checked with one pack of the house at a time."""
    prepared = case_requirements(unit, LIST_DAY, only={"K2"})
    given = check_input(unit, prepared, planner_of(unit).claims)
    found = set()
    for pack in PACKS:
        alone = replace(given, parcels=tuple(p for p in given.parcels if p.ref == pack.ref))
        lines = [line for one in alone.check() for made in one.constructs for line in made.lines]
        found |= {pack.ref for line in lines if pack.ref in line.line.refs and line.gap is None}
    return found


def _supply(unit: Unit) -> set[str]:
    prepared = case_requirements(unit, LIST_DAY, only={"K2"})
    given = check_input(unit, prepared, planner_of(unit).claims)
    room = RemainingStock(unit, ClaimedStock.of(given.parcels, given.holds), given.turnarounds)
    (case,) = given.cases
    return {pack.ref for pack in PACKS if room.free(case, pack.ref, stays=True) > 0}


def _expiry(unit: Unit) -> set[str]:
    found = expiring(unit, 30).units
    return {one.ref for one in found if one.first_use is not None and one.first_use.case == "K2"}


def _fhir(unit: Unit) -> set[str]:
    report = fhir.search(unit, "InventoryReport", "http://x", after="", count=1)
    listings = report["entry"][0]["resource"]["inventoryListing"]
    return {
        one["item"]["reference"]["display"].partition(",")[0]
        for listing in listings
        if listing["itemStatus"]["coding"][0]["code"] == "free"
        for one in listing["item"]
    }


def _page(unit: Unit) -> set[str]:
    return {one.ref for one in sizes_of(unit, "single_lag_screw_nail") if one.free > 0}


def _levels(unit: Unit) -> set[str]:
    return {ref for ref, units in on_shelf(unit).items() if units.owned + units.consigned > 0}


def _promise(unit: Unit, pack: Pack) -> None:
    store = {"A": "Store", "Q": "Quarantine", "K1": "T1", "VAN": "In transit"}[pack.place]
    body = HoldBody.model_validate(
        {
            "case": "K2",
            "ref": pack.ref,
            "lot": pack.lot,
            "ownership": pack.ownership,
            "at": {"store": store, "shelf": pack.place},
            "quantity": 1,
        }
    )
    reserve.reserve_units(unit, body)


def _pick(unit: Unit, pack: Pack) -> None:
    body = PackBody(ref=pack.ref, lot=pack.lot, ownership=pack.ownership, although="tried")
    trays.pick_pack(unit, "K2", body)


def _is_let(work: Work, act: Callable[[Unit, Pack], None], pack: Pack) -> bool:
    def try_it(unit: Unit) -> None:
        act(unit, pack)
        raise UndoneError

    try:
        work.write(try_it, "nurse")
    except UndoneError:
        return True
    except (BadInput, Conflict, Taken):
        return False
    raise AssertionError


def _scanned(work: Work, monkeypatch: pytest.MonkeyPatch) -> set[str]:
    check = work.read(lambda unit: check_case(unit, "K2"))
    # The same stock is scanned again and again: one check of it is enough.
    monkeypatch.setattr(scans, "check_case", lambda _unit, _case: check)

    def scan(unit: Unit) -> set[str]:
        bodies = (NamedPackBody(ref=one.ref, lot=one.lot, case="K2") for one in PACKS)
        found = [(body.ref, scans.scan_named_pack(unit, body).verdict) for body in bodies]
        return {ref for ref, verdict in found if verdict == "right"}

    return work.read(scan)


def test_nine_places_agree_about_every_unit(work: Work, monkeypatch: pytest.MonkeyPatch) -> None:
    _furnish(work)
    there = Work(work.settings, lambda: NOW + (LIST_DAY - NOW.date()))
    serve = {pack.ref for pack in PACKS if pack.serves}
    assert len(serve) == 4  # in date on the day or after it, owned or a loan that stays
    try:
        found = {
            "check": work.read(_check),
            "holds": {one.ref for one in PACKS if _is_let(work, _promise, one)},
            "scans": _scanned(work, monkeypatch),
            "trays": {one.ref for one in PACKS if _is_let(work, _pick, one)},
            "supply": work.read(_supply),
            "expiry": work.read(_expiry),
            # These know no case: they are asked on the morning of the list day.
            "stock pages": there.read(_page),
            "FHIR": there.read(_fhir),
        }
        levels = there.read(_levels)
    finally:
        there.close()
    assert {name: units ^ serve for name, units in found.items() if units != serve} == {}
    # A level counts what is promised until it is used, and never what is lent.
    kept = {pack.ref for pack in PACKS if pack.is_fit and pack.return_by is None}
    assert levels == kept


@pytest.mark.parametrize("hour", [8, 18])
def test_what_arrives_later_is_nowhere_taken_for_there(work: Work, hour: int) -> None:
    furnish(work)
    theatre = Theatre(work)
    theatre.add_case("K2", day=LIST_DAY, hour=11)
    theatre.plan("K2", PRIMARY)
    body = DeliveryBody(
        reference="D1", ref="NAIL", quantity=1, due_at=datetime.combine(LIST_DAY, time(hour))
    )
    work.write(lambda unit: add_delivery(unit, body), "storekeeper")
    check = work.read(lambda unit: check_case(unit, "K2"))
    (line,) = [one for made in check.constructs for one in made.lines if one.refs == ["NAIL"]]
    assert line.gap is not None
    assert line.gap.because == ("not_here_yet" if hour < 11 else "not_here_in_time")
    pack = Pack("NAIL", LIST_DAY, None, "sterile", "A", is_recalled=False, is_reserved=False)
    assert not _is_let(work, _promise, pack)
    assert not _is_let(work, _pick, pack)
    named = NamedPackBody(ref="NAIL", lot="GOOD", case="K2")
    assert work.read(lambda unit: scans.scan_named_pack(unit, named)).verdict == "not_in_stock"
    assert work.read(_page) == set()
    assert work.read(_levels) == set()
    assert work.read(lambda unit: expiring(unit, 30)).units == []
