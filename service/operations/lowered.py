"""Whether a confirmation still holds, or a construct has less cover than was confirmed."""

from collections.abc import Mapping, Sequence

from service.core.case_checks import CaseCheck
from service.operations.schemas.checks import CaseCheckOut, ConfirmationOut
from service.operations.unit import Unit
from service.storage.queries import confirmations
from service.storage.tables import Confirmation

__all__ = [
    "confirmation_out",
    "current_confirmation",
    "reopen_if_lowered",
    "what_was_lowered",
]

_RANK = {"covered": 2, "partly covered": 1, "not covered": 0}


def current_confirmation(unit: Unit, case_id: int) -> Confirmation | None:
    """Give the newest confirmation of a case."""
    return confirmations.newest(unit.session, [case_id]).get(case_id)


def what_was_lowered(row: Confirmation, check: CaseCheckOut) -> list[str]:
    """Say what has changed for the worse since a confirmation; empty when it still holds."""
    now = {
        one.planned: (one.state, {gap.label: gap.sentence for gap in one.gaps})
        for one in check.constructs
    }
    changed = []
    if check.plan_revision != row.plan_revision:
        changed.append(f"The plan went from revision {row.plan_revision} to {check.plan_revision}.")
    changed += _lowered(row, now)
    near = set(row.checked.get("near", ()))
    changed += [
        line.gap.sentence for line in check.near if line.gap is not None and line.label not in near
    ]
    return list(dict.fromkeys(changed))


def _lowered(row: Confirmation, now: Mapping[str, tuple[str, Mapping[str, str]]]) -> list[str]:
    said = []
    for name, then in row.checked["checked_constructs"].items():
        if name not in now:
            continue
        state, gaps = now[name]
        new = [sentence for label, sentence in gaps.items() if label not in then["gaps"]]
        said += new
        if not new and _RANK[state] < _RANK[then["state"]]:
            said.append(f"{name} was {then['state']} and is {state}.")
    return said


def reopen_if_lowered(unit: Unit, case_id: int, result: CaseCheck) -> None:
    """Reopen a case's confirmation when a check finds less cover than was confirmed.

    Called where a change to stock, sets, order or plan has just been checked, so that a
    confirmation stays reopened even if the cover comes back before anybody looks.
    """
    row = current_confirmation(unit, case_id)
    if row is None or row.reopened_at is not None:
        return
    now = {
        one.name: (one.state, {gap.label: gap.sentence for gap in one.gaps})
        for one in result.constructs
    }
    said = _lowered(row, now)
    if said:
        row.reopened_at, row.reopened_why = unit.now, " ".join(dict.fromkeys(said))


def confirmation_out(
    unit: Unit, row: Confirmation | None, check: CaseCheckOut
) -> ConfirmationOut | None:
    """Give a case's confirmation and whether it still holds."""
    if row is None:
        return None
    changed: Sequence[str] = what_was_lowered(row, check)
    if row.reopened_at is not None:
        changed = list(dict.fromkeys([row.reopened_why, *changed]))
    return ConfirmationOut(
        plan_revision=row.plan_revision,
        at=unit.local(row.at),
        actor=row.actor,
        in_force=not changed,
        changed=list(changed),
    )
