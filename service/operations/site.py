"""What every page says about the site."""

from datetime import date, datetime, timedelta

from service.errors import Conflict
from service.operations.cover.requirements import check_until
from service.operations.planner import planner_of
from service.operations.work import Unit
from service.schemas.base import Out
from service.storage.queries import cases, people


class SiteOut(Out):
    """The site's name, its date, and whether everything in it is invented."""

    name: str
    timezone: str
    is_demo: bool
    today: date


def site_facts(unit: Unit) -> SiteOut:
    """Return what a page's frame says."""
    site = unit.here
    return SiteOut(name=site.name, timezone=site.timezone, is_demo=site.is_demo, today=unit.today)


def next_list_day(unit: Unit, first: date) -> date | None:
    """Return the first day from a day on that has a list, or ``None``."""
    return cases.next_list_day(unit.session, unit.site_id, first)


#: How far ahead missing stock is counted.
_AHEAD = timedelta(days=7)


def gauges_of(unit: Unit) -> dict[str, tuple[str, float]]:
    """Return each figure with what it means, by its name for a monitor."""
    claims = planner_of(unit).claims
    checks = check_until(unit, unit.today + _AHEAD).values()
    short = {
        (check.case.case, gap.label)
        for check in checks
        for construct in check.constructs
        for gap in construct.gaps
    }
    return {
        "traywright_holds": ("Reservations in force.", float(len(claims))),
        "traywright_short_7_days": (
            "Packs short for cases in the next seven days.",
            float(len(short)),
        ),
    }


#: The operations whose changes at another site are also ours, by what their names begin with after
#: the layer: units that go from site to site, and what all sites share.
SHARED = (
    "transfers.",
    "stock.ask",
    "stock.answer",
    "stock.receive_transfer",
    "recalls.",
    "stock.start_recall",
    "stock.lift_recall",
    "items.",
    "catalogue.",
    "planning.",
    "figures.",
)
#: Signing in and out, as the trail names them: they change nothing that pages show.
UNSEEN = ("people.enter", "people.leave")


class LatestChange(Out):
    """The newest change at a site; version 0 and no time before the first."""

    version: int
    at: datetime | None


def latest_change(unit: Unit) -> LatestChange:
    """Return the newest change that the caller's site could see on its pages.

    Signing in and wrong tries are in the trail, too, and change nothing that pages show.
    """
    found = people.last_change(unit.session, unit.site_id, SHARED, UNSEEN)
    if found is None:
        return LatestChange(version=0, at=None)
    return LatestChange(version=found.seq, at=unit.local(found.at))


def refuse_demo_accounts(unit: Unit) -> None:
    """Refuse to serve a real hospital with the demo's accounts, whose passwords everybody knows.

    Raises
    ------
    Conflict
        When there are demo accounts at a site that is no demo.
    """
    if people.any_demo(unit.session):
        raise Conflict(
            "This database has demo accounts at a site that is not the demo. Start with a new "
            "database."
        )
