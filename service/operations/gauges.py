"""Figures a monitor watches: what is promised, and what the coming week lacks."""

from datetime import timedelta

from service.operations.planner import planner_of
from service.operations.preparing import check_until
from service.operations.unit import Unit

__all__ = ["gauges_of"]

#: How far ahead missing stock is counted.
_AHEAD = timedelta(days=7)


def gauges_of(unit: Unit) -> dict[str, tuple[str, float]]:
    """Give each figure with what it means, by its name for a monitor."""
    claims = planner_of(unit).claims
    checks = check_until(unit, unit.today + _AHEAD).values()
    short = {
        (check.case.case, gap.label)
        for check in checks
        for construct in check.constructs
        for gap in construct.gaps
    }
    return {
        "traywright_holds": ("Holds in force.", float(len(claims))),
        "traywright_short_7_days": (
            "Packs missing for cases of the next seven days.",
            float(len(short)),
        ),
    }
