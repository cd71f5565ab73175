"""Turns a par problem of plain dicts and lists into frozen values, or names each of its faults."""

import math
from collections.abc import Mapping

from service.core.par.fields import Fields, step_into
from service.core.par.problem import (
    CaseType,
    MixEntry,
    ParConstruct,
    ParError,
    ParItem,
    ParNeed,
    ParProblem,
    ParTake,
    ParTooLarge,
)

MAX_ITEMS = 2_000


MAX_CASE_TYPES = 2_000


MAX_FACTORS = 24


MAX_CONSTRUCTS_PER_NEED = 8


MAX_QUANTITY = 1_000


MAX_LEVEL = 1_000


MAX_UNITS = 20_000


MAX_MONEY_MINOR = 10**15


MAX_DAYS = 3_650.0


MAX_ARRIVALS_PER_DAY = 1_000.0


ASKS = ("levels", "target_readiness", "budget")


def read_par_problem(raw: object) -> ParProblem:
    """Read a par problem.

    Parameters
    ----------
    raw
        The problem as plain values: ``arrivals_per_day``, ``case_mix`` (``weight`` and ``case``),
        ``items`` (``item``, ``unit_cost``, ``lead_time_days``, and if wished ``minimum`` and
        ``shelf_life_days``) and one of ``levels``, ``target_readiness`` and ``budget``. Weights
        are relative; a case's ``starts`` and ``ends`` are allowed and play no part.

    Returns
    -------
    ParProblem
        The problem as frozen values.

    Raises
    ------
    ParError
        With every fault found, each with its JSON pointer.
    ParTooLarge
        When a list is longer than its stated limit.

    Examples
    --------
    >>> try:
    ...     read_par_problem({"arrivals_per_day": 1, "case_mix": [], "items": [], "budget": -1})
    ... except ParError as error:
    ...     print(error.faults[0][0], error.faults[1][0])
    /case_mix /budget
    """
    fields = Fields()
    members = fields.members(raw, "", ("arrivals_per_day", "case_mix", "items"), ASKS)
    _check_sizes(members)
    mix = tuple(
        _mix_entry(fields, entry, pointer)
        for pointer, entry in fields.listed(members.get("case_mix", []), "/case_mix")
    )
    if "case_mix" in members and math.fsum(entry.weight for entry in mix) <= 0.0:
        fields.fault("/case_mix", "At least one case with a positive weight is needed.")
    items = _items(fields, members.get("items", []))
    arrivals = fields.number(
        members.get("arrivals_per_day", 0), "/arrivals_per_day", high=MAX_ARRIVALS_PER_DAY
    )
    levels, target, budget = _ask(fields, members, items)
    if fields.faults:
        raise ParError(fields.faults)
    return ParProblem(arrivals, mix, items, levels, target, budget)


def _check_sizes(members: Mapping[str, object]) -> None:
    for name, limit in (("items", MAX_ITEMS), ("case_mix", MAX_CASE_TYPES)):
        listed = members.get(name)
        if isinstance(listed, list | tuple) and len(listed) > limit:
            raise ParTooLarge([(f"/{name}", f"At most {limit} are taken; here are {len(listed)}.")])


def _items(fields: Fields, raw: object) -> tuple[ParItem, ...]:
    listed = fields.listed(raw, "/items")
    items = tuple(_item(fields, entry, pointer) for pointer, entry in listed)
    fields.names(
        [
            (step_into(pointer, "item"), item.item)
            for (pointer, _), item in zip(listed, items, strict=True)
        ]
    )
    return items


def _item(fields: Fields, raw: object, pointer: str) -> ParItem:
    members = fields.members(
        raw, pointer, ("item", "unit_cost", "lead_time_days"), ("minimum", "shelf_life_days")
    )
    shelf_life = members.get("shelf_life_days")
    return ParItem(
        fields.text(members.get("item", "?"), step_into(pointer, "item")),
        fields.whole(
            members.get("unit_cost", 0), step_into(pointer, "unit_cost"), high=MAX_MONEY_MINOR
        ),
        fields.number(
            members.get("lead_time_days", 0), step_into(pointer, "lead_time_days"), high=MAX_DAYS
        ),
        fields.whole(members.get("minimum", 0), step_into(pointer, "minimum"), high=MAX_LEVEL),
        None
        if shelf_life is None
        else fields.number(shelf_life, step_into(pointer, "shelf_life_days"), high=10 * MAX_DAYS),
    )


def _ask(
    fields: Fields, members: Mapping[str, object], items: tuple[ParItem, ...]
) -> tuple[Mapping[str, int] | None, float | None, int | None]:
    asked = [name for name in ASKS if members.get(name) is not None]
    if len(asked) != 1:
        fields.fault("", "Give exactly one of levels, target_readiness and budget.")
        return None, None, None
    value = members[asked[0]]
    if asked[0] == "levels":
        return _levels(fields, value, items), None, None
    if asked[0] == "budget":
        return None, None, fields.whole(value, "/budget", high=MAX_MONEY_MINOR)
    return None, fields.number(value, "/target_readiness", high=1.0), None


def _levels(fields: Fields, raw: object, items: tuple[ParItem, ...]) -> Mapping[str, int]:
    known = {item.item for item in items}
    if not isinstance(raw, Mapping):
        fields.fault("/levels", "This must be an object.")
        return {}
    for name in raw:
        if name not in known:
            fields.fault(step_into("/levels", str(name)), "No such item is listed under items.")
    levels = {
        str(name): fields.whole(level, step_into("/levels", str(name)), high=MAX_LEVEL)
        for name, level in raw.items()
    }
    if sum(levels.values()) > MAX_UNITS:
        raise ParTooLarge([("/levels", f"At most {MAX_UNITS} units in all are taken.")])
    return levels


def _mix_entry(fields: Fields, raw: object, pointer: str) -> MixEntry:
    members = fields.members(raw, pointer, ("weight", "case"))
    weight = fields.number(members.get("weight", 0), step_into(pointer, "weight"), high=1e12)
    case = members.get("case")
    if case is None:
        if "case" in members:
            fields.fault(step_into(pointer, "case"), "This must be an object.")
        return MixEntry(weight, CaseType("", (), (), ()))
    return MixEntry(weight, _case(fields, case, step_into(pointer, "case")))


def _case(fields: Fields, raw: object, pointer: str) -> CaseType:
    optional = ("case", "factors", "starts", "ends")
    members = fields.members(raw, pointer, ("needs", "constructs"), optional)
    name = fields.text(members.get("case", "?"), step_into(pointer, "case"))
    factor_names, factors = _par_factors(fields, members.get("factors", []), f"{pointer}/factors")
    sizes = [len(factor) for factor in factors]
    listed = fields.listed(members.get("constructs", []), f"{pointer}/constructs")
    constructs = tuple(
        _construct(fields, entry, where, factor_names, sizes) for where, entry in listed
    )
    named = [
        (step_into(where, "construct"), construct.name)
        for (where, _), construct in zip(listed, constructs, strict=True)
    ]
    needs = _par_needs(fields, members.get("needs", []), f"{pointer}/needs", fields.names(named))
    return CaseType(name, factors, needs, constructs)


def _par_factors(
    fields: Fields, raw: object, pointer: str
) -> tuple[dict[str, int], tuple[tuple[float, ...], ...]]:
    listed = fields.listed(raw, pointer)
    if len(listed) > MAX_FACTORS:
        raise ParTooLarge([(pointer, f"At most {MAX_FACTORS} factors a case are taken.")])
    names: list[tuple[str, str]] = []
    factors: list[tuple[float, ...]] = []
    for where, entry in listed:
        members = fields.members(entry, where, ("name", "probabilities"))
        named_at = step_into(where, "name")
        names.append((named_at, fields.text(members.get("name", "?"), named_at)))
        chances_at = step_into(where, "probabilities")
        chances = tuple(
            fields.number(chance, at, high=1.0)
            for at, chance in fields.listed(members.get("probabilities", [1.0]), chances_at)
        )
        fields.sums_to_one(chances, chances_at)
        factors.append(chances)
    return fields.names(names), tuple(factors)


def _par_needs(
    fields: Fields, raw: object, pointer: str, constructs: Mapping[str, int]
) -> tuple[ParNeed, ...]:
    listed = fields.listed(raw, pointer)
    needs = tuple(_need(fields, entry, where, constructs) for where, entry in listed)
    fields.names(
        [
            (step_into(where, "need"), need.name)
            for (where, _), need in zip(listed, needs, strict=True)
        ]
    )
    fields.sums_to_one([need.probability for need in needs], pointer)
    return needs


def _need(fields: Fields, raw: object, pointer: str, constructs: Mapping[str, int]) -> ParNeed:
    members = fields.members(raw, pointer, ("need", "probability", "constructs"))
    chosen: list[int] = []
    listed = fields.listed(members.get("constructs", []), step_into(pointer, "constructs"))
    if len(listed) > MAX_CONSTRUCTS_PER_NEED:
        limit = f"At most {MAX_CONSTRUCTS_PER_NEED} constructs a need are taken."
        raise ParTooLarge([(step_into(pointer, "constructs"), limit)])
    for where, entry in listed:
        name = fields.text(entry, where)
        if name and name not in constructs:
            fields.fault(where, f"The case has no construct of the name {name!r}.")
        elif name:
            chosen.append(constructs[name])
    return ParNeed(
        fields.text(members.get("need", "?"), step_into(pointer, "need")),
        fields.number(members.get("probability", 0), step_into(pointer, "probability"), high=1.0),
        tuple(chosen),
    )


def _construct(
    fields: Fields, raw: object, pointer: str, factors: Mapping[str, int], sizes: list[int]
) -> ParConstruct:
    members = fields.members(raw, pointer, ("construct", "takes"))
    takes = tuple(
        _par_take(fields, entry, where, factors, sizes)
        for where, entry in fields.listed(members.get("takes", []), step_into(pointer, "takes"))
    )
    name = fields.text(members.get("construct", "?"), step_into(pointer, "construct"))
    return ParConstruct(name, takes)


def _par_take(
    fields: Fields, raw: object, pointer: str, factors: Mapping[str, int], sizes: list[int]
) -> ParTake:
    members = fields.members(raw, pointer, ("items",), ("factors",))
    listed = fields.listed(members.get("factors", []), step_into(pointer, "factors"))
    names = [(where, fields.text(entry, where)) for where, entry in listed]
    fields.names(names)
    unknown = [(where, name) for where, name in names if name and name not in factors]
    for where, name in unknown:
        fields.fault(where, f"The case has no factor of the name {name!r}.")
    positions = tuple(factors[name] for _, name in names if name in factors)
    entries = fields.listed(members.get("items", []), step_into(pointer, "items"))
    expected = math.prod(sizes[position] for position in positions)
    if "items" in members and not unknown and len(entries) != expected:
        sentence = f"The factors have {expected} joint outcomes; here are {len(entries)} entries."
        fields.fault(step_into(pointer, "items"), sentence)
    return ParTake(positions, tuple(_outcome(fields, entry, where) for where, entry in entries))


def _outcome(fields: Fields, raw: object, pointer: str) -> Mapping[str, int] | None:
    if raw is None:
        return None
    if not isinstance(raw, Mapping):
        fields.fault(pointer, "This must be an object of quantities, or null for not made.")
        return None
    quantities = {
        fields.text(name, pointer): fields.whole(
            quantity, step_into(pointer, str(name)), high=MAX_QUANTITY
        )
        for name, quantity in raw.items()
    }
    return {name: quantity for name, quantity in quantities.items() if quantity}
