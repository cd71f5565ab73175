"""What the planner knows in one unit of work, read when it is first asked for and handed on.

Every part names the tables it was read from. A statement that changes one of them in the same
transaction makes the part stale, whoever sends it; the next who asks reads it anew. Nobody has to
remember to drop anything.
"""

from collections.abc import Callable, Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from functools import cached_property
from typing import Any, TypeVar, cast
from zoneinfo import ZoneInfo

from sqlalchemy import Row

from service.core.catalogue import ItemFacts
from service.core.constructs.roles import Catalogue
from service.core.constructs.templates import Template, angles_for, systems_for
from service.core.cover.units import Claim, day_after_midnight
from service.operations.constructs import all_templates
from service.operations.work import Unit, refuse_late_clock
from service.storage.database import ANY_TABLE
from service.storage.queries import (
    cases,
    catalogue,
    holds,
    people,
    recalls,
    reference,
    stock,
    trays,
)
from service.storage.tables import (
    ENDED_STATUSES,
    IN_TRAY,
    Confirmation,
    GuidanceBook,
    Hold,
    Item,
    Location,
    Lot,
    OperatingList,
    Plan,
    Recall,
    SizingDefault,
    SurgicalCase,
)

Value = TypeVar("Value")


#: What there is and what comes, as far as the planner looks at it.
_STOCK = ("balance", "item", "location", "lot", "recall")


_DUE = ("item", "order_line", "supply_order")


_RECALLED = ("item", "lot", "recall")


_CASES = ("operating_list", "surgical_case")


#: What is promised to whom follows from these.
_HOLDS = ("hold", "surgical_case")


#: What a template can be done in follows from these.
_TEMPLATES = ("construct_template", "item")


#: Where units lie, and how many of them are promised.
_LYING = ("balance", "balance.held", "location")


#: What a case asks for follows from these.
ASKED_FROM = (*_CASES, "construct_template", "guidance_book", "item", "plan", "sizing_default")


#: What a check is made from.
CHECKED_FROM = tuple(
    sorted({*ASKED_FROM, *_STOCK, *_DUE, *_RECALLED, "case_pack", "hold", "transfer"})
)


@dataclass(frozen=True)
class CatalogueFacts:
    """The catalogue and what is looked up in it."""

    facts: Sequence[ItemFacts]
    gtins: Mapping[str, str]

    @cached_property
    def by_ref(self) -> Mapping[str, ItemFacts]:
        """The lines by reference."""
        return {item.ref: item for item in self.facts}

    @cached_property
    def by_kind(self) -> Catalogue:
        """The lines of each kind, with what roles have seen of them."""
        return Catalogue(self.facts)

    @cached_property
    def lengths_mm(self) -> Mapping[str, float]:
        """The length of each item that has one."""
        return {item.ref: item.length_mm for item in self.facts if item.length_mm is not None}

    @cached_property
    def turnarounds(self) -> Mapping[str, int]:
        """The turnaround of every instrument set, in minutes."""
        return {
            item.ref: item.turnaround_minutes
            for item in self.facts
            if item.turnaround_minutes is not None
        }


class PlannerContext:
    """Everything plans are made and checked from; ask `planner_of` for the unit's own."""

    def __init__(self, unit: Unit) -> None:
        self._unit = unit
        self._parts: dict[object, tuple[tuple[int, ...], object]] = {}
        self._rows: dict[str, SurgicalCase] = {}
        self._items: dict[str, Item] = {}
        #: Kept only so that the session, which forgets what nobody holds, does not read them again.
        self._lists: dict[int | None, OperatingList] = {}
        self._clock_is_right = False

    def part(self, key: object, tables: Collection[str], read: Callable[[], Value]) -> Value:
        """Return a part, read anew when one of its tables has been changed since.

        Parameters
        ----------
        key
            Names the part.
        tables
            All that it is read or worked out from.
        """
        # What waits to be written counts as written: a query would send it first, too.
        self._unit.session.flush()
        written = self._unit.session.info["written"]
        stamp = tuple(written[name] for name in (ANY_TABLE, *tables))
        known = self._parts.get(key)
        if known is None or known[0] != stamp:
            known = self._parts[key] = (stamp, read())
        return cast("Value", known[1])

    @property
    def now(self) -> datetime:
        """The moment of the unit of work."""
        return self._unit.now

    @property
    def catalogue(self) -> CatalogueFacts:
        """The catalogue of all sites."""
        return self.part("catalogue", ("item",), self._read_catalogue)

    def _read_catalogue(self) -> CatalogueFacts:
        lines = catalogue.facts_and_gtins(self._unit.session)
        return CatalogueFacts(
            [facts for facts, _ in lines], {facts.ref: gtin for facts, gtin in lines if gtin}
        )

    @property
    def facts(self) -> Sequence[ItemFacts]:
        """The catalogue's lines, by reference."""
        return self.catalogue.facts

    @property
    def templates(self) -> Mapping[str, Template]:
        """Every construct template, by code."""
        return self.part("templates", ("construct_template",), lambda: all_templates(self._unit))

    def systems_for(self, template: Template) -> tuple[str, ...]:
        """Return the systems a template can be done in; each plan asks, so it is found once."""
        key = ("systems", template.code)
        return self.part(key, _TEMPLATES, lambda: systems_for(template, self.facts))

    def angles_for(self, template: Template, system: str | None) -> tuple[float, ...]:
        """Return the angles a template is made in; found once, too."""
        key = ("angles", template.code, system)
        return self.part(
            key, _TEMPLATES, lambda: angles_for(template, system, self.catalogue.by_kind)
        )

    @property
    def sizing_rows(self) -> Sequence[SizingDefault]:
        """The sizing and supply figures as they were set."""
        session = self._unit.session
        return self.part("figures", ("sizing_default",), lambda: reference.sizing_defaults(session))

    @property
    def values(self) -> Mapping[str, float]:
        """The sizing and supply figures, by key."""
        rows = self.sizing_rows
        return self.part(
            "values", ("sizing_default",), lambda: {row.key: row.value for row in rows}
        )

    @property
    def guidance(self) -> GuidanceBook | None:
        """The newest book of guidance rules."""
        session = self._unit.session
        return self.part("guidance", ("guidance_book",), lambda: reference.guidance_book(session))

    def find_case(self, case_reference: str) -> SurgicalCase | None:
        """Return a case by its reference.

        Its row is the session's own and changes with everything that is done to it, so it is
        looked for only once.
        """
        unit = self._unit
        row = self._rows.get(case_reference)
        if row is None or row not in unit.session:
            found = cases.find_case(unit.session, unit.site_id, case_reference)
            if found is None:
                return None
            row, self._lists[found[1].id] = found
            self._rows[case_reference] = row
        return row

    def find_item(self, ref: str) -> Item | None:
        """Return an item's row by its REF; looked for once, as a case's is."""
        row = self._items.get(ref)
        if row is None or row not in self._unit.session:
            row = catalogue.one_by(self._unit.session, ref=ref)
        return self._keep(row)

    def item_of_code(self, code: str, lot_number: str = "", serial: str = "") -> Item | None:
        """Return the item of a code on a pack; the lots its label may mean are read with it."""
        session = self._unit.session
        found = catalogue.labelled(session, lot_number, serial, gtin=code)
        if not found:
            return self._keep(catalogue.item_learned(session, code))
        item: Item = found[0].Item
        key = ("lots", item.id, lot_number, serial)
        self.part(key, ("lot",), lambda: self._keep_lots(found, serial))
        return self._keep(item)

    def _keep(self, row: Item | None) -> Item | None:
        if row is not None:
            self._items[row.ref] = row
        return row

    def cases_until(self, last: date) -> Sequence[tuple[OperatingList, SurgicalCase]]:
        """Return every case not cancelled from today to a day, in order of start."""
        return self.part(("cases", last), _CASES, lambda: self._read_cases(last))

    def _read_cases(self, last: date) -> Sequence[tuple[OperatingList, SurgicalCase]]:
        unit = self._unit
        first = min(unit.today, last)
        found = cases.planned_between(unit.session, unit.site_id, first, last)
        self._plans.update({row.id or 0: plan for _, row, plan, _ in found})
        self._confirmations.update({row.id or 0: newest for _, row, _, newest in found})
        for operating_list, row, _, _ in found:
            self._rows[row.reference], self._lists[row.list_id] = row, operating_list
        return [(operating_list, row) for operating_list, row, _, _ in found]

    @property
    def _plans(self) -> dict[int, Plan | None]:
        return self.part("plans", ("plan",), dict[int, Plan | None])

    def plans_of(self, case_ids: Iterable[int]) -> dict[int, Plan]:
        """Return the newest revision of each case's plan, by case."""
        return self._completed(
            self._plans, case_ids, lambda ids: cases.latest_plans(self._unit.session, ids)
        )

    def confirmations_of(self, case_ids: Iterable[int]) -> dict[int, Confirmation]:
        """Return the newest confirmation of each case, by case."""
        return self._completed(
            self._confirmations, case_ids, lambda ids: cases.newest(self._unit.session, ids)
        )

    @property
    def _confirmations(self) -> dict[int, Confirmation | None]:
        return self.part("confirmations", ("confirmation",), dict[int, Confirmation | None])

    @staticmethod
    def _completed(
        known: dict[int, Value | None],
        case_ids: Iterable[int],
        read: Callable[[list[int]], Mapping[int, Value]],
    ) -> dict[int, Value]:
        """Read what is not known yet of these cases, and give what there is of them."""
        wanted = sorted(set(case_ids))
        new = [key for key in wanted if key not in known]
        if new:
            found = read(new)
            known.update({key: found.get(key) for key in new})
        return {key: one for key in wanted if (one := known[key]) is not None}

    @property
    def claims(self) -> Sequence[Claim]:
        """Every hold in force."""
        return self.part("claims", _HOLDS, self._read_claims)

    def claims_of(self, case: str) -> Sequence[Claim]:
        """Return the holds in force of one case."""
        return self.part("claims by case", _HOLDS, self._sort_claims).get(case, ())

    def _sort_claims(self) -> Mapping[str, Sequence[Claim]]:
        by_case: dict[str, list[Claim]] = {}
        for claim in self.claims:
            by_case.setdefault(claim.case, []).append(claim)
        return by_case

    def _read_claims(self) -> Sequence[Claim]:
        zone = self.zone
        return [
            Claim(
                case=row.reference,
                key=f"{row.lot_id}@{row.location_id}",
                quantity=row.quantity,
                list_date=row.list_date,
                operating_list=str(row.list_id),
                stays=row.stays,
                is_set=row.is_set,
                starts=row.from_at if row.is_set else row.starts_at,
                until=self.set_until(row, row) if row.is_set else self._ends(row),
                share_group=row.share_group,
                is_opened=row.is_opened,
                on_tray=row.role == IN_TRAY,
                last_day=day_after_midnight(
                    row.list_date, row.ends_at, zone, self.used_on(row.list_date)
                ),
            )
            for row in holds.active_rows(self._unit.session, self._unit.site_id)
        ]

    def is_overrun(self, case: SurgicalCase | Row[Any]) -> bool:
        """Tell whether a case is still open after its planned end: it keeps what it has."""
        return case.status not in ENDED_STATUSES and case.ends_at < self._unit.now

    def used_on(self, day: date) -> date | None:
        """Return the day on which a case of a list day uses what it has, where that is over."""
        return self._unit.today if day < self._unit.today else None

    def set_until(self, hold: Hold | Row[Any], case: SurgicalCase | Row[Any]) -> datetime | None:
        """Return when a set that a case holds is free again: later by as much as the case is late.

        Of one that stands by for a case still open after its planned end nobody can say. What is on
        a tray or being reprocessed is told by where it is.
        """
        until: datetime = hold.until_at
        if hold.role == IN_TRAY or case.status in ENDED_STATUSES:
            return until
        if not hold.is_opened and self.is_overrun(case):
            return None
        has_begun = case.status == "in_theatre"
        planned: datetime = case.ends_at if has_begun else case.starts_at
        return until + max(self._unit.now - planned, timedelta())

    def _ends(self, case: Row[Any]) -> datetime | None:
        return None if self.is_overrun(case) else case.ends_at

    @property
    def zone(self) -> ZoneInfo:
        """The site's time zone."""
        return self._unit.zone

    def holds_in_force(self, **where: object) -> list[Hold]:
        """Return the holds in force whose columns equal these values, the oldest first.

        Those on a lot are few and asked about from many sides, so they are read together.
        """
        session = self._unit.session
        asked = {name: where[name] for name in ("lot_id",) if name in where} or where
        key = ("holds", *sorted(asked.items()))
        found = self.part(key, ("hold",), lambda: holds.active(session, **asked))
        return [
            one
            for one in found
            if all(getattr(one, name) == value for name, value in where.items())
        ]

    def lots_of(self, item_id: int, lot_number: str, serial: str) -> list[Lot]:
        """Return the lots on record that a label may mean; where they lie is read with them."""
        session = self._unit.session

        def read() -> list[Lot]:
            found = catalogue.labelled(session, lot_number, serial, id=item_id)
            return self._keep_lots(found, serial)

        return list(self.part(("lots", item_id, lot_number, serial), ("lot",), read))

    def _keep_lots(self, found: Sequence[Row[Any]], serial: str) -> list[Lot]:
        lots: dict[int, Lot] = {row.Lot.id: row.Lot for row in found if row.Lot is not None}
        self._lots.update({_key_of(lot): lot for lot in lots.values()})
        lying = self._lying
        lying.update({lot_id: [] for lot_id in lots})
        for row in found:
            if row.Location is not None:
                lying[row.Lot.id].append(row)
        for lot_id in lots:
            self._quantities(lot_id)
        exact = [lot for lot in lots.values() if serial and lot.serial == serial]
        return exact or list(lots.values())

    @property
    def _lots(self) -> dict[tuple[int, str, str, str], Lot]:
        return self.part("known lots", ("lot",), dict[tuple[int, str, str, str], Lot])

    def find_lot(self, item_id: int, lot_number: str, serial: str, ownership: str) -> Lot | None:
        """Return a lot by what it is."""
        key = (item_id, lot_number, serial, ownership)
        found = self._lots.get(key) or stock.find_lot(self._unit.session, *key)
        if found is not None:
            self._lots[key] = found
        return found

    def lot_names(self, lot_ids: Sequence[int]) -> list[str]:
        """Name lots by reference and lot or serial, in order of reference."""
        lots = {lot.id: lot for lot in self._lots.values()}
        refs = {item.id: ref for ref, item in self._items.items()}
        known = [lots[key] for key in lot_ids if key in lots and lots[key].item_id in refs]
        if len(known) < len(lot_ids):
            return people.lot_names(self._unit.session, lot_ids)
        named = sorted((refs[lot.item_id], lot.id, lot.lot_number or lot.serial) for lot in known)
        return [f"{ref} {name}" for ref, _, name in named]

    @property
    def _lying(self) -> dict[int, list[Row[Any]]]:
        return self.part("lying", _LYING, dict[int, list[Row[Any]]])

    def lying(self, lot_ids: Iterable[int]) -> list[Row[Any]]:
        """Return where units of these lots lie at any site, how many, and how many are promised."""
        session = self._unit.session
        found = self._of_lots(self._lying, lot_ids, lambda ids: catalogue.lying(session, ids))
        return sorted(found, key=lambda row: (row.store, row.shelf, row.lot_id))

    def lying_here(self, lot_ids: Iterable[int]) -> list[Row[Any]]:
        """Return the same at the site alone."""
        return [row for row in self.lying(lot_ids) if row.Location.site_id == self._unit.site_id]

    def quantity_at(self, lot_id: int, location_id: int) -> int:
        """Return how many units of a lot lie in one place."""
        return self._quantities(lot_id).get(location_id, 0)

    def _quantities(self, lot_id: int) -> Mapping[int, int]:
        """Return how many units of a lot lie where: neither names nor promises change that."""

        def read() -> Mapping[int, int]:
            return {row.location_id: row.quantity for row in self.lying([lot_id])}

        return self.part(("quantities", lot_id), ("balance",), read)

    def packs_on(self, lot_ids: Iterable[int]) -> list[Row[Any]]:
        """Return the packs of these lots on the trays of the site's cases."""
        unit = self._unit
        known = self.part("packs", ("case_pack", *_CASES), dict[int, list[Row[Any]]])
        return self._of_lots(
            known, lot_ids, lambda ids: catalogue.packs_of(unit.session, unit.site_id, ids)
        )

    def holds_on(self, lot_ids: Iterable[int]) -> list[Row[Any]]:
        """Return the holds in force on these lots, with the site's cases that have them."""
        unit = self._unit

        def read(ids: Sequence[int]) -> Sequence[Row[Any]]:
            found = catalogue.holds_on(unit.session, None, ids)
            for lot_id in ids:
                own: list[Hold] = [row.Hold for row in found if row.lot_id == lot_id]
                own.sort(key=lambda hold: hold.id or 0)
                self.part(("holds", ("lot_id", lot_id)), ("hold",), own.copy)
            return found

        known = self.part("holds on", ("hold", *_CASES), dict[int, list[Row[Any]]])
        return [row for row in self._of_lots(known, lot_ids, read) if row.site_id == unit.site_id]

    @staticmethod
    def _of_lots(
        known: dict[int, list[Row[Any]]],
        lot_ids: Iterable[int],
        read: Callable[[Sequence[int]], Sequence[Row[Any]]],
    ) -> list[Row[Any]]:
        """Read what is not known yet of these lots, and return what there is of them."""
        wanted = sorted(set(lot_ids))
        new = [lot_id for lot_id in wanted if lot_id not in known]
        if new:
            rows = read(new)
            known.update({lot_id: [row for row in rows if row.lot_id == lot_id] for lot_id in new})
        return [row for lot_id in wanted for row in known[lot_id]]

    def find_location(self, store: str, shelf: str) -> Location | None:
        """Return a place of the site by its store and shelf."""
        unit = self._unit
        for rows in self._lying.values():
            for row in rows:
                place: Location = row.Location
                if (place.site_id, place.store, place.shelf) == (unit.site_id, store, shelf):
                    return place
        return stock.find_location(unit.session, unit.site_id, store, shelf)

    def recalls_on(self, item_id: int, supplier: str) -> Sequence[Recall]:
        """Return the recalls in force that may concern packs of an item, the oldest first."""
        session = self._unit.session
        key = ("recalls", item_id, supplier)
        return self.part(key, ("recall",), lambda: recalls.active_on(session, item_id, supplier))

    def refuse_late_clock(self) -> None:
        """Refuse to judge or to write by a clock that is behind the ledger; looks at it once."""
        if not self._clock_is_right:
            refuse_late_clock(self._unit.now, stock.newest_at(self._unit.session))
            self._clock_is_right = True

    def used_in(self, case_ids: Iterable[int]) -> Sequence[Row[Any]]:
        """Return the packs implanted in some cases."""
        ids = sorted(set(case_ids))
        session = self._unit.session
        return self.part(
            ("used", *ids),
            ("case_pack", "item", "lot"),
            lambda: trays.used_in(session, ids) if ids else [],
        )

    @property
    def sets_in_theatre(self) -> Sequence[Row[Any]]:
        """Return what the ledger says of the sets of cases in theatre, since each last began."""
        unit = self._unit
        return self.part(
            "sets in theatre",
            ("case_event", "item", "lot", "movement", "surgical_case"),
            lambda: trays.sets_in_theatre(unit.session, unit.site_id),
        )

    def stock_of(self, refs: Collection[str] | None) -> Sequence[Row[Any]]:
        """Return what lies where of some references, or of all."""
        known = self.part("stock", _STOCK, dict[str, list[Row[Any]]])
        every = self.part("whole stock", _STOCK, list[bool])
        if not every:
            new = None if refs is None else sorted(set(refs) - known.keys())
            if new is None or new:
                self._read_stock(known, new)
            if new is None:
                every.append(True)
        if refs is None:
            return [row for ref in sorted(known) for row in known[ref]]
        return [row for ref in sorted(set(refs)) for row in known.get(ref, ())]

    def _read_stock(self, known: dict[str, list[Row[Any]]], refs: Collection[str] | None) -> None:
        unit = self._unit
        if refs is None:
            known.clear()
        else:
            known.update({ref: [] for ref in refs})
        rows = stock.units_lying(unit.session, unit.site_id, refs)
        if rows and not self._clock_is_right:
            # Each row says it, so that no statement is needed; later lines carry our own time.
            refuse_late_clock(unit.now, rows[0].newest_at)
            self._clock_is_right = True
        for row in rows:
            known.setdefault(row.ref, []).append(row)

    @property
    def deliveries(self) -> Sequence[Row[Any]]:
        """What is on its way, the earliest first."""
        unit = self._unit
        return self.part(
            "deliveries", _DUE, lambda: stock.deliveries_due(unit.session, unit.site_id)
        )

    @property
    def in_transit(self) -> Sequence[Row[Any]]:
        """What other sites have sent and nobody has received yet, by transfer."""
        unit = self._unit
        return self.part(
            "in transit",
            (*_STOCK, "transfer"),
            lambda: stock.units_in_transit(unit.session, unit.site_id),
        )

    @property
    def recalled(self) -> Collection[int]:
        """The lots that a recall in force names."""
        session = self._unit.session
        return self.part("recalled", _RECALLED, lambda: recalls.blocked_lot_ids(session))


def _key_of(lot: Lot) -> tuple[int, str, str, str]:
    return lot.item_id, lot.lot_number, lot.serial, lot.ownership


def planner_of(unit: Unit) -> PlannerContext:
    """Return what the planner knows in a unit of work."""
    found = unit.session.info.get("planner")
    if not isinstance(found, PlannerContext):
        found = unit.session.info["planner"] = PlannerContext(unit)
    return found
