"""Par levels and proposals as the pages show them: by family, with what is below and why."""

from collections import Counter
from collections.abc import Iterable, Mapping
from decimal import Decimal

from service.core.catalogue import ItemFacts, describe_size
from service.errors import BadInput, Conflict, FieldFault
from service.exchange.sheets.cells import CellProblem
from service.exchange.sheets.money import amount_text, minor_units, price
from service.operations.catalogue import require_item
from service.operations.demand import demand
from service.operations.orders.draft import draft_orders
from service.operations.par.basis import on_shelf
from service.operations.par.levels import below_par, list_levels
from service.operations.par.proposal import get_proposal
from service.operations.work import Unit
from service.schemas.orders import DraftBody, DraftLine, Orders
from service.schemas.par import (
    FamilyLevels,
    FamilyLines,
    ItemLevel,
    LevelOut,
    LevelsView,
    OneLevelView,
    OnShelf,
    ProposalLineOut,
    ProposalView,
    ViewedLine,
)
from service.storage.queries import catalogue
from service.storage.queries import par as queries

#: Kind and system.
Family = tuple[str, str | None]


_NOTHING = OnShelf(owned=0, consigned=0)


def view_levels(unit: Unit) -> LevelsView:
    """Return every catalogue line with its level and what counts towards it, by family.

    Lines without a level are listed, too: today's stock counts for them. Instrument sets come
    back and have no level.
    """
    items = _items(unit)
    return LevelsView(
        day=unit.today,
        currency=_usual_currency(unit),
        levels=items,
        below=[one for one in items if one.level is not None and one.level.missing],
        families=_level_families(items),
    )


def view_level(unit: Unit, ref: str) -> OneLevelView:
    """Return one item with its level and its demand.

    Raises
    ------
    NotFound
        When the catalogue has no such item.
    """
    item = require_item(unit, ref)
    found = demand(unit, item.kind, item.system)
    own = next(one for one in found.items if one.ref == item.ref)
    sizes = own.share.of if own.share else None
    family = [one for one in found.items if one.share is not None and one.share.of == sizes]
    return OneLevelView(
        item=next(one for one in _items(unit) if one.ref == item.ref),
        demand=own,
        family=family,
        watched=found.watched,
        notes=found.notes,
    )


def view_proposal(unit: Unit, key: int) -> ProposalView:
    """Return a proposal with the family of every line, and what has been settled since.

    Raises
    ------
    NotFound
        When the site has no such proposal.
    """
    proposal = get_proposal(unit, key)
    facts = {one.ref: one for one in catalogue.all_facts(unit.session)}
    now = {ref: row.level for ref, row in queries.levels_of(unit.session, unit.site_id).items()}
    lines = [_viewed(line, facts[line.ref], now.get(line.ref)) for line in proposal.lines]
    lines.sort(key=_line_order)
    undecided = sum(line.decision == "open" for line in lines)
    return ProposalView(
        proposal=proposal,
        lines=lines,
        families=_line_families(lines),
        undecided=undecided,
        decided=len(lines) - undecided,
        overtaken=sum(line.decision == "open" and line.settled != "" for line in lines),
    )


def draft_missing(unit: Unit, refs: Iterable[str]) -> Orders:
    """Put what these items are below their level on drafts, with why.

    Raises
    ------
    Conflict
        When none of them is below its level any more.
    """
    wanted = set(refs)
    lines = [
        DraftLine(ref=one.ref, quantity=one.quantity, why=[one.why])
        for one in below_par(unit)
        if one.ref in wanted
    ]
    if not lines:
        raise Conflict("None of these is below par any more. Nothing was ordered.")
    return draft_orders(unit, DraftBody(lines=lines))


def budget_minor(amount: str, currency: str) -> int:
    """Read a budget typed in whole units of the currency.

    Raises
    ------
    BadInput
        When it is no amount of money.
    """
    found = price(amount)
    if isinstance(found, Decimal):
        found = minor_units(found, currency)
    if isinstance(found, int):
        return found
    reason = found.reason if isinstance(found, CellProblem) else "not an amount, such as 1234.50"
    raise BadInput("Nothing was calculated.", faults=[FieldFault("/budget", reason)])


def whole_units(minor: int, currency: str) -> float:
    """Return an amount in whole units of its currency, for drawing.

    Examples
    --------
    >>> whole_units(123450, "EUR"), whole_units(900, "JPY")
    (1234.5, 900.0)
    """
    return float(amount_text(minor, currency))


def _items(unit: Unit) -> list[ItemLevel]:
    levels = {one.ref: one for one in list_levels(unit, below_only=False).levels}
    here, ordered = on_shelf(unit), queries.on_order(unit.session, unit.site_id)
    found = [
        _item(one, levels.get(one.ref), here.get(one.ref, _NOTHING), ordered.get(one.ref, 0))
        for one in catalogue.all_facts(unit.session)
        if not one.reusable or one.ref in levels
    ]
    return sorted(found, key=lambda one: (*_family_order((one.kind, one.system)), one.ref))


def _item(facts: ItemFacts, level: LevelOut | None, here: OnShelf, ordered: int) -> ItemLevel:
    return ItemLevel(
        ref=facts.ref,
        kind=facts.kind,
        system=facts.system,
        description=facts.description,
        size=describe_size(facts),
        level=level,
        on_shelf=here,
        on_order=ordered,
    )


def _usual_currency(unit: Unit) -> str:
    """Return the currency most of the catalogue is priced in; the first by name among equals."""
    facts = queries.supply_facts(unit.session).values()
    counts = Counter(row.currency for row in facts if row.currency)
    return min(counts, key=lambda one: (-counts[one], one), default="")


def _family_order(family: Family) -> tuple[bool, str, str]:
    kind, system = family
    return system is None, system or "", kind


def _level_families(items: Iterable[ItemLevel]) -> list[FamilyLevels]:
    found: dict[Family, FamilyLevels] = {}
    for one in items:
        family = found.setdefault(
            (one.kind, one.system),
            FamilyLevels(
                kind=one.kind, system=one.system, items=0, with_level=0, below=0, units_missing=0
            ),
        )
        family.items += 1
        if one.level is not None:
            family.with_level += 1
            family.below += one.level.missing > 0
            family.units_missing += one.level.missing
    return list(found.values())


def _viewed(line: ProposalLineOut, facts: ItemFacts, now: int | None) -> ViewedLine:
    change = line.proposed - line.today
    return ViewedLine.model_validate(
        {
            **line.model_dump(),
            "kind": facts.kind,
            "system": facts.system,
            "size": describe_size(facts),
            "level_now": now,
            "settled": _settled(line, now),
            "change": change,
            "change_minor": change * line.why.unit_price_minor,
        }
    )


def _settled(line: ProposalLineOut, now: int | None) -> str:
    if line.decision != "open":
        return line.decision
    return f"level now {now}" if now is not None and now != line.today else ""


def _line_order(line: ViewedLine) -> tuple[bool, str, str, str]:
    return *_family_order((line.kind, line.system)), line.ref


def _line_families(lines: Iterable[ViewedLine]) -> list[FamilyLines]:
    groups: dict[Family, list[ViewedLine]] = {}
    for line in lines:
        groups.setdefault((line.kind, line.system), []).append(line)
    return [_sums(family, own) for family, own in groups.items()]


def _sums(family: Family, own: list[ViewedLine]) -> FamilyLines:
    totals: Mapping[str, int] = {
        "undecided": sum(line.decision == "open" for line in own),
        "today": sum(line.today for line in own),
        "proposed": sum(line.proposed for line in own),
        "change_minor": sum(line.change_minor for line in own),
    }
    kind, system = family
    return FamilyLines.model_validate({"kind": kind, "system": system, "lines": len(own), **totals})
