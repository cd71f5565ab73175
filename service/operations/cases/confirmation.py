"""Whether a confirmation still holds, or a construct has less cover than was confirmed."""

from collections import Counter
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Any, Protocol

from service.core.cover.gaps import expectation_words
from service.core.cover.results import STATES, CaseCheck, ConstructCheck
from service.operations.planner import planner_of
from service.operations.work import Unit
from service.schemas.cover import CaseCheckOut, ConfirmationOut
from service.storage.tables import Confirmation

_RANK = {state: -place for place, state in enumerate(STATES)}


class _LineGap(Protocol):
    """What is missing of one line, as the planner or an answer says it."""

    @property
    def label(self) -> str: ...
    @property
    def missing(self) -> int: ...
    @property
    def because(self) -> str: ...
    @property
    def sentence(self) -> str: ...


@dataclass(frozen=True, slots=True)
class ConstructCover:
    """How far one construct, or what must be near, is covered.

    Parameters
    ----------
    missing
        Units missing, by what is missing.
    sentences
        Why, by what is missing.
    awaited
        What of it is on its way and due in time.
    condition
        What has to happen before the rest is covered; empty when nothing has.
    """

    state: str
    missing: Mapping[str, int]
    sentences: Mapping[str, str]
    awaited: frozenset[str]
    condition: str


#: Stands in place of a construct for what must be near; no construct can be written like this.
_NEAR = "(near)"


def cover_of(unit: Unit, check: CaseCheckOut | CaseCheck) -> dict[str, ConstructCover]:
    """Return the cover of each construct of a case, and of what must be near."""
    if isinstance(check, CaseCheck):
        found = {
            one.name: _cover(one.state, one.gaps, _condition(unit, one)) for one in check.constructs
        }
    else:
        found = {
            one.planned: _cover(one.state, one.gaps, one.condition) for one in check.constructs
        }
    near = [line.gap for line in check.near if line.gap is not None]
    return {**found, _NEAR: _cover("covered", near)}


def _condition(unit: Unit, check: ConstructCheck) -> str:
    return expectation_words(check.expectations, unit.zone) if check.expectations else ""


def _cover(state: str, gaps: Iterable[_LineGap], condition: str = "") -> ConstructCover:
    missing: Counter[str] = Counter()
    sentences: dict[str, str] = {}
    awaited = set()
    for gap in gaps:
        if gap.because == "not_here_yet":
            awaited.add(gap.label)
        missing[gap.label] += gap.missing
        sentences.setdefault(gap.label, gap.sentence)
    return ConstructCover(state, missing, sentences, frozenset(awaited), condition)


def current_confirmation(unit: Unit, case_id: int) -> Confirmation | None:
    """Return the newest confirmation of a case."""
    return planner_of(unit).confirmations_of([case_id]).get(case_id)


def cover_lost(unit: Unit, row: Confirmation, check: CaseCheckOut) -> list[str]:
    """Say what has changed for the worse since a confirmation; empty when it still holds."""
    changed = []
    if check.plan_revision != row.plan_revision:
        changed.append(
            f"The plan changed from revision {row.plan_revision} to {check.plan_revision}."
        )
    return list(dict.fromkeys([*changed, *_newly_missing(row, cover_of(unit, check))]))


def _newly_missing(row: Confirmation, now: Mapping[str, ConstructCover]) -> list[str]:
    """Say what is missing that was not when it was confirmed, or was to come in time and is not."""
    said = []
    for name, then in row.checked["cover"].items():
        if name not in now:
            continue
        more = [
            now[name].sentences[label]
            for label, count in now[name].missing.items()
            if count > then["missing"].get(label, 0)
            or label in set(then.get("awaited", ())) - now[name].awaited
        ]
        said += more
        if not more and _RANK[now[name].state] < _RANK[then["state"]]:
            said.append(f"{name} was {then['state']} and is now {now[name].state}.")
            said += [now[name].condition] if now[name].condition else []
    return said


def confirmed_snapshot(unit: Unit, check: CaseCheckOut) -> dict[str, Any]:
    """Keep what was checked: each construct's state, what is missing of it, and the packs."""
    return {
        "cover": {
            name: {
                "state": cover.state,
                "missing": dict(cover.missing),
                "awaited": sorted(cover.awaited),
            }
            for name, cover in cover_of(unit, check).items()
        },
        "packs": [
            {"ref": row.ref, "lot": row.lot, "serial": row.serial, "quantity": row.quantity}
            for row in check.pick_list
        ],
    }


def reopen_if_cover_lost(unit: Unit, case_id: int, result: CaseCheck) -> None:
    """Reopen a case's confirmation when a check finds less cover than was confirmed.

    Called where a change to stock, sets, order or plan has just been checked, so that a
    confirmation stays reopened even if the cover comes back before anybody looks.
    """
    row = current_confirmation(unit, case_id)
    if row is None or row.reopened_at is not None:
        return
    said = _newly_missing(row, cover_of(unit, result))
    if said:
        row.reopened_at, row.reopened_why = unit.now, " ".join(dict.fromkeys(said))


def confirmation_out(
    unit: Unit, row: Confirmation | None, check: CaseCheckOut
) -> ConfirmationOut | None:
    """Return a case's confirmation and whether it still holds."""
    if row is None:
        return None
    changed = cover_lost(unit, row, check)
    if row.reopened_at is not None and row.reopened_why not in " ".join(changed):
        changed = [row.reopened_why, *changed]
    return ConfirmationOut(
        plan_revision=row.plan_revision,
        at=unit.local(row.at),
        actor=row.actor,
        in_force=not changed and row.reopened_at is None,
        changed=changed,
    )
