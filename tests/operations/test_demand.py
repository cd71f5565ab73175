"""Demand from records and ledger: nothing counted twice, stock-outs left out, unknowns named."""

from datetime import date, timedelta
from functools import partial
from typing import Any

import pytest

from service.errors import BadInput
from service.operations.catalogue import add_item
from service.operations.demand import demand
from service.operations.imports import import_file
from service.operations.work import Unit, Work
from service.schemas.catalogue import ItemBody
from service.schemas.demand import DemandOut, ItemDemand
from tests.conftest import NOW
from tests.small_theatre import ITEMS, Theatre

TODAY = NOW.date()


def use(theatre: Theatre, case: str, fate: str = "implant", lot: str = "L1") -> None:
    """Put a case on, bring a nail to it and say what became of it."""
    day = theatre.work.clock().date() + timedelta(days=1)
    theatre.add_case(case, day=day)
    theatre.plan(case)
    own: dict[str, object] = {"ownership": "consigned"} if lot.startswith("C") else {}
    theatre.pick(case, "NAIL", 1, lot=lot, **own)
    own |= {"reason": "dropped"} if fate == "waste" else {}
    theatre.settle(case, "NAIL", fate, 1, lot=lot, **own)


def ready(theatre: Theatre, nails: int = 3) -> None:
    theatre.receive("NAIL", nails)
    theatre.receive("SET", 1)


def told(work: Work) -> DemandOut:
    return work.read(lambda unit: demand(unit, None, None))


def item(work: Work, ref: str = "NAIL") -> ItemDemand:
    return next(one for one in told(work).items if one.ref == ref)


def write_history(work: Work, *rows: str) -> None:
    text = "used_on,ref,quantity,lot,case_reference,outcome\n" + "\n".join(rows) + "\n"
    work.write(
        lambda unit: import_file(unit, "usage", text.encode(), "usage.csv", take_good_rows=False)
    )


def later(work: Work, days: int) -> None:
    moment = NOW + timedelta(days=days)
    work.clock = lambda: moment


def test_implanted_and_wasted_units_are_told_apart(theatre: Theatre) -> None:
    ready(theatre)
    use(theatre, "K1")
    use(theatre, "K2", "waste")
    found = item(theatre.work)
    assert (found.used, found.wasted) == (1, 1)
    assert told(theatre.work).cases == 1


def test_a_consigned_unit_that_is_implanted_is_one_use(theatre: Theatre) -> None:
    ready(theatre, 1)
    theatre.receive("NAIL", 1, lot="C1", ownership="consigned")
    use(theatre, "K1", lot="C1")
    kinds = [line.kind for line in theatre.lines()]
    assert kinds.count("consigned_use") == 2
    assert item(theatre.work).used == 1


def test_a_use_imported_and_scanned_counts_once_and_another_case_counts_too(
    theatre: Theatre,
) -> None:
    ready(theatre)
    use(theatre, "K1")
    # As an export of the old system would have it, with cases from before beside it.
    write_history(
        theatre.work,
        f"{TODAY},NAIL,1,L1,K1,implanted",
        f"{TODAY - timedelta(days=20)},NAIL,1,L0,K0,implanted",
    )
    answer = told(theatre.work)
    assert item(theatre.work).used == 2
    assert (answer.cases, answer.counted_once) == (2, 1)
    assert any("counted once" in note for note in answer.notes)


def test_days_without_any_on_the_shelf_are_not_days_without_demand(theatre: Theatre) -> None:
    ready(theatre, 1)
    use(theatre, "K1")
    # The only nail is gone on the first day; the next comes on the thirtieth.
    later(theatre.work, 29)
    empty = item(theatre.work)
    assert (empty.exposure_days, empty.days_without) == (1, 29)
    theatre.receive("NAIL", 1, lot="L2")
    later(theatre.work, 39)
    found = item(theatre.work)
    # There on the first day, then from the thirtieth (counted in) to the fortieth.
    assert (found.exposure_days, found.days_without) == (12, 28)
    # Somebody who read the stock-out as no demand would have seen 40 days.
    assert found.per_year is not None
    assert found.per_year.mean > 365.25 * 1 / 40
    assert any("28 days out of stock" in note for note in found.notes)


def test_what_only_expired_units_are_left_of_is_not_there(theatre: Theatre) -> None:
    theatre.receive("NAIL", 1, use_by=TODAY + timedelta(days=4))
    later(theatre.work, 9)
    assert item(theatre.work).exposure_days == 5


def test_a_new_item_starts_from_its_family(theatre: Theatre) -> None:
    for ref, diameter in (("NAIL-2", 12), ("NAIL-3", 10)):
        facts = {**ITEMS[0], "ref": ref, "gtin": None, "diameter_mm": diameter}
        theatre.work.write(partial(_add, facts))
    ready(theatre, 3)
    theatre.receive("NAIL-3", 1)
    later(theatre.work, 19)
    use(theatre, "K1")
    # The family: one use in twice twenty days on the shelf. NAIL-2 was never there.
    new = item(theatre.work, "NAIL-2")
    assert (new.used, new.exposure_days) == (0, 0)
    assert new.per_year is not None
    assert new.per_year.mean == pytest.approx(1 / 40 * 365.25)
    assert new.notes[0] == "New here: its family's rate is used."
    unused = item(theatre.work, "NAIL-3")
    assert unused.per_year is not None
    assert unused.per_year.mean < new.per_year.mean


def _add(facts: dict[str, Any], unit: Unit) -> None:
    add_item(unit, ItemBody.model_validate(facts))


def test_where_nothing_was_ever_there_the_rate_is_unknown_and_says_so(theatre: Theatre) -> None:
    answer = told(theatre.work)
    assert answer.watched == []
    assert answer.cases_per_year is None
    assert {one.per_year for one in answer.items} == {None}
    assert "No use is recorded yet" in answer.notes[0]
    assert "Not known" in item(theatre.work).notes[0]


def test_an_instrument_set_is_no_item_of_demand(theatre: Theatre) -> None:
    ready(theatre)
    assert "SET" not in {one.ref for one in told(theatre.work).items}


def test_a_kind_nobody_knows_is_refused(theatre: Theatre) -> None:
    with pytest.raises(BadInput) as refusal:
        theatre.work.read(lambda unit: demand(unit, "spoon", None))
    assert [fault.pointer for fault in refusal.value.faults] == ["/kind"]


# From seed_data/usage.csv, counted with a spreadsheet: 317 cases, from 5 September 2029 to
# 23 February 2031, 150 of them with an Ambleford nail alone, 55 with a blade nail.
def test_the_demos_cases_are_of_the_kinds_that_its_records_show(demo_work: Work) -> None:
    answer = demo_work.read(lambda unit: demand(unit, "lag_screw", "Ambleford"))
    assert answer.cases == 317
    assert [(one.first, one.last) for one in answer.watched] == [
        (date(2029, 9, 5), date(2031, 2, 23)),
        (TODAY, TODAY),
    ]
    kinds = {one.kind: one.cases for one in answer.case_kinds}
    nails = ("short single lag screw nail, Ambleford", "long single lag screw nail, Ambleford")
    assert sum(kinds[name] for name in nails) == 150
    assert kinds["short helical blade nail, Cindermoor"] == 55
    assert sum(one.share for one in answer.case_kinds) == pytest.approx(1.0)
    # About 215 a year: 317 in 538 days.
    assert answer.cases_per_year is not None
    assert answer.cases_per_year.lower < 317 / 538 * 365.25 < answer.cases_per_year.upper
    assert any("are not known" in note for note in answer.notes)
    used = {one.ref: one.used for one in answer.items}
    assert set(used) == {f"AMB-L-{mm:03}" for mm in range(70, 131, 5)}
    assert (used["AMB-L-085"], used["AMB-L-110"]) == (40, 0)
    shares = [one.share.share for one in answer.items if one.share is not None]
    assert sum(shares) == pytest.approx(1.0)
    for one in answer.items:
        assert one.per_year is not None
        assert one.per_year.lower < one.per_year.mean < one.per_year.upper
