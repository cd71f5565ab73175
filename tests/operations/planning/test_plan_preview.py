"""Planning on one page: tried without a trace, saved both or neither, and true to what is shown."""

import csv
from datetime import date, timedelta
from functools import partial
from pathlib import Path

import pytest
from fastapi.testclient import TestClient
from pydantic import ValidationError

from service.errors import BadInput, Stale
from service.operations.cases.lookup import get_case, last_change_of, require_case
from service.operations.cover.check import check_day, pick_route
from service.operations.planning.what_if import (
    preview_case_plan,
    save_case_plan,
    view_case,
    what_if_case,
)
from service.operations.readiness import day_readiness
from service.operations.stock.sets import set_times
from service.operations.work import Unit, Work
from service.schemas.cases import CaseOut
from service.schemas.what_if import CasePlanBody, CaseWhatIfBody, PlanPreviewOut
from service.storage.queries import cases, holds
from tests.conftest import NAME

SEED = Path(__file__).parents[3] / "seed_data"


CASE, DAY = "HAR-0712", date(2031, 3, 4)


LONG_NAIL = "long-single-lag-nail@Ambleford/130"


def _body(**plan: object) -> CasePlanBody:
    return CasePlanBody.model_validate(
        {
            "side": "left",
            "sex": "F",
            "fracture_class": "31A2.2",
            "class_year": 2018,
            "measurements": {"neck_film_mm": 108, "canal_film_mm": 14, "marker_film_mm": 30},
            "plan": {"primary": "short-single-lag-nail@Ambleford/130", **plan},
        }
    )


def _case(work: Work) -> CaseOut:
    return work.read(lambda unit: get_case(unit, CASE))


def _tried(work: Work, body: CasePlanBody) -> PlanPreviewOut:
    version = _case(work).version
    return work.rehearse(lambda unit: preview_case_plan(unit, CASE, body, version)).finished()


def _held(work: Work) -> list[tuple[object, ...]]:
    return work.read(
        lambda unit: [tuple(row) for row in holds.active_rows(unit.session, unit.site_id)]
    )


def test_a_tried_plan_leaves_no_trace(demo_work: Work) -> None:
    before = _case(demo_work), _held(demo_work)
    tried = _tried(demo_work, _body())
    assert tried.case.plan is not None
    assert tried.case.plan.revision == 2
    assert (_case(demo_work), _held(demo_work)) == before


def test_what_is_tried_is_what_is_saved(demo_work: Work) -> None:
    body, version = _body(alternates=[LONG_NAIL]), _case(demo_work).version
    tried = _tried(demo_work, body)
    demo_work.write(lambda unit: save_case_plan(unit, CASE, body, version))
    saved = demo_work.read(lambda unit: view_case(unit, CASE))
    assert tried.check is not None
    assert saved.check is not None
    assert [(one.planned, one.state, one.gaps) for one in tried.check.constructs] == [
        (one.planned, one.state, one.gaps) for one in saved.check.constructs
    ]
    assert tried.readiness == saved.readiness
    assert tried.measures == saved.measures


def test_the_true_size_and_the_screw_follow_from_the_film(demo_work: Work) -> None:
    # Film x true / shown: 108 x 25 / 30 = 90 mm; the screw is 5 mm shorter (textbook).
    (neck,) = [one for one in _tried(demo_work, _body()).measures if one.dimension == "neck"]
    assert neck.mean_mm == pytest.approx(90)
    (screw,) = neck.sizes
    assert (screw.role, screw.size_mm) == ("lag screw", 85)
    assert [one.size_mm for one in screw.beside] == [80, 90]


def test_without_a_construct_the_true_sizes_are_told_and_nothing_else(demo_work: Work) -> None:
    tried = _tried(demo_work, _body().model_copy(update={"plan": None}))
    assert (tried.check, tried.suggested, tried.offered) == (None, None, {})
    assert {one.dimension for one in tried.measures} >= {"neck", "canal"}
    assert all(one.sizes == [] for one in tried.measures)


def test_a_suggestion_has_the_cover_it_would_have_if_it_were_accepted(demo_work: Work) -> None:
    tried = _tried(demo_work, _body())
    assert len(tried.offered) >= 2
    for planned, offered in tried.offered.items():
        check = _tried(demo_work, _body(alternates=[planned])).check
        assert check is not None
        (accepted,) = [one for one in check.constructs if one.planned == planned]
        assert (accepted.state, accepted.gaps) == (offered.state, offered.gaps)


def test_a_plan_made_from_an_old_version_saves_neither_fracture_nor_plan(demo_work: Work) -> None:
    before = _case(demo_work)
    with pytest.raises(Stale):
        demo_work.write(lambda unit: save_case_plan(unit, CASE, _body(), before.version - 1))
    assert _case(demo_work) == before


def test_a_plan_that_cannot_be_done_leaves_the_fracture_as_it_was(demo_work: Work) -> None:
    before = _case(demo_work)
    body = _body(primary="short-single-lag-nail@Nobody/130")
    with pytest.raises(BadInput, match="The plan has errors"):
        demo_work.write(lambda unit: save_case_plan(unit, CASE, body, before.version))
    assert _case(demo_work) == before


def test_what_was_refused_is_kept_with_its_reason_and_not_checked(demo_work: Work) -> None:
    body = _body(refused=[{"alternate": LONG_NAIL, "reason": "canal too narrow"}])
    version = _case(demo_work).version
    saved = demo_work.write(lambda unit: save_case_plan(unit, CASE, body, version))
    assert saved.plan is not None
    assert [(one.alternate, one.reason) for one in saved.plan.refused] == [
        (LONG_NAIL, "canal too narrow")
    ]
    check = demo_work.read(lambda unit: view_case(unit, CASE)).check
    assert check is not None
    assert [one.planned for one in check.constructs] == [saved.plan.primary]


def test_a_construct_cannot_be_refused_and_planned_at_once() -> None:
    with pytest.raises(ValidationError, match="both declined and planned"):
        _body(alternates=[LONG_NAIL], refused=[{"alternate": LONG_NAIL}])


def test_a_plan_of_before_refusals_saved_again_is_no_new_revision(demo_work: Work) -> None:
    def forget(unit: Unit) -> None:
        plan = cases.latest_plan(unit.session, require_case(unit, CASE).id or 0)
        assert plan is not None
        plan.body = {name: value for name, value in plan.body.items() if name != "refused"}

    demo_work.write(forget)
    known = _case(demo_work)
    assert known.plan is not None
    body = CasePlanBody.model_validate(
        {
            **known.model_dump(include={"side", "sex", "fracture_class", "class_year"}),
            "findings": known.findings.model_dump(),
            "measurements": known.measurements.model_dump(),
            "plan": known.plan.model_dump(include={"primary", "alternates", "needs", "near"}),
        }
    )
    saved = demo_work.write(lambda unit: save_case_plan(unit, CASE, body, known.version))
    assert saved.plan is not None
    assert saved.plan.revision == known.plan.revision


def test_a_case_has_the_readiness_its_list_day_shows(demo_work: Work) -> None:
    day = demo_work.read(lambda unit: day_readiness(unit, DAY))
    assert len(day.cases) == 4
    for told in day.cases:
        view = demo_work.read(partial(view_case, reference=told.case))
        assert view.readiness == told


def test_a_missing_pack_tried_covers_the_case_and_is_not_there_afterwards(demo_work: Work) -> None:
    body = CaseWhatIfBody.model_validate({"add_units": [{"ref": "FAL-L-115"}]})
    tried = demo_work.rehearse(lambda unit: what_if_case(unit, CASE, body))
    assert tried.check is not None
    assert tried.check.state == "covered"
    now = demo_work.read(lambda unit: view_case(unit, CASE)).check
    assert now is not None
    assert now.state == "partly covered"


def test_another_measure_is_tried_and_asking_nothing_is_refused(demo_work: Work) -> None:
    body = CaseWhatIfBody(canal_film_mm=11.8)
    tried = demo_work.rehearse(lambda unit: what_if_case(unit, CASE, body))
    (canal,) = [one for one in tried.measures if one.dimension == "canal"]
    # The film of this case shows the 25 mm marker as 29.5 mm: 11.8 x 25 / 29.5 = 10.
    assert canal.mean_mm == pytest.approx(10)
    with pytest.raises(BadInput, match="Nothing to try"):
        demo_work.rehearse(lambda unit: what_if_case(unit, CASE, CaseWhatIfBody()))


def test_a_set_is_back_its_turnaround_after_the_case(demo_work: Work) -> None:
    with (SEED / "catalogue.csv").open(newline="") as file:
        minutes = {
            row["ref"]: int(row["turnaround_minutes"])
            for row in csv.DictReader(file)
            if row["turnaround_minutes"]
        }
    told = demo_work.read(lambda unit: set_times(unit, check_day(unit, DAY)))
    assert {one.ref for one in told} >= {"AMB-IS", "CIN-IS", "FAL-IS"}
    for one in told:
        assert one.turnaround_minutes == minutes[one.ref]
        assert [use.starts_at for use in one.uses] == sorted(use.starts_at for use in one.uses)
        for use in one.uses:
            assert use.back_at - use.ends_at == timedelta(minutes=minutes[one.ref])


def test_the_pick_list_knows_the_gtins_of_its_packs(demo_work: Work) -> None:
    with (SEED / "catalogue.csv").open(newline="") as file:
        gtins = {row["ref"]: row["gtin"] for row in csv.DictReader(file)}
    told = demo_work.read(lambda unit: pick_route(unit, CASE))
    assert told.gtins
    assert all(gtins[ref] == gtin for ref, gtin in told.gtins.items())


def test_the_last_change_of_a_case_has_a_name_and_a_moment(demo_client: TestClient) -> None:
    work = demo_client.app.state.work  # type: ignore[attr-defined] # the application's own
    assert work.read(lambda unit: last_change_of(unit, CASE)) is None
    version = demo_client.get(f"/api/v1/cases/{CASE}").headers["etag"]
    answer = demo_client.put(
        f"/api/v1/cases/{CASE}/plan",
        headers={"If-Match": version},
        json={"primary": "short-single-lag-nail@Ambleford/130"},
    )
    assert answer.status_code == 200
    changed = work.read(lambda unit: last_change_of(unit, CASE))
    assert changed is not None
    assert changed.actor == NAME
    assert f"{changed.at:%H:%M}" == "07:00"
    assert work.read(lambda unit: last_change_of(unit, "HAR-071")) is None
