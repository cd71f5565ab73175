"""The lines of a proposal: today, proposed, and why, item by item."""

from collections import Counter, defaultdict
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Any

from service.core.constructs import Template
from service.operations.demand import DAYS_PER_YEAR, rate_per_year
from service.operations.par.mix import Mix
from service.operations.par.reckoning import Reckoning, split_level
from service.operations.par.setting import Setting, items_of
from service.operations.par.shelf import Kept
from service.operations.plans import construct_name
from service.operations.schemas.par import ConstructUse, OnShelf, WhyOut

__all__ = ["Chosen", "Line", "make_lines"]

_MOST_NAMED = 6


@dataclass(frozen=True, slots=True)
class Line:
    """One item of a proposal, before it is stored."""

    ref: str
    today: int
    proposed: int
    why: WhyOut


@dataclass(frozen=True, slots=True)
class Chosen:
    """The levels a proposal comes to.

    Parameters
    ----------
    levels
        By the name of the item in the case mix.
    minimums
        The floors they were chosen above.
    chance
        The readiness asked for, or reached, that an item by itself is compared with.
    """

    levels: Mapping[str, int]
    minimums: Mapping[str, int]
    chance: float


@dataclass(frozen=True, slots=True)
class _Asked:
    """Who takes an item: constructs with how many plans, which of them first, and kinds."""

    constructs: Mapping[str, int]
    firsts: frozenset[str]
    kinds: tuple[str, ...]


def make_lines(
    setting: Setting, reckoning: Reckoning, chosen: Chosen, templates: Mapping[str, Template]
) -> list[Line]:
    """Write a line for every reference whose level is judged."""
    takers = _takers(setting.mix)
    ready = reckoning.readiness(chosen.levels)
    lines: list[Line] = []
    for kept in setting.shelf.kept:
        common = _common(setting, reckoning, kept, chosen)
        common["readiness_added"] = ready - common["readiness_if_left_as_today"]
        common |= _taken_by(takers[kept.name], templates)
        lines += _lines_of(setting, kept, chosen.levels[kept.name], common)
    return lines


def _taken_by(takers: _Asked, templates: Mapping[str, Template]) -> dict[str, Any]:
    constructs = [
        ConstructUse(
            planned=planned,
            name=construct_name(planned, templates),
            first_choice=planned in takers.firsts,
            plans=count,
        )
        for planned, count in takers.constructs.items()
    ]
    return {"constructs": constructs, "kinds": list(takers.kinds)}


def _common(setting: Setting, reckoning: Reckoning, kept: Kept, chosen: Chosen) -> dict[str, Any]:
    """Give what the references that stand for each other have in common."""
    level = chosen.levels[kept.name]
    per_day = reckoning.per_case(kept.name) * setting.arrivals_per_day
    return {
        "expected_per_year": per_day * DAYS_PER_YEAR,
        "lead_time_days": kept.lead_time_days,
        "unit_price_minor": kept.unit_price_minor,
        "shelf_life_days": kept.shelf_life_days,
        "minimum": chosen.minimums[kept.name],
        "alone": reckoning.alone(kept, chosen.chance),
        "expected_short_today": reckoning.short(kept, kept.level_today),
        "expected_short_proposed": reckoning.short(kept, level),
        "readiness_if_left_as_today": reckoning.left_as(chosen.levels, kept.name, kept.level_today),
    }


def _lines_of(
    setting: Setting, kept: Kept, level: int, common: Mapping[str, Any]
) -> Iterator[Line]:
    split = split_level(kept, level)
    for ref in kept.refs:
        one = setting.seen.items.get(ref)
        own = {
            "used": 0 if one is None else one.used,
            "wasted": 0 if one is None else one.wasted,
            "per_year": None if one is None else rate_per_year(one.rate),
            "stands_with": [other for other in kept.refs if other != ref],
            "on_shelf": setting.shelf.on_shelf.get(ref, OnShelf(owned=0, consigned=0)),
            "today_from": "level set" if ref in setting.shelf.levels else "units on the shelf",
        }
        why = WhyOut.model_validate({**common, **own, "says": ""})
        today, wanted = kept.today[ref], split[ref]
        says = _says(why, wanted - today)
        yield Line(ref, today, wanted, why.model_copy(update={"says": says}))


def _says(why: WhyOut, change: int) -> str:
    """Say in a line what makes the level."""
    use = f"The cases take about {why.expected_per_year:.1f} a year"
    if why.per_year is not None:
        rate = why.per_year
        use += f" (used: {rate.mean:.1f}, between {rate.lower:.1f} and {rate.upper:.1f})"
    words = [f"{use}; it takes {why.lead_time_days} days to come."]
    if change:
        more = f"{abs(change)} {'more' if change > 0 else 'fewer'}"
        words.append(
            f"With {more}, readiness is {why.readiness_added:+.4f} of what it is without."
            if abs(why.readiness_added) >= 0.00005  # noqa: PLR2004 - less rounds to nothing
            else f"{more.capitalize()} changes readiness by less than 0.0001."
        )
    if not any(use.first_choice for use in why.constructs):
        words.append("Only alternates take it.")
    return " ".join(words)


def _takers(mix: Mix) -> dict[str, _Asked]:
    """Give, for each item, the constructs and kinds of case that may take it."""
    constructs: dict[str, Counter[str]] = defaultdict(Counter)
    firsts: dict[str, set[str]] = defaultdict(set)
    kinds: dict[str, set[str]] = defaultdict(set)
    for _, case in mix.entries:
        chosen = {need["constructs"][0] for need in case["needs"] if need["constructs"]}
        for construct in case["constructs"]:
            planned = str(construct["construct"])
            for name in items_of({"constructs": [construct]}):
                constructs[name][planned] += 1
                kinds[name].add(mix.kind_of[case["case"]])
                if planned in chosen:
                    firsts[name].add(planned)
    return {
        name: _Asked(
            dict(counts.most_common(_MOST_NAMED)),
            frozenset(firsts[name]),
            tuple(sorted(kinds[name])),
        )
        for name, counts in constructs.items()
    }
