"""What counts as the newest change of a site."""

from service.main import API_PARTS
from service.operations.people.audit import note
from service.operations.site import SHARED, UNSEEN, latest_change
from service.operations.work import Caller, Work
from tests.two_sites import add_site, work_at
from web.app import page_routers


def _write(work: Work, site_id: int, operation: str, outcome: str = "done") -> None:
    caller = Caller("somebody", person_id=1, site_id=site_id, operation=operation)
    work.write(lambda unit: note(unit, caller, outcome, {}))


def _version(work: Work, site_id: int) -> int:
    return work_at(work, site_id).read(latest_change).version


def test_a_change_counts_for_its_site_and_a_shared_one_for_all(work: Work) -> None:
    here = work.read(lambda unit: unit.site_id)
    there = add_site(work)
    assert (_version(work, here), _version(work, there)) == (0, 0)
    _write(work, here, "api.stock.record_movement")
    own = _version(work, here)
    assert own > 0
    assert _version(work, there) == 0
    _write(work, there, "api.stock.answer")
    assert _version(work, here) == _version(work, there) > own


def test_what_counts_for_all_sites_and_for_none_is_named_as_the_routes_are() -> None:
    routes = [route.endpoint for router in page_routers() for route in router.routes]  # type: ignore[attr-defined] # each has one
    routes += [route.endpoint for part in API_PARTS for route in part.router.routes]
    names = [f".{one.__module__.rsplit('.', 1)[-1]}.{one.__name__}" for one in routes]
    for begins in (*SHARED, *UNSEEN):
        assert any(name.startswith(f".{begins}") for name in names), begins


def test_coming_and_going_is_no_change(work: Work) -> None:
    here = work.read(lambda unit: unit.site_id)
    _write(work, here, "api.stock.record_movement")
    before = _version(work, here)
    _write(work, here, "web.pages.people.enter", "signed in")
    _write(work, here, "web.pages.people.enter", "refused")
    _write(work, here, "web.pages.people.leave")
    assert _version(work, here) == before
