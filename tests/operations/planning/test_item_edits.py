"""An edit of a catalogue line shows whom it changes, asks, and has those cases checked again."""

from typing import Any

import pytest

from service.errors import BadInput, Conflict
from service.operations.catalogue import add_item, get_item
from service.operations.cover.check import check_case
from service.operations.imports import import_file
from service.operations.planning.confirm import confirm_plan_backups
from service.operations.planning.item_edits import edit_item
from service.operations.recalls.start import start_recall
from service.schemas.catalogue import ItemBody, ItemOut
from service.schemas.recalls import RecallBody
from tests.small_theatre import ITEMS, SHELF, Theatre
from tests.two_sites import add_site, furnish_other, work_at


@pytest.fixture
def planned(theatre: Theatre) -> Theatre:
    """A case that counts on the one nail and the one set; the surgeon has confirmed it."""
    theatre.receive("NAIL", 1)
    theatre.receive("SET", 1)
    theatre.add_case("K1")
    theatre.plan("K1")
    version = theatre.case("K1").version
    theatre.work.write(lambda unit: confirm_plan_backups(unit, "K1", 1, version), "surgeon")
    return theatre


def edit(
    theatre: Theatre,
    acknowledged: str = "",
    ref: str = "NAIL",
    **facts: Any,  # noqa: ANN401 - columns of any type
) -> ItemOut:
    known = theatre.work.read(lambda unit: get_item(unit, ref))
    body = ItemBody.model_validate(
        {**known.model_dump(include=set(ItemBody.model_fields)), **facts}
    )
    return theatre.work.write(
        lambda unit: edit_item(unit, ref, body, known.version, acknowledged), "storekeeper"
    )


def shown(theatre: Theatre, **facts: Any) -> Conflict:  # noqa: ANN401 - as above
    with pytest.raises(Conflict) as refused:
        edit(theatre, **facts)
    return refused.value


def state(theatre: Theatre) -> str:
    return theatre.work.read(lambda unit: check_case(unit, "K1").constructs[0].state)


@pytest.fixture(autouse=True)
def _another_nail(theatre: Theatre) -> None:
    """The catalogue has another nail of the system, so that the plan stays one that can be done."""
    body = ItemBody.model_validate({**ITEMS[0], "ref": "NAIL-2", "gtin": None, "length_mm": 200})
    theatre.work.write(lambda unit: add_item(unit, body))


def test_an_edit_shows_which_cases_and_units_rest_on_the_line(planned: Theatre) -> None:
    refusal = shown(planned, system="Other")
    assert refusal.facts["rests_on"] == ["case K1", "1 of NAIL at Store, A"]
    assert refusal.facts["changes"] == ["NAIL: system from Testfield to Other"]
    assert planned.work.read(lambda unit: get_item(unit, "NAIL")).system == "Testfield"
    assert state(planned) == "covered"


def test_a_seen_edit_is_made_and_the_case_loses_what_no_longer_fits(planned: Theatre) -> None:
    seen = str(shown(planned, system="Other").facts["acknowledge"])
    assert edit(planned, seen, system="Other").system == "Other"
    assert "NAIL" not in {one[0] for one in planned.held("K1")}
    assert state(planned) != "covered"
    assert planned.balance("NAIL") == (1, 0)
    check = planned.work.read(lambda unit: check_case(unit, "K1"))
    assert check.confirmation is not None
    assert not check.confirmation.in_force
    assert check.confirmation.changed
    kind, says = planned.events("K1")[-1]
    assert (kind, says) == (
        "catalogue",
        "The catalogue was changed: NAIL: system from Testfield to Other.",
    )


def test_what_was_seen_before_something_else_rested_on_the_line_is_shown_again(
    planned: Theatre,
) -> None:
    seen = str(shown(planned, system="Other").facts["acknowledge"])
    planned.add_case("K2", hour=14)
    planned.plan("K2")
    assert "case K2" in str(shown(planned, acknowledged=seen, system="Other").facts["rests_on"])
    other = str(shown(planned, system="Other").facts["acknowledge"])
    assert shown(planned, acknowledged=other, system="Third").facts["acknowledge"] != other


@pytest.mark.parametrize("facts", [{"description": "A nail"}, {"lead_time_days": 3}])
def test_what_no_case_rests_on_is_changed_without_asking(
    planned: Theatre, facts: dict[str, Any]
) -> None:
    assert edit(planned, **facts).version == 2
    assert planned.events("K1") == []


def test_a_line_that_nothing_rests_on_is_changed_without_asking(planned: Theatre) -> None:
    assert edit(planned, ref="CAP", system="Otherfield").system == "Otherfield"


def test_a_case_that_a_line_serves_from_now_on_is_checked_again(theatre: Theatre) -> None:
    theatre.receive("SET", 1)
    theatre.receive("NAIL", 1)
    seen = str(shown(theatre, system="Other").facts["acknowledge"])
    edit(theatre, seen, system="Other")
    theatre.add_case("K1")
    theatre.plan("K1")
    assert "NAIL" not in {one[0] for one in theatre.held("K1")}
    seen = str(shown(theatre, system="Testfield").facts["acknowledge"])
    edit(theatre, seen, system="Testfield")
    assert "NAIL" in {one[0] for one in theatre.held("K1")}


def test_cases_and_units_of_the_other_site_are_counted_and_checked_again(theatre: Theatre) -> None:
    there = Theatre(work_at(theatre.work, add_site(theatre.work)))
    furnish_other(there.work, SHELF)
    there.receive("NAIL", 1)
    there.receive("SET", 1)
    there.add_case("K9")
    there.plan("K9")
    refusal = shown(theatre, system="Other")
    assert refusal.facts["rests_on"] == ["Other hospital: 1 cases, units in 1 locations"]
    edit(theatre, str(refusal.facts["acknowledge"]), system="Other")
    assert "NAIL" not in {one[0] for one in there.held("K9")}
    assert there.events("K9")[-1][0] == "catalogue"


def test_a_supplier_that_a_recall_goes_by_stays_while_it_is_in_force(planned: Theatre) -> None:
    body = {"notice": "N-1", "supplier": "Test supply", "reason": "cracks", "quarantine": False}
    planned.work.write(lambda unit: start_recall(unit, RecallBody.model_validate(body)))
    with pytest.raises(BadInput) as refused:
        edit(planned, supplier="Another supply")
    assert "N-1" in refused.value.faults[0].reason
    assert state(planned) != "covered"


def test_a_file_asks_as_an_edit_does(planned: Theatre) -> None:
    known = planned.work.read(lambda unit: get_item(unit, "NAIL"))
    facts = {**known.model_dump(include=set(ItemBody.model_fields)), "system": "Other"}
    names = [name for name, value in facts.items() if value is not None]
    cells = {**facts, "supplied_sterile": "yes", "reusable": "no"}
    text = "\n".join([",".join(names), ",".join(str(cells[name]) for name in names), ""])

    def bring(acknowledged: str) -> int:
        return planned.work.write(
            lambda unit: import_file(
                unit,
                "catalogue",
                text.encode(),
                "catalogue.csv",
                take_good_rows=False,
                acknowledged=acknowledged,
            )
        ).changed

    with pytest.raises(Conflict) as refused:
        bring("")
    assert refused.value.facts["rests_on"] == ["case K1", "1 of NAIL at Store, A"]
    assert bring(str(refused.value.facts["acknowledge"])) == 1
    assert "NAIL" not in {one[0] for one in planned.held("K1")}
