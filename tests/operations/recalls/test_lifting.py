"""Who lifts a recall: the site that declared it, with a reason, and two people where it takes two.

That is common practice, no source.
"""

from dataclasses import replace

import pytest
from pydantic import ValidationError
from sqlalchemy import select, update

from service.errors import Conflict, Forbidden
from service.operations.recalls.notices import get_recall
from service.operations.recalls.start import lift_recall, start_recall
from service.operations.stock.movements import list_stock
from service.operations.work import Caller, Work
from service.schemas.recalls import LiftBody, RecallBody, RecallReport
from service.storage.tables import RECALL, Person
from tests.small_theatre import Theatre
from tests.two_sites import add_site, add_somebody

NOTICE = {"notice": "N-1", "ref": "NAIL", "reason": "cracks", "quarantine": False}


@pytest.fixture
def store(theatre: Theatre) -> Theatre:
    """A nail on the shelf, recalled by our own site."""
    theatre.receive("NAIL", 1)
    body = RecallBody.model_validate(NOTICE)
    theatre.work.write(lambda unit: start_recall(unit, body), "starter")
    return theatre


def lift(work: Work, reason: str = "taken back") -> RecallReport:
    return work.write(lambda unit: lift_recall(unit, "N-1", LiftBody(reason=reason)))


def usable(theatre: Theatre) -> int:
    page = theatre.work.read(lambda unit: list_stock(unit, limit=9))
    return sum(row.quantity for row in page.stock if not row.not_usable)


def door(work: Work, sign_in: str, site_id: int | None = None) -> Work:
    """Give the door of a storekeeper, with an account of their own."""
    key = add_somebody(work, sign_in, ["storekeeper"], site_id)
    query = select(Person).filter_by(id=key)
    site = work.read(lambda unit: unit.session.execute(query).scalar_one().site_id)
    caller = Caller(sign_in, person_id=key, site_id=site, roles=frozenset(["storekeeper"]))
    return work.for_caller(caller, lambda _unit: None)


def two_people(work: Work) -> Work:
    """Give the same door where it takes two people to lift a recall."""
    work.settings = work.settings.model_copy(update={"recall_lifters": 2})
    return work


def test_who_lifted_a_recall_and_why_stays_on_record(store: Theatre) -> None:
    assert usable(store) == 0
    found = lift(door(store.work, "kim"), "notice withdrawn by the supplier")
    assert (found.lifted_by, found.lifted_why) == ("kim", "notice withdrawn by the supplier")
    assert found.lifted_at is not None
    assert usable(store) == 1


def test_a_recall_is_not_lifted_without_a_reason() -> None:
    with pytest.raises(ValidationError):
        LiftBody.model_validate({"reason": " "})


def test_only_the_site_that_declared_a_recall_lifts_it(store: Theatre) -> None:
    there = door(store.work, "olga", add_site(store.work))
    seen = there.read(lambda unit: get_recall(unit, "N-1"))
    assert (seen.site, seen.may_lift) == ("This hospital", False)
    with pytest.raises(Forbidden, match="only This hospital can lift it"):
        lift(there)
    assert usable(store) == 0
    assert lift(door(store.work, "kim")).lifted_by == "kim"


def test_a_recall_whose_site_is_not_on_record_is_lifted_by_any_site(store: Theatre) -> None:
    store.work.write(lambda unit: unit.session.execute(update(RECALL).values(site_id=None)))
    assert lift(door(store.work, "olga", add_site(store.work))).lifted_by == "olga"


def test_where_it_takes_two_people_one_asks_and_another_lifts(store: Theatre) -> None:
    kim, lee = door(store.work, "kim"), door(store.work, "lee")
    asked = lift(two_people(kim), "notice withdrawn")
    assert (asked.lifted_at, asked.lift_asked_by) == (None, "kim")
    assert usable(store) == 0
    with pytest.raises(Conflict, match="another person"):
        lift(kim)
    assert usable(store) == 0
    done = lift(two_people(lee), "seen the letter")
    assert (done.lift_asked_by, done.lift_asked_why) == ("kim", "notice withdrawn")
    assert (done.lifted_by, done.lifted_why) == ("lee", "seen the letter")
    assert usable(store) == 1


def test_a_second_person_is_another_person_whatever_they_are_called(store: Theatre) -> None:
    """One account through its session and its token is one person; the service itself is none."""
    kim = two_people(door(store.work, "kim"))
    lift(kim)
    by_token = kim.for_caller(replace(kim.caller, name="kim (program)"), lambda _unit: None)
    for same in (two_people(by_token), two_people(store.work)):
        with pytest.raises(Conflict, match="another person"):
            lift(same)
    assert usable(store) == 0
