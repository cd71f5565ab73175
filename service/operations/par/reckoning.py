"""What levels do on a site's par problem: readiness, cost, and the part of each item in both."""

from collections.abc import Mapping
from dataclasses import replace

import numpy as np

from service.core.par import (
    ParModel,
    ParPlan,
    build_model,
    expected_short,
    expiry_cost,
    level_for,
    plan_par,
)
from service.operations.par.setting import Setting
from service.operations.par.shelf import Kept
from service.operations.schemas.par import ReadinessOut

__all__ = ["Reckoning", "plan_levels", "split_level"]

Levels = Mapping[str, int]
#: Readiness that no money is spent on.
_NEXT_TO_NOTHING = 0.0002


def plan_levels(
    setting: Setting, target: float | None, budget_minor: int | None
) -> tuple[ParPlan, int]:
    """Choose levels for a target or a budget.

    Returns
    -------
    ParPlan, int
        The plan; and which of the setting's minimums it keeps: a budget is spent with the first
        that it pays for, and not beyond what comes within 0.0002 of the best there is.
    """
    number = 0
    if budget_minor is not None:
        ample = float(setting.model.readiness.value(setting.model.tops)) - _NEXT_TO_NOTHING
        enough = _plan(setting, 0, max(0.0, ample), None)
        if enough.cost_minor <= budget_minor:
            return enough, 0
        kept = {one.name: one for one in setting.shelf.kept}
        costs = [
            sum(level * kept[name].unit_price_minor for name, level in floors.items())
            for floors in setting.minimums
        ]
        number = next(place for place, cost in enumerate(costs) if cost <= budget_minor)
    return _plan(setting, number, target, budget_minor), number


def _plan(
    setting: Setting, minimums: int, target: float | None, budget_minor: int | None
) -> ParPlan:
    floors = setting.minimums[minimums]
    items = tuple(replace(item, minimum=floors[item.item]) for item in setting.problem.items)
    asked = replace(
        setting.problem, items=items, target_readiness=target, budget_minor=budget_minor
    )
    return plan_par(asked, setting.terms)


def split_level(kept: Kept, level: int) -> dict[str, int]:
    """Share an item's level out among the references that stand for each other.

    What is kept today stays; more is kept of the one used most, less of the one used least.
    """
    levels = dict(kept.today)
    over = sum(levels.values()) - level
    if over <= 0:
        levels[kept.refs[0]] -= over
        return levels
    for ref in reversed(kept.refs):
        less = min(over, levels[ref])
        levels[ref] -= less
        over -= less
    return levels


class Reckoning:
    """Evaluates levels, by the name of the item in the case mix.

    Parameters
    ----------
    setting
        The site's par problem.
    """

    def __init__(self, setting: Setting) -> None:
        self.setting = setting
        low, high = (
            build_model(replace(setting.problem, arrivals_per_day=rate), setting.terms)
            for rate in setting.arrivals_bounds
        )
        # More cases a day leave less on the shelf.
        self._bounds = (high, low)

    def readiness(self, levels: Levels) -> float:
        """Give the chance that the next case finds what it needs."""
        return _value(self.setting.model, levels)

    def told(self, levels: Levels) -> ReadinessOut:
        """Give readiness with its bounds, the part of first choices, and cost."""
        model = self.setting.model
        lower, upper = (_value(bound, levels) for bound in self._bounds)
        return ReadinessOut(
            value=self.readiness(levels),
            lower=lower,
            upper=upper,
            first_choice=float(model.first_choice.value(_array(model, levels))),
            cost_minor=self.cost_minor(levels),
        )

    def cost_minor(self, levels: Levels) -> int:
        """Give the price of the levels with what is expected to expire of them."""
        return sum(self._cost_minor(kept, levels[kept.name]) for kept in self.setting.shelf.kept)

    def _cost_minor(self, kept: Kept, level: int) -> int:
        price = level * kept.unit_price_minor
        if kept.shelf_life_days is None:
            return price
        rate = self.per_case(kept.name) * self.setting.arrivals_per_day
        return price + round(expiry_cost(level, rate, kept.shelf_life_days, kept.unit_price_minor))

    def per_case(self, name: str) -> float:
        """Give the units of an item a case takes on average."""
        return sum(units * chance for units, chance in self.setting.demands[name].items())

    def short(self, kept: Kept, level: int) -> float:
        """Give by how many units the shelf is short of an item on average."""
        return expected_short(self._on_order(kept), self.setting.demands[kept.name], level)

    def alone(self, kept: Kept, chance: float) -> int | None:
        """Give the level at which an item by itself is there with a chance."""
        if not self.setting.demands[kept.name]:
            return 0
        return level_for(self._on_order(kept), self.setting.demands[kept.name], chance)

    def _on_order(self, kept: Kept) -> float:
        return self.setting.arrivals_per_day * kept.lead_time_days

    def left_as(self, levels: Levels, name: str, level: int) -> float:
        """Give the readiness with one item kept at another level."""
        return self.readiness({**levels, name: level})


def _array(model: ParModel, levels: Levels) -> "np.ndarray[tuple[int], np.dtype[np.int64]]":
    """Give levels in the order of a model; what is beyond its tops adds nothing."""
    asked = np.array([levels[name] for name in model.names], dtype=np.int64)
    return np.minimum(asked, model.tops)


def _value(model: ParModel, levels: Levels) -> float:
    return min(1.0, max(0.0, float(model.readiness.value(_array(model, levels)))))
