"""What every page says about the site."""

from datetime import date

from service.operations.schemas.base import Out
from service.operations.unit import Unit
from service.storage.queries import cases

__all__ = ["SiteOut", "next_list_day", "site_facts"]


class SiteOut(Out):
    """The site's name, its date, and whether everything in it is invented."""

    name: str
    timezone: str
    is_demo: bool
    today: date


def site_facts(unit: Unit) -> SiteOut:
    """Give what a page's frame says."""
    site = unit.here
    return SiteOut(name=site.name, timezone=site.timezone, is_demo=site.is_demo, today=unit.today)


def next_list_day(unit: Unit, first: date) -> date | None:
    """Give the first day from a day on that has a list, or ``None``."""
    return cases.next_list_day(unit.session, unit.site_id, first)
