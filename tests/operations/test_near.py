"""What guidance wants near for metal in the bone is a line of the pick list, or a gap in words."""

from functools import partial
from typing import Any

import pytest

from service.operations.cover.check import check_case
from service.operations.guidance import load_guidance
from service.operations.planner import planner_of
from service.operations.planning.case_changes import add_case, make_plan
from service.operations.stock.movements import record_movement
from service.operations.work import Unit, Work
from service.schemas.cases import CaseBody, PlanBody
from service.schemas.cover import CaseCheckOut
from service.schemas.stock import MoveBody
from tests.operations.tiny_hospital import DAY, build

#: The one demo case with metal in the bone; its plan names nothing to have near.
WITH_METAL, WITHOUT = "HAR-0746", "HAR-0747"


SETS = {"extraction set": "GEN-IS-EXTR", "broken screw set": "GEN-IS-BROK"}


def look(work: Work, case: str) -> CaseCheckOut:
    return work.read(lambda unit: check_case(unit, case))


def test_the_sets_for_metal_in_the_bone_are_on_the_pick_list(demo_work: Work) -> None:
    check = look(demo_work, WITH_METAL)
    assert {line.label: line.refs for line in check.near} == {
        label: [ref] for label, ref in SETS.items()
    }
    rows = {row.ref: row for row in check.pick_list}
    for ref in SETS.values():
        assert (rows[ref].quantity, rows[ref].place) == (1, "on its shelf")
    assert check.state == "covered if"
    assert look(demo_work, WITHOUT).near == []


@pytest.mark.parametrize("label", sorted(SETS))
def test_a_case_whose_set_cannot_be_used_is_not_covered_and_says_so(
    demo_work: Work, label: str
) -> None:
    ref = SETS[label]

    def set_aside(unit: Unit) -> None:
        shelf = {"extraction set": "H-02-3", "broken screw set": "H-02-4"}[label]
        body = {
            "kind": "move",
            "ref": ref,
            "serial": f"{ref}-1",
            "quantity": 1,
            "origin": {"store": "Theatre store", "shelf": shelf},
            "to": {"store": "Quarantine", "shelf": "Q-01-1", "kind": "quarantine"},
            "reason": "a hinge is loose",
        }
        record_movement(unit, MoveBody.model_validate(body))

    demo_work.write(set_aside)
    check = look(demo_work, WITH_METAL)
    assert check.state == "partly covered"
    assert f"{label}: " in check.says
    assert "in quarantine" in check.says


def test_a_set_that_no_catalogue_line_is_for_is_a_gap(work: Work) -> None:
    build(work, {"P-N11": 4, "P-N10": 4, "P-N12": 4, "P-L95": 4, "P-IS": 1}, dropped=0)
    rules: dict[str, Any] = {
        "conversion": {"probability": 0.1, "source": "common practice, no source"},
        "near": [
            {
                "code": "near-extraction",
                "what": ["extraction_set"],
                "when": [{"finding": "existing_metal", "equals": "present"}],
                "reason": "Metal is in the bone.",
                "source": "common practice",
            }
        ],
    }
    work.write(partial(load_guidance, data=rules))
    found = {}
    for case, metal in (("K1", "present"), ("K2", "none")):
        body = CaseBody.model_validate(
            {
                "reference": case,
                "list_date": DAY,
                "theatre": case,
                "starts": "08:30",
                "ends": "10:00",
                "position": 1,
                "side": "left",
                "findings": {"existing_metal": metal},
            }
        )
        plan = PlanBody.model_validate({"primary": "tiny-nail@P/130"})
        work.write(partial(_add, body=body, plan=plan))
        found[case] = look(work, case)
    assert "extraction set: not in the catalogue." in found["K1"].says
    assert found["K1"].state != "covered"
    assert "extraction set" not in found["K2"].says


def _add(unit: Unit, body: CaseBody, plan: PlanBody) -> None:
    version = add_case(unit, body).version
    make_plan(unit, body.reference, plan, version)


def test_each_row_to_pick_names_its_own_pack_and_not_another_that_would_serve(
    demo_work: Work,
) -> None:
    """The columns of catalogue.csv are the truth of a pack: a plate of five holes is no four."""
    items = {one.ref: one for one in demo_work.read(lambda unit: planner_of(unit).facts)}
    rows = [
        row
        for case in ("HAR-0712", "HAR-0714", "HAR-0720")
        for row in demo_work.read(partial(check_case, reference=case)).pick_list
    ]
    assert {items[row.ref].kind for row in rows} >= {"side_plate", "lag_screw", "cortical_screw"}
    for row in rows:
        item = items[row.ref]
        if item.holes is not None:
            assert f"{item.holes} holes" in row.label
        if item.length_mm is not None:
            assert f"{item.length_mm:g} mm" in row.label
        if item.diameter_mm is not None:
            assert f"{item.diameter_mm:g} " in row.label
