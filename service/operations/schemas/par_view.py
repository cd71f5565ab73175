"""What the pages about par levels show: levels by family, and a proposal line by line."""

from datetime import date
from typing import Annotated

from pydantic import Field

from service.operations.schemas.base import Body, Out, Ref
from service.operations.schemas.demand import ItemDemand, Watched
from service.operations.schemas.par import LevelOut, LineOut, OnShelf, ProposalOut

__all__ = [
    "FamilyLevels",
    "FamilyLines",
    "ItemLevel",
    "LevelsView",
    "OneLevelView",
    "ProposalMade",
    "ProposalView",
    "TickedBody",
    "ViewedLine",
]


class ItemLevel(Out):
    """One catalogue line with its par level, or without one."""

    ref: str
    kind: str
    system: str | None
    description: str
    size: str
    level: LevelOut | None
    on_shelf: OnShelf
    on_order: int


class FamilyLevels(Out):
    """The lines of one kind and system: how many have a level, and how many are below it."""

    kind: str
    system: str | None
    items: int
    with_level: int
    below: int
    units_missing: int


class LevelsView(Out):
    """Levels in force, what is below, and every family."""

    day: date
    currency: str
    levels: list[ItemLevel]
    below: list[ItemLevel]
    families: list[FamilyLevels]


class OneLevelView(Out):
    """One item: its level, what counts towards it, and its demand with its family's sizes."""

    item: ItemLevel
    demand: ItemDemand
    family: list[ItemDemand]
    watched: list[Watched]
    notes: list[str]


class ViewedLine(LineOut):
    """A line of a proposal, with its family and what has become of its level since.

    ``level_now`` is the level in force; ``settled`` says what somebody has settled since the
    proposal was made, and is empty while nobody has.
    """

    kind: str
    system: str | None
    size: str
    level_now: int | None
    settled: str
    change: int
    change_minor: int


class FamilyLines(Out):
    """The lines of one kind and system in a proposal, in sums."""

    kind: str
    system: str | None
    lines: int
    undecided: int
    today: int
    proposed: int
    change_minor: int


class ProposalView(Out):
    """A proposal as a page shows it; ``overtaken`` are open lines whose level was set since."""

    proposal: ProposalOut
    lines: list[ViewedLine]
    families: list[FamilyLines]
    undecided: int
    decided: int
    overtaken: int


class ProposalMade(Out):
    """The number of a proposal that has been stored."""

    id: int


class TickedBody(Body):
    """Items that are ticked on a page."""

    refs: Annotated[list[Ref], Field(min_length=1, max_length=500)]
