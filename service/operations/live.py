"""What was the last change at a site: the audit trail's newest line is the version of everything.

Every change leaves one line in the trail, so one number tells whether a page may be out of date.
"""

from datetime import datetime

from service.operations.schemas.base import Out
from service.operations.unit import Unit
from service.storage.queries import audit

__all__ = ["ChangeOut", "latest_change"]

#: Areas whose changes at another site are also ours: units between sites, and what all sites share.
SHARED = ("transfers.", "recalls.", "items.", "planning.", "figures.")


class ChangeOut(Out):
    """The newest change at a site; version 0 and no time before the first."""

    version: int
    at: datetime | None


def latest_change(unit: Unit) -> ChangeOut:
    """Give the newest change that the caller's site could see on its pages.

    Signing in and wrong tries are in the trail, too, and change nothing that pages show.
    """
    found = audit.last_change(unit.session, unit.site_id, SHARED)
    if found is None:
        return ChangeOut(version=0, at=None)
    return ChangeOut(version=found.seq, at=unit.local(found.at))
