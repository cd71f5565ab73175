"""The surgeon's confirmation: bound to what was checked, and reopened when that no longer holds."""

from service.errors import Conflict, Stale
from service.operations.cases import the_case
from service.operations.checks import check_case
from service.operations.lowered import snapshot
from service.operations.schemas.checks import ConfirmationOut
from service.operations.unit import Unit
from service.operations.versions import require_version
from service.storage.tables import Confirmation

__all__ = ["confirm"]


def confirm(unit: Unit, reference: str, revision: int, version: int) -> ConfirmationOut:
    """Confirm the backups of a plan revision as they are checked now.

    What is missing is confirmed as missing: the surgeon has seen it.

    Raises
    ------
    Stale
        When the plan has another revision by now.
    """
    case = the_case(unit, reference)
    require_version(case.version, version, f"Case {reference}")
    check = check_case(unit, reference)
    if check.plan_revision is None or not check.constructs:
        raise Conflict(f"Case {reference} has no plan that can be checked; plan it first.")
    if check.plan_revision != revision:
        raise Stale(
            f"The plan is at revision {check.plan_revision}; you confirm revision {revision}. "
            "Read it again.",
            facts={"current_revision": check.plan_revision},
        )
    row = Confirmation(
        case_id=case.id or 0,
        plan_revision=revision,
        at=unit.now,
        actor=unit.actor,
        checked=snapshot(check),
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
