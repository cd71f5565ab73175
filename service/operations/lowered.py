"""Whether a confirmation still holds, or a construct has less cover than was confirmed."""

from collections import Counter
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Any, Protocol

from service.core.case_checks import CaseCheck
from service.operations.planner import planner_of
from service.operations.schemas.checks import CaseCheckOut, ConfirmationOut
from service.operations.unit import Unit
from service.storage.tables import Confirmation

__all__ = [
    "Cover",
    "confirmation_out",
    "cover_of",
    "current_confirmation",
    "reopen_if_lowered",
    "snapshot",
    "what_was_lowered",
]

_RANK = {"covered": 2, "partly covered": 1, "not covered": 0}


class _Missing(Protocol):
    """What is missing of one line, as the planner or an answer says it."""

    @property
    def label(self) -> str: ...
    @property
    def missing(self) -> int: ...
    @property
    def sentence(self) -> str: ...


@dataclass(frozen=True, slots=True)
class Cover:
    """How far one construct, or what must be near, is covered.

    Parameters
    ----------
    missing
        Units missing, by what is missing.
    sentences
        Why, by what is missing.
    """

    state: str
    missing: Mapping[str, int]
    sentences: Mapping[str, str]


#: Stands in place of a construct for what must be near; no construct can be written like this.
_NEAR = "(near)"


def cover_of(check: CaseCheckOut | CaseCheck) -> dict[str, Cover]:
    """Give the cover of each construct of a case, and of what must be near."""
    if isinstance(check, CaseCheck):
        found = {one.name: _cover(one.state, one.gaps) for one in check.constructs}
    else:
        found = {one.planned: _cover(one.state, one.gaps) for one in check.constructs}
    near = [line.gap for line in check.near if line.gap is not None]
    return {**found, _NEAR: _cover("covered", near)}


def _cover(state: str, gaps: Iterable[_Missing]) -> Cover:
    missing: Counter[str] = Counter()
    sentences: dict[str, str] = {}
    for gap in gaps:
        missing[gap.label] += gap.missing
        sentences.setdefault(gap.label, gap.sentence)
    return Cover(state, missing, sentences)


def current_confirmation(unit: Unit, case_id: int) -> Confirmation | None:
    """Give the newest confirmation of a case."""
    return planner_of(unit).confirmations_of([case_id]).get(case_id)


def what_was_lowered(row: Confirmation, check: CaseCheckOut) -> list[str]:
    """Say what has changed for the worse since a confirmation; empty when it still holds."""
    changed = []
    if check.plan_revision != row.plan_revision:
        changed.append(f"The plan went from revision {row.plan_revision} to {check.plan_revision}.")
    return list(dict.fromkeys([*changed, *_lowered(row, cover_of(check))]))


def _lowered(row: Confirmation, now: Mapping[str, Cover]) -> list[str]:
    """Say what is missing that was not missing when it was confirmed."""
    said = []
    for name, then in row.checked["cover"].items():
        if name not in now:
            continue
        more = [
            now[name].sentences[label]
            for label, count in now[name].missing.items()
            if count > then["missing"].get(label, 0)
        ]
        said += more
        if not more and _RANK[now[name].state] < _RANK[then["state"]]:
            said.append(f"{name} was {then['state']} and is {now[name].state}.")
    return said


def snapshot(check: CaseCheckOut) -> dict[str, Any]:
    """Keep what was checked: each construct's state, what is missing of it, and the packs."""
    return {
        "cover": {
            name: {"state": cover.state, "missing": dict(cover.missing)}
            for name, cover in cover_of(check).items()
        },
        "packs": [
            {"ref": row.ref, "lot": row.lot, "serial": row.serial, "quantity": row.quantity}
            for row in check.pick_list
        ],
    }


def reopen_if_lowered(unit: Unit, case_id: int, result: CaseCheck) -> None:
    """Reopen a case's confirmation when a check finds less cover than was confirmed.

    Called where a change to stock, sets, order or plan has just been checked, so that a
    confirmation stays reopened even if the cover comes back before anybody looks.
    """
    row = current_confirmation(unit, case_id)
    if row is None or row.reopened_at is not None:
        return
    said = _lowered(row, cover_of(result))
    if said:
        row.reopened_at, row.reopened_why = unit.now, " ".join(dict.fromkeys(said))


def confirmation_out(
    unit: Unit, row: Confirmation | None, check: CaseCheckOut
) -> ConfirmationOut | None:
    """Give a case's confirmation and whether it still holds."""
    if row is None:
        return None
    changed = what_was_lowered(row, check)
    if row.reopened_at is not None and row.reopened_why not in " ".join(changed):
        changed = [row.reopened_why, *changed]
    return ConfirmationOut(
        plan_revision=row.plan_revision,
        at=unit.local(row.at),
        actor=row.actor,
        in_force=not changed and row.reopened_at is None,
        changed=changed,
    )
