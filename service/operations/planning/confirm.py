"""The surgeon's confirmation: bound to what was checked, and reopened when that no longer holds."""

from service.errors import Conflict, Stale
from service.operations.cases.confirmation import confirmed_snapshot
from service.operations.cases.lookup import require_case
from service.operations.cover.check import check_case
from service.operations.holds.holds import hold_lacking
from service.operations.work import Unit, require_version
from service.schemas.cover import ConfirmationOut
from service.storage.tables import Confirmation


def confirm_plan_backups(
    unit: Unit, reference: str, revision: int, version: int
) -> ConfirmationOut:
    """Confirm the backups of a plan revision as they are checked now.

    What is missing is confirmed as missing: the surgeon has seen it.

    Raises
    ------
    Stale
        When the plan has another revision by now.
    """
    case = require_case(unit, reference)
    require_version(case.version, version, f"Case {reference}")
    # What turned up since the plan was made is reserved first: nobody takes what was confirmed.
    hold_lacking(unit, [reference], "confirmed")
    check = check_case(unit, reference)
    if check.plan_revision is None or not check.constructs:
        raise Conflict(f"Case {reference} has no plan that can be checked. Plan it first.")
    if check.plan_revision != revision:
        raise Stale(
            f"The plan is at revision {check.plan_revision}; you are confirming revision "
            f"{revision}. Load it again.",
            facts={"current_revision": check.plan_revision},
        )
    row = Confirmation(
        case_id=case.id or 0,
        plan_revision=revision,
        at=unit.now,
        actor=unit.actor,
        checked=confirmed_snapshot(unit, check),
    )
    unit.session.add(row)
    case.version += 1
    unit.session.flush()
    return ConfirmationOut(
        plan_revision=revision,
        at=unit.local(unit.now),
        actor=unit.actor,
        in_force=True,
        changed=[],
    )
