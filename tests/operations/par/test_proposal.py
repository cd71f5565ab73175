"""Proposals for par levels: what they rest on, what they say, and that only a decision counts."""

from collections.abc import Sequence
from datetime import timedelta
from typing import Any

import pytest
from scipy import stats
from sqlalchemy import select

from service.errors import BadInput, Conflict, NotFound, Required, Stale
from service.operations import par
from service.operations.cases.lookup import require_case
from service.operations.catalogue import change_item, get_item
from service.operations.par.basis import StockedItem, split_level
from service.operations.work import Caller, Unit, Work
from service.schemas.catalogue import ItemBody
from service.schemas.par import (
    DecisionBody,
    DecisionsBody,
    LevelBody,
    ProposalBody,
    ProposalLineOut,
    ProposalLinesOut,
    ProposalOut,
)
from service.storage.queries import cases
from service.storage.tables import AuditLine, Item, OrderLine, Plan, SupplyOrder
from tests.operations.test_demand import later, ready, use
from tests.small_theatre import BACKUP, OTHER_SHELF, QUARANTINE, Theatre
from tests.two_sites import add_site

PRICE, LEAD_DAYS = 24_800, 30


DAYS, CASES = 60, 6


#: Half a use in no time, and six cases in sixty days watched.
RATE = (0.5 + CASES) / DAYS


ON_ORDER = RATE * LEAD_DAYS


def price(work: Work, ref: str, **facts: object) -> None:
    """Give an item a price and a lead time."""

    def write(unit: Unit) -> None:
        known = get_item(unit, ref)
        body = {name: getattr(known, name) for name in ItemBody.model_fields}
        body |= {"unit_price_minor": PRICE, "currency": "GBP", "lead_time_days": LEAD_DAYS, **facts}
        change_item(unit, ref, ItemBody.model_validate(body), known.version)

    work.write(write)


def propose(work: Work, **asked: object) -> ProposalOut:
    body = ProposalBody.model_validate(asked)
    worked = work.read(lambda unit: par.compute_proposal(unit, body))
    return work.write(lambda unit: par.store_proposal(unit, worked), "storekeeper")


def decide(work: Work, key: int, *decisions: dict[str, object]) -> ProposalLinesOut:
    body = DecisionsBody(decisions=[DecisionBody.model_validate(one) for one in decisions])
    return work.write(lambda unit: par.decide_lines(unit, key, body), "storekeeper")


def nail(made: ProposalOut) -> ProposalLineOut:
    return next(line for line in made.lines if line.ref == "NAIL")


# Source: the Poisson distribution by scipy, with the rate worked out by hand above.
def test_todays_readiness_and_the_level_for_a_target_are_the_poisson_tables(shop: Theatre) -> None:
    made = propose(shop.work, target_readiness=0.9)
    assert made.answer.arrivals_per_day == pytest.approx(RATE)
    assert made.answer.today.value == pytest.approx(stats.poisson.cdf(5, ON_ORDER), abs=1e-9)
    assert made.answer.arrivals_from == f"{CASES} cases on record in {DAYS} days"
    line = nail(made)
    floor = int(stats.poisson.ppf(0.98, ON_ORDER)) + 1
    assert (line.today, line.why.today_from) == (6, "units on the shelf")
    # The minimum of first choices, by itself there in 98 of 100 cases, is above what 0.9 asks.
    assert (line.proposed, line.why.minimum) == (floor, floor)
    assert line.why.alone == int(stats.poisson.ppf(0.9, ON_ORDER)) + 1
    bare = propose(shop.work, target_readiness=0.9, keep_first_choices=False)
    assert nail(bare).proposed == line.why.alone
    assert bare.answer.proposed.value == pytest.approx(
        stats.poisson.cdf(nail(bare).proposed - 1, ON_ORDER), abs=1e-9
    )
    # E max(X - 6, 0), summed from the distribution.
    short = sum((n - 6) * stats.poisson.pmf(n, ON_ORDER) for n in range(7, 80))
    assert line.why.expected_short_today == pytest.approx(short, abs=1e-9)
    # Between the readiness at many and at few cases a day (95 % gamma interval, by scipy).
    low, high = (stats.gamma.ppf(p, CASES + 0.5, scale=1 / DAYS) for p in (0.025, 0.975))
    assert made.answer.today.lower == pytest.approx(stats.poisson.cdf(5, high * LEAD_DAYS))
    assert made.answer.today.upper == pytest.approx(stats.poisson.cdf(5, low * LEAD_DAYS))


def test_a_line_says_why_in_numbers_and_words(shop: Theatre) -> None:
    why = nail(propose(shop.work, target_readiness=0.999)).why
    assert why.used == CASES
    assert why.expected_per_year == pytest.approx(RATE * 365.25)
    assert (why.lead_time_days, why.unit_price_minor) == (LEAD_DAYS, PRICE)
    assert [(one.planned, one.first_choice) for one in why.constructs] == [("nail@Testfield", True)]
    assert why.kinds == ["short single lag screw nail, Testfield"]
    assert why.readiness_added == pytest.approx(
        stats.poisson.cdf(nail(propose(shop.work, target_readiness=0.999)).proposed - 1, ON_ORDER)
        - stats.poisson.cdf(5, ON_ORDER),
        abs=1e-9,
    )
    assert f"lead time {LEAD_DAYS} days" in why.says
    assert " cases per 1,000." in why.says


# Source: Poisson demand over the shelf life, by scipy: the k-th unit expires with P(N <= k - 1).
def test_what_is_expected_to_expire_is_in_the_cost_where_lots_tell_how_long_they_keep(
    shop: Theatre,
) -> None:
    made = propose(shop.work, target_readiness=0.9, keep_first_choices=False)
    line = nail(made)
    # Received on 3 March 2031 with a use-by date of 1 January 2033.
    assert line.why.shelf_life_days == 670
    lost = [PRICE * stats.poisson.cdf(k, RATE * 670) for k in range(line.proposed)]
    assert made.answer.proposed.cost_minor == line.proposed * PRICE + round(sum(lost))


def test_an_item_without_lead_time_or_price_is_named_and_taken_as_there(theatre: Theatre) -> None:
    ready(theatre)
    use(theatre, "K1")
    for facts, words in (
        ({"lead_time_days": None}, "its lead time is not known"),
        ({"unit_price_minor": None, "currency": None}, "its price is not known"),
    ):
        price(theatre.work, "NAIL", **facts)
        made = propose(theatre.work, target_readiness=0.9)
        assert made.lines == []
        assert [(one.ref, one.why) for one in made.answer.left_out] == [
            ("NAIL", f"taken as always in stock: {words}")
        ]
        assert any("taken as always in stock" in warning for warning in made.answer.warnings)


def test_units_that_cannot_be_counted_on_are_not_todays_level(shop: Theatre) -> None:
    today = shop.work.clock().date()
    shop.receive("NAIL", 1, lot="C1", ownership="consigned")
    for lot, more in (
        ("E1", {"use_by": today + timedelta(days=5)}),
        ("Q1", {"to": QUARANTINE}),
        ("B1", {"ownership": "loan", "return_by": today + timedelta(days=9)}),
    ):
        shop.receive("NAIL", 1, lot=lot, **more)
    later(shop.work, DAYS + 10)
    line = nail(propose(shop.work, target_readiness=0.9))
    assert (line.why.on_shelf.owned, line.why.on_shelf.consigned, line.today) == (6, 1, 7)


def test_a_proposal_changes_nothing_and_a_decision_does_what_it_says(shop: Theatre) -> None:
    made = propose(shop.work, target_readiness=0.999)
    assert shop.work.read(lambda unit: par.list_levels(unit, below_only=False)).levels == []
    done = decide(shop.work, made.id, {"ref": "NAIL", "decision": "accepted"})
    assert done.undecided == len(made.lines) - 1
    (level,) = shop.work.read(lambda unit: par.list_levels(unit, below_only=False)).levels
    assert (level.ref, level.level, level.actor) == ("NAIL", nail(made).proposed, "storekeeper")
    assert level.why == f"proposal {made.id} accepted"
    told = shop.work.read(lambda unit: par.get_proposal(unit, made.id))
    assert (nail(told).decision, nail(told).decided_by) == ("accepted", "storekeeper")
    if not done.undecided:
        assert told.closed_by == "storekeeper"
    again = propose(shop.work, target_readiness=0.999)
    assert (nail(again).today, nail(again).why.today_from) == (level.level, "level set")


def test_a_line_can_be_changed_or_refused(shop: Theatre) -> None:
    first, second = (propose(shop.work, target_readiness=0.999) for _ in range(2))
    decide(shop.work, first.id, {"ref": "NAIL", "decision": "refused", "why": "no room"})
    assert shop.work.read(lambda unit: par.list_levels(unit, below_only=False)).levels == []
    decide(shop.work, second.id, {"ref": "NAIL", "decision": "changed", "level": 9})
    assert shop.work.read(lambda unit: par.get_level(unit, "NAIL")).level == 9


def test_a_decided_line_is_not_decided_again_without_saying_why(shop: Theatre) -> None:
    made = propose(shop.work, target_readiness=0.999)
    decide(shop.work, made.id, {"ref": "NAIL", "decision": "accepted"})
    change: dict[str, object] = {"ref": "NAIL", "decision": "changed", "level": 3}
    with pytest.raises(Conflict) as refusal:
        decide(shop.work, made.id, change)
    assert [fault.pointer for fault in refusal.value.faults] == ["/decisions/0/again"]
    assert "accepted by storekeeper" in refusal.value.faults[0].reason
    decide(shop.work, made.id, {**change, "again": "half the shelf is gone"})
    level = shop.work.read(lambda unit: par.get_level(unit, "NAIL"))
    assert (level.level, level.version) == (3, 2)
    (facts,) = audited(shop.work, again=True)
    assert facts["decisions"][0]["before"] == {
        "decision": "accepted",
        "level": nail(made).proposed,
    }
    assert facts["decisions"][0]["again"] == "half the shelf is gone"


def audited(work: Work, *, again: bool) -> list[dict[str, Any]]:
    query = select(AuditLine).order_by(AuditLine.seq)  # type: ignore[arg-type] # SQLModel types a column as its value
    told = work.read(lambda unit: [row.facts for row in unit.session.execute(query).scalars()])
    told = [facts for facts in told if "decisions" in facts]
    return [facts for facts in told if any("again" in one for one in facts["decisions"]) == again]


def test_a_level_set_by_somebody_meanwhile_is_not_overwritten_silently(shop: Theatre) -> None:
    made = propose(shop.work, target_readiness=0.999)
    body = LevelBody(level=4, why="as agreed with the ward")
    shop.work.write(lambda unit: par.set_level(unit, "NAIL", body, None), "somebody")
    with pytest.raises(Conflict) as refusal:
        decide(shop.work, made.id, {"ref": "NAIL", "decision": "accepted"})
    assert "its level is now 4, set by somebody" in refusal.value.faults[0].reason
    assert shop.work.read(lambda unit: par.get_level(unit, "NAIL")).level == 4


@pytest.mark.parametrize(
    ("decisions", "pointers"),
    [
        ([{"ref": "SPOON", "decision": "accepted"}], ["/decisions/0/ref"]),
        ([{"ref": "NAIL", "decision": "accepted"}] * 2, ["/decisions/1/ref"]),
    ],
)
def test_a_decision_about_no_line_or_twice_about_one_saves_nothing(
    shop: Theatre, decisions: Sequence[dict[str, object]], pointers: list[str]
) -> None:
    made = propose(shop.work, target_readiness=0.9)
    with pytest.raises(BadInput) as refusal:
        decide(shop.work, made.id, *decisions)
    assert [fault.pointer for fault in refusal.value.faults] == pointers
    assert shop.work.read(lambda unit: par.list_levels(unit, below_only=False)).levels == []


def test_a_level_is_changed_by_who_has_read_it_only(shop: Theatre) -> None:
    def put(level: int, version: int | None) -> None:
        body = LevelBody(level=level, why="tested")
        shop.work.write(lambda unit: par.set_level(unit, "NAIL", body, version))

    with pytest.raises(NotFound):
        put(2, 1)
    put(2, None)
    with pytest.raises(Required):
        put(3, None)
    put(3, 1)
    with pytest.raises(Stale):
        put(4, 1)
    assert shop.work.read(lambda unit: par.get_level(unit, "NAIL")).level == 3


def order(work: Work, quantity: int, **facts: object) -> None:
    """Put an order for nails in place, in a state and of a kind."""

    def write(unit: Unit) -> None:
        columns: dict[str, Any] = {"kind": "purchase", "state": "sent", "ownership": "owned"}
        due = unit.now + timedelta(days=LEAD_DAYS)
        row = SupplyOrder(
            site_id=unit.site_id,
            reference=f"PO-{quantity}-{facts}",
            supplier="Test supply",
            made_at=unit.now,
            made_by="tester",
            due_at=due,
            usable_from=due,
            **{**columns, **facts},
        )
        unit.session.add(row)
        unit.session.flush()
        item = unit.session.execute(select(Item).filter_by(ref="NAIL")).scalars().one()
        unit.session.add(
            OrderLine(
                order_id=row.id or 0, item_id=item.id or 0, quantity=quantity, wanted=quantity
            )
        )

    work.write(write)


def test_what_is_below_par_is_suggested_with_shelf_and_orders_counted(shop: Theatre) -> None:
    body = LevelBody(level=10, why="winter")
    shop.work.write(lambda unit: par.set_level(unit, "NAIL", body, None))
    (wanted,) = shop.work.read(par.below_par)
    assert (wanted.ref, wanted.quantity) == ("NAIL", 4)
    assert wanted.why == "par level 10: 6 in stock, 0 on order"
    order(shop.work, 1)
    order(shop.work, 2, state="draft")
    order(shop.work, 7, state="cancelled")
    order(shop.work, 9, kind="bill_only", state="sent")
    (wanted,) = shop.work.read(par.below_par)
    assert (wanted.quantity, wanted.why) == (1, "par level 10: 6 in stock, 3 on order")
    shop.receive("NAIL", 1, lot="L9", to=OTHER_SHELF)
    assert shop.work.read(par.below_par) == []
    listed = shop.work.read(lambda unit: par.list_levels(unit, below_only=True))
    assert (listed.levels, listed.order) == ([], [])


def test_a_budget_buys_what_it_pays_for_and_says_what_it_does_not(shop: Theatre) -> None:
    none = propose(shop.work, budget_minor=PRICE - 1)
    assert nail(none).proposed == 0
    assert "no minimum is kept" in none.answer.warnings[0]
    two = propose(shop.work, budget_minor=2 * PRICE + PRICE // 2)
    assert nail(two).proposed == 2
    assert "one each is kept" in two.answer.warnings[0]
    ample = propose(shop.work, budget_minor=500 * PRICE)
    assert ample.answer.proposed.value > ample.answer.reachable - 0.0003
    assert "more would add almost nothing" in ample.answer.warnings[0]
    assert ample.answer.proposed.cost_minor < 100 * PRICE


def test_a_target_beyond_any_stock_is_refused_with_what_can_be_reached(shop: Theatre) -> None:
    needs = [
        {"need": "as planned", "probability": 0.8, "constructs": ["nail@Testfield"]},
        {"need": "a miracle", "probability": 0.2, "constructs": []},
    ]

    def write(unit: Unit) -> None:
        for number in range(CASES):
            row = latest_plan(unit, f"K{number}")
            row.body = {**row.body, "needs": needs}

    shop.work.write(write)
    with pytest.raises(BadInput) as refusal:
        propose(shop.work, target_readiness=0.9)
    (fault,) = refusal.value.faults
    assert fault.pointer == "/target_readiness"
    assert "the most stock can reach is 80 %" in fault.reason
    assert "no backup for 'a miracle', needed in 20 % of cases" in fault.reason
    assert refusal.value.facts["reachable"] == pytest.approx(0.8)


def latest_plan(unit: Unit, reference: str) -> Plan:
    plan = cases.latest_plan(unit.session, require_case(unit, reference).id or 0)
    assert plan is not None
    return plan


def test_without_a_plan_or_a_past_case_nothing_is_proposed(theatre: Theatre) -> None:
    price(theatre.work, "NAIL")
    with pytest.raises(BadInput) as refusal:
        propose(theatre.work, target_readiness=0.9)
    assert [fault.pointer for fault in refusal.value.faults] == ["/arrivals_per_day"]
    with pytest.raises(Conflict):
        propose(theatre.work, target_readiness=0.9, arrivals_per_day=0.1)
    ready(theatre)
    theatre.add_case("K1")
    theatre.plan("K1", "nail@Testfield", BACKUP)
    made = propose(theatre.work, target_readiness=0.9, arrivals_per_day=0.1)
    assert made.answer.arrivals_from == "entered by hand"
    # The cap has no price, so it is always there, and the backup makes every case ready.
    assert made.answer.today.value == pytest.approx(1.0)
    assert [one.ref for one in made.answer.left_out] == ["CAP"]


# Source: Erlang's loss formula with one server, a / (1 + a), by hand: a case of 60 minutes and 240
# of reprocessing.
def test_how_often_no_copy_of_a_set_is_free_is_told(shop: Theatre) -> None:
    (told,) = propose(shop.work, target_readiness=0.9).answer.sets
    load = RATE * 300 / 1440
    assert (told.ref, told.copies, told.minutes_away) == ("SET", 1, 300)
    assert told.none_free == pytest.approx(load / (1 + load))


def test_another_sites_proposal_does_not_exist(shop: Theatre) -> None:
    made = propose(shop.work, target_readiness=0.9)
    elsewhere = add_site(shop.work)
    other = shop.work.for_caller(Caller("other", site_id=elsewhere), lambda _unit: None)
    with pytest.raises(NotFound):
        other.read(lambda unit: par.get_proposal(unit, made.id))
    assert other.read(lambda unit: par.list_proposals(unit, 9)).proposals == []
    (listed,) = shop.work.read(lambda unit: par.list_proposals(unit, 9)).proposals
    assert (listed.id, listed.lines, listed.undecided) == (made.id, 1, 1)


def test_items_that_stand_for_each_other_share_a_level_and_keep_what_is_there() -> None:
    kept = StockedItem("A|B|C", ("B", "A", "C"), {"B": 2, "A": 3, "C": 1}, 100, 5, None)
    assert split_level(kept, 6) == {"B": 2, "A": 3, "C": 1}
    assert split_level(kept, 8) == {"B": 4, "A": 3, "C": 1}
    # Less is kept of the least used first.
    assert split_level(kept, 4) == {"B": 2, "A": 2, "C": 0}
    assert split_level(kept, 0) == {"B": 0, "A": 0, "C": 0}
