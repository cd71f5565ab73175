"""Where missing items could come from: what lies here and does not count, and who could send."""

from collections import defaultdict
from collections.abc import Collection, Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from sqlalchemy import Row

from service.core.catalogue import CONSUMABLE_KINDS
from service.core.cover.results import CaseToCheck
from service.core.cover.shelf import CaseAllocation, ClaimedStock
from service.core.cover.units import StockUnits, unusable_reasons
from service.core.shortfalls.shortages import Shortage
from service.core.shortfalls.ways import (
    OtherSite,
    SupplierTerms,
    SupplySource,
    UnitsComing,
    UnitsHere,
)
from service.operations.planner import planner_of
from service.operations.stock_units import units_of
from service.operations.suppliers import terms_of
from service.operations.work import Unit
from service.storage.queries import suppliers


@dataclass(frozen=True, slots=True)
class RemainingStock:
    """The shelves as they are when every case has claimed what it can."""

    unit: Unit
    shelf: ClaimedStock
    turnarounds: Mapping[str, int]

    def usable(self, case: CaseToCheck, refs: Sequence[str]) -> list[StockUnits]:
        """Return the parcels here that count for a case, whoever has claimed them."""
        return [one for one in self._turn(case).usable(refs) if one.is_here]

    def free(self, case: CaseToCheck, ref: str, *, stays: bool) -> int:
        """Return how many units of an item nobody counts on, on a case's day or from it on."""
        return sum(units for _, units in self.free_units(case, ref, stays=stays))

    def free_units(
        self, case: CaseToCheck, ref: str, *, stays: bool
    ) -> Iterator[tuple[StockUnits, int]]:
        """Return the same by parcel, those left out of which none is free."""
        turn = self._turn(case)
        for parcel in self.usable(case, (ref,)):
            free = turn.free(parcel, stays=stays)
            if free > 0:
                yield parcel, free

    def _turn(self, case: CaseToCheck) -> CaseAllocation:
        return CaseAllocation(case, self.shelf, self.turnarounds, self.unit.zone)


@dataclass(frozen=True, slots=True)
class SupplyFacts:
    """What is known of where the missing items could come from, read once for all of them."""

    unit: Unit
    room: RemainingStock
    facts: Mapping[str, Row[Any]]
    terms: Mapping[str, SupplierTerms]
    stock: Mapping[str, Sequence[Row[Any]]]
    recalled: Collection[int]
    coming: Mapping[str, Sequence[UnitsComing]]
    consigned: Collection[str]
    sites: Mapping[str, tuple[OtherSite, ...]]


def read_supply_facts(unit: Unit, room: RemainingStock, refs: Collection[str]) -> SupplyFacts:
    """Read where items of some references could come from."""
    planner = planner_of(unit)
    facts = suppliers.supply_facts(unit.session, refs)
    rows: dict[str, list[Row[Any]]] = defaultdict(list)
    for row in planner.stock_of(refs):
        if row.location_kind != "transit":
            rows[row.ref].append(row)
    coming: dict[str, list[UnitsComing]] = defaultdict(list)
    consigned = suppliers.consigned_refs(unit.session, unit.site_id, refs)
    for row in planner.deliveries:
        found = UnitsComing(row.reference, row.quantity, row.due_at, row.usable_from, row.return_by)
        coming[row.ref].append(found)
        if row.ownership == "consigned":
            consigned.add(row.ref)
    names = sorted({row.supplier for row in facts.values()})
    return SupplyFacts(
        unit,
        room,
        facts,
        terms_of(unit, names),
        rows,
        {row.lot_id for own in rows.values() for row in own if row.recalled},
        coming,
        consigned,
        _sites(unit, refs),
    )


def _sites(unit: Unit, refs: Collection[str]) -> dict[str, tuple[OtherSite, ...]]:
    """Return the sites that could be asked, for each item with what was asked already."""
    others = suppliers.other_sites(unit.session, unit.site_id)
    asked = {
        (row.ref, row.from_site_id): int(row.asked)
        for row in suppliers.asked_of_sites(unit.session, unit.site_id)
    }
    return {
        ref: tuple(OtherSite(one.code, one.name, asked.get((ref, one.id), 0)) for one in others)
        for ref in refs
    }


def sources_of(supply: SupplyFacts, shortage: Shortage) -> list[SupplySource]:
    """Return where each item that would close a shortage could come from."""
    case = shortage.first.case
    found = []
    for ref in shortage.refs:
        facts = supply.facts[ref]
        found.append(
            SupplySource(
                ref=ref,
                terms=supply.terms[facts.supplier],
                lead_time_days=facts.lead_time_days,
                comes_ready=facts.supplied_sterile,
                can_be_lent=facts.kind not in CONSUMABLE_KINDS,
                is_consigned=ref in supply.consigned,
                turnaround_minutes=facts.turnaround_minutes,
                lying=(*_blocked(supply, ref, case), *_free(supply, ref, case)),
                coming=tuple(supply.coming.get(ref, ())),
                sites=supply.sites[ref],
            )
        )
    return found


def _blocked(supply: SupplyFacts, ref: str, case: CaseToCheck) -> Iterator[UnitsHere]:
    """Return the units in quarantine or not sterile that could be made to count for a case.

    Where anything else stands in the way they are none; nor is what was sterile once and cannot be
    reprocessed.
    """
    facts = supply.facts[ref]
    for row in supply.stock.get(ref, ()):
        found = unusable_reasons(
            units_of(row, supply.recalled), case.list_date, case=case.case, starts=case.starts
        )
        reasons = {reason.because for reason in found}
        pack, place = _pack(row.lot_number, row.serial), f"{row.store}, {row.shelf}"
        if reasons in ({"unsterile"}, {"unsterile", "quarantined"}):
            if facts.reusable or not facts.supplied_sterile:
                yield UnitsHere("unsterile", row.quantity, pack, place)
        elif reasons == {"quarantined"}:
            yield UnitsHere("quarantined", row.quantity, pack, place)


def _pack(lot: str, serial: str) -> str:
    return f"lot {lot}" if lot else f"serial {serial}"


def _free(supply: SupplyFacts, ref: str, case: CaseToCheck) -> Iterator[UnitsHere]:
    """Return the units that nobody counts on that day, though somebody does on another.

    Copies of an instrument set are left out: one that is free for the whole case was found.
    """
    shelf = supply.room.shelf
    if supply.facts[ref].turnaround_minutes is not None:
        return
    for parcel, free in supply.room.free_units(case, ref, stays=False):
        names = {one.case for one in shelf.claims.get(parcel.key, ())} - {case.case}
        yield UnitsHere(
            "free",
            free,
            _pack(parcel.lot, parcel.serial),
            f"{parcel.store}, {parcel.shelf}",
            tuple(sorted(names)),
        )
