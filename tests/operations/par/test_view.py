"""What the pages about par levels show: families, what is overtaken, drafts of what is below."""

import pytest

from service.errors import BadInput, Conflict
from service.operations import par
from service.operations.par import view
from service.schemas.par import LevelBody
from tests.operations.par.test_proposal import decide, propose
from tests.small_theatre import Theatre


def _set(shop: Theatre, level: int, version: int | None = None) -> None:
    body = LevelBody(level=level, why="by hand")
    shop.work.write(lambda unit: par.set_level(unit, "NAIL", body, version), "storekeeper")


def test_without_a_level_an_item_is_listed_with_what_lies_on_the_shelf(shop: Theatre) -> None:
    seen = shop.work.read(view.view_levels)
    nail = next(one for one in seen.levels if one.ref == "NAIL")
    # Twelve came, six were used.
    assert (nail.level, nail.on_shelf.owned, seen.below) == (None, 6, [])
    assert seen.currency == "GBP"


def test_what_is_below_is_drafted_once_and_then_nothing_is_below(shop: Theatre) -> None:
    _set(shop, 8)
    made = shop.work.write(lambda unit: view.draft_missing(unit, ["NAIL"]), "storekeeper")
    assert [(line.ref, line.quantity) for one in made.orders for line in one.items] == [("NAIL", 2)]
    assert shop.work.read(view.view_levels).below == []
    with pytest.raises(Conflict, match="below par any more"):
        shop.work.write(lambda unit: view.draft_missing(unit, ["NAIL"]), "storekeeper")


def test_a_line_whose_level_somebody_set_since_is_overtaken_until_it_is_decided(
    shop: Theatre,
) -> None:
    made = propose(shop.work, target_readiness=0.9)
    before = shop.work.read(lambda unit: view.view_proposal(unit, made.id))
    assert (before.overtaken, before.undecided) == (0, len(made.lines))
    _set(shop, 2)
    seen = shop.work.read(lambda unit: view.view_proposal(unit, made.id))
    assert next(one.settled for one in seen.lines if one.ref == "NAIL") == "level now 2"
    assert seen.overtaken == 1
    decide(shop.work, made.id, {"ref": "NAIL", "decision": "refused", "again": "seen"})
    after = shop.work.read(lambda unit: view.view_proposal(unit, made.id))
    assert (after.overtaken, after.decided) == (0, 1)


def test_sums_of_families_are_the_sums_of_their_lines(shop: Theatre) -> None:
    made = propose(shop.work, target_readiness=0.9)
    seen = shop.work.read(lambda unit: view.view_proposal(unit, made.id))
    assert sum(one.lines for one in seen.families) == len(made.lines)
    assert sum(one.proposed for one in seen.families) == sum(one.proposed for one in made.lines)


# ISO 4217: the yen has no minor unit, the pound has a hundred pence.
@pytest.mark.parametrize(
    ("typed", "currency", "minor"), [("60000", "GBP", 6_000_000), ("900", "JPY", 900)]
)
def test_a_budget_is_typed_in_whole_units(typed: str, currency: str, minor: int) -> None:
    assert view.budget_minor(typed, currency) == minor


@pytest.mark.parametrize("typed", ["sixty", "60,000", "-3", "12.345", "9" * 12])
def test_a_budget_that_is_no_amount_is_refused_at_its_field(typed: str) -> None:
    with pytest.raises(BadInput) as refused:
        view.budget_minor(typed, "GBP")
    assert [fault.pointer for fault in refused.value.faults] == ["/budget"]
