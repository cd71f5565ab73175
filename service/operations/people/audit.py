"""The audit trail: who did what, when, from where, in a chain that shows a changed line."""

import hashlib
import json
from collections.abc import Mapping
from datetime import datetime
from typing import Any

from service.operations.planner import planner_of
from service.operations.work import Caller, Unit
from service.schemas.base import Out
from service.storage.queries import people
from service.storage.tables import AuditLine

#: What the first line of a chain follows.
BEGINNING = "0" * 64


class AuditLineOut(Out):
    """A line of the trail."""

    seq: int
    at: datetime
    actor: str
    operation: str
    subject: str
    address: str
    outcome: str
    facts: dict[str, Any]


class AuditList(Out):
    """Some lines of the trail, the newest first."""

    lines: list[AuditLineOut]


def note(unit: Unit, caller: Caller, outcome: str, facts: Mapping[str, Any]) -> None:
    """Add a line to the trail, in the transaction of what it tells."""
    previous = people.last_digest(unit.session) or BEGINNING
    line = AuditLine(
        at=unit.now,
        site_id=caller.site_id,
        actor=caller.name,
        operation=caller.operation,
        subject=caller.subject,
        address=caller.address,
        outcome=outcome,
        facts=dict(facts),
        previous=previous,
        digest="",
    )
    line.digest = digest_of(line)
    unit.session.add(line)
    unit.session.info["noted"] = True


def trail(unit: Unit, caller: Caller) -> None:
    """Write the line of a change at its end, unless it has its own or was done before."""
    info = unit.session.info
    if not info.get("replayed") and not info.get("noted"):
        note(unit, caller, "done", touched(unit))


#: Lots, or cases, named in one line of the trail; more are counted.
_MOST_NAMED = 50


def touched(unit: Unit) -> dict[str, Any]:
    """Say which lots, cases and codes this transaction is about, and what of them it puts right."""
    keys = sorted(unit.session.info.get("posted_lots", ()))
    names = sorted(unit.session.info.get("cases", ()))
    codes = sorted(unit.session.info.get("codes", ()))
    found: dict[str, Any] = {"codes": codes} if codes else {}
    if corrected := unit.session.info.get("corrected"):
        found["corrected"] = list(corrected)
    if len(keys) > _MOST_NAMED:
        found["lots_counted"] = len(keys)
    elif keys:
        found["lots"] = planner_of(unit).lot_names(keys)
    if len(names) > _MOST_NAMED:
        found["cases_counted"] = len(names)
    elif names:
        found["cases"] = names
    return found


def digest_of(line: AuditLine) -> str:
    """Return the digest of a line: SHA-256 over the digest before it and everything it says."""
    said = [
        line.previous,
        line.at.isoformat(),
        line.site_id,
        line.actor,
        line.operation,
        line.subject,
        line.address,
        line.outcome,
        line.facts,
    ]
    text = json.dumps(said, sort_keys=True, ensure_ascii=True, separators=(",", ":"))
    return hashlib.sha256(text.encode()).hexdigest()


def broken_link(unit: Unit) -> str | None:
    """Walk the chain and name the first line that was changed, removed or put in; or ``None``."""
    previous = BEGINNING
    for line in people.in_order(unit.session):
        if line.previous != previous:
            return f"audit line {line.seq} does not follow the line before it"
        if digest_of(line) != line.digest:
            return f"audit line {line.seq} was changed after it was written"
        previous = line.digest
    return None


def list_audit(
    unit: Unit, *, person: str, case: str, lot: str, before: int | None, limit: int
) -> AuditList:
    """Return lines of the site's trail, the newest first, filtered by person, case or lot."""
    rows = people.page(
        unit.session,
        site_id=unit.site_id,
        person=person,
        texts=[text for text in (case, lot) if text],
        before=before,
        limit=limit,
    )
    return AuditList(
        lines=[
            AuditLineOut.model_validate({**row.model_dump(), "at": unit.local(row.at)})
            for row in rows
        ]
    )
