"""Par levels, proposals for them, and decisions, in and out."""

from datetime import date, datetime
from typing import Annotated, Any, Literal

from pydantic import Field, ValidationError, model_validator

from service.schemas.base import Body, LongText, OptionalText, Out, Ref, located
from service.schemas.demand import ItemDemand, RateOut, Watched

MAX_LEVEL = 1_000


MAX_MONEY_MINOR = 10**12


Level = Annotated[int, Field(ge=0, le=MAX_LEVEL)]


Decision = Literal["accepted", "changed", "refused"]


class ProposalBody(Body):
    """What levels are asked for: a readiness to reach, or money to make the best use of."""

    target_readiness: Annotated[float, Field(gt=0, lt=1, allow_inf_nan=False)] | None = None
    budget_minor: Annotated[int, Field(ge=0, le=MAX_MONEY_MINOR)] | None = None
    arrivals_per_day: Annotated[float, Field(gt=0, le=10, allow_inf_nan=False)] | None = Field(
        default=None, description="Cases per day; if omitted, the rate the usage shows"
    )
    keep_first_choices: bool = Field(
        default=True, description="Keep at least one of everything planned constructs use"
    )

    @model_validator(mode="after")
    def _one_of_two(self) -> "ProposalBody":
        if (self.target_readiness is None) == (self.budget_minor is None):
            reason = "enter either target_readiness or budget_minor"
            raise _fault(self, reason)
        return self


def _fault(body: ProposalBody, reason: str) -> ValidationError:
    return located(body, "target_readiness", reason)


class OnShelf(Out):
    """Sterile units in date on the site's shelves, by owner; loans do not count."""

    owned: int
    consigned: int


class ConstructUse(Out):
    """A construct that takes an item, and whether it is the first choice of a need."""

    planned: str
    name: str
    first_choice: bool
    plans: int


class WhyOut(Out):
    """Why a level is proposed.

    ``per_year`` is what was used, ``expected_per_year`` what the case mix takes. ``alone`` is the
    level at which the item by itself is there with the chance asked for. ``expected_short`` are
    the units the shelf is short on average, today and as proposed.
    """

    used: int
    wasted: int
    per_year: RateOut | None
    expected_per_year: float
    lead_time_days: int
    unit_price_minor: int
    shelf_life_days: float | None
    stands_with: list[str]
    on_shelf: OnShelf
    today_from: Literal["level set", "units on the shelf"]
    minimum: int
    alone: int | None
    expected_short_today: float
    expected_short_proposed: float
    readiness_if_left_as_today: float
    readiness_added: float
    constructs: list[ConstructUse]
    kinds: list[str]
    says: str


class ProposalLineOut(Out):
    """One item of a proposal."""

    ref: str
    description: str
    today: int
    proposed: int
    why: WhyOut
    decision: Literal["open", "accepted", "changed", "refused"]
    chosen: int | None
    decided_at: datetime | None
    decided_by: str
    decided_why: str


class ReadinessOut(Out):
    """Chance that the next case can be completed; between the bounds the arrivals leave open."""

    value: float
    lower: float
    upper: float
    first_choice: float
    cost_minor: int


class CurveOut(Out):
    """One more unit of an item, and cost and readiness once it is there."""

    item: str
    cost_minor: int
    readiness: float


class KindOut(Out):
    """A kind of case: how many were seen, its share, and the plans that stand for it."""

    kind: str
    cases: int
    plans: int
    share: float
    stands_for: list[str]


class LeftOut(Out):
    """An item that is not judged but taken as always there, and why."""

    ref: str
    why: str


class SetOut(Out):
    """An instrument set: copies, load, and the chance that no copy is free when a case comes."""

    ref: str
    copies: int
    cases_per_year: float
    minutes_away: float
    none_free: float


class ProposalAnswer(Out):
    """What a proposal computed and what it rests on."""

    arrivals_per_day: float
    arrivals_from: str
    plans: int
    currency: str
    today: ReadinessOut
    proposed: ReadinessOut
    reachable: float
    unanswered: list[str]
    reached: bool
    proved: bool
    curve: list[CurveOut]
    kinds: list[KindOut]
    left_out: list[LeftOut]
    not_judged: list[str]
    sets: list[SetOut]
    warnings: list[str]
    assumes: list[str]


class ProposalSummary(Out):
    """A proposal in a list."""

    id: int
    made_at: datetime
    made_by: str
    asked: dict[str, Any]
    readiness_today: float
    readiness_proposed: float
    cost_minor: int
    currency: str
    lines: int
    undecided: int
    closed_at: datetime | None
    closed_by: str


class ProposalList(Out):
    """Proposals, the newest first."""

    proposals: list[ProposalSummary]


class ProposalOut(Out):
    """A proposal with its lines."""

    id: int
    made_at: datetime
    made_by: str
    asked: dict[str, Any]
    answer: ProposalAnswer
    lines: list[ProposalLineOut]
    closed_at: datetime | None
    closed_by: str


class DecisionBody(Body):
    """What is decided about one line; ``again`` says why a decided line is decided anew."""

    ref: Ref
    decision: Decision
    level: Level | None = None
    why: OptionalText = ""
    again: LongText | None = None

    @model_validator(mode="after")
    def _level_with_change(self) -> "DecisionBody":
        if self.decision == "changed" and self.level is None:
            raise located(self, "level", "enter the level to set instead")
        if self.decision != "changed" and self.level is not None:
            raise located(self, "level", "leave the level out unless the decision is 'changed'")
        return self


class DecisionsBody(Body):
    """Decisions about lines of one proposal; all of them are saved, or none."""

    decisions: Annotated[list[DecisionBody], Field(min_length=1, max_length=2_000)]


class ProposalLinesOut(Out):
    """The lines just decided, and how many are still open."""

    lines: list[ProposalLineOut]
    undecided: int


class LevelBody(Body):
    """A level somebody sets, with why."""

    level: Level
    why: LongText


class LevelOut(Out):
    """A par level in force, what counts towards it, and what is missing from it."""

    ref: str
    description: str
    supplier: str
    level: int
    set_at: datetime
    actor: str
    why: str
    version: int
    on_shelf: OnShelf
    on_order: int
    missing: int
    lead_time_days: int | None


class BelowPar(Out):
    """What to order so that a level is kept."""

    ref: str
    quantity: int
    why: str


class LevelsOut(Out):
    """Par levels, and what to order to keep them."""

    day: date
    levels: list[LevelOut]
    order: list[BelowPar]


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


class ViewedLine(ProposalLineOut):
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
