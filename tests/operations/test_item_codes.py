"""A code that was taught wrongly can be taken back, and who taught it and who took it is kept."""

import pytest

from service.errors import NotFound
from service.operations.catalogue import learn_code, taught_codes, unlearn_code
from service.operations.people.audit import trail
from service.operations.trays.scans import scan_pack
from service.operations.work import Caller
from service.schemas.catalogue import TaughtCode, UnlearnBody
from service.schemas.trays import LearnBody, ScanBody
from service.storage.tables import AuditLine
from tests.small_theatre import Theatre

#: A GTIN with a right check digit (GS1 General Specifications, 7.9) that the catalogue has not.
GTIN = "02910000009997"
LABEL = f"(01){GTIN}(17)330101(10)L1"


@pytest.fixture
def taught(theatre: Theatre) -> Theatre:
    """The code of the nail's pack has been taught as the cap's."""
    theatre.receive("NAIL", 1)
    theatre.receive("CAP", 1)
    body = LearnBody(raw=LABEL, ref="CAP")
    theatre.work.write(lambda unit: learn_code(unit, body), "nurse")
    return theatre


def read_as(theatre: Theatre) -> str | None:
    said = theatre.work.read(lambda unit: scan_pack(unit, ScanBody(raw=LABEL)))
    return None if said.item is None else said.item.ref


def unlearn(theatre: Theatre, code: str = GTIN) -> TaughtCode:
    body = UnlearnBody(reason="another pack was in hand")
    return theatre.work.write(lambda unit: unlearn_code(unit, code, body), "storekeeper")


def test_codes_that_were_taught_are_listed_with_who_taught_them(taught: Theatre) -> None:
    found = taught.work.read(taught_codes)
    assert [(one.code, one.ref, one.taught_by) for one in found.known] == [(GTIN, "CAP", "nurse")]
    assert taught.work.read(lambda unit: taught_codes(unit, "NAIL")).known == []


def test_a_code_that_was_taken_back_is_unknown_and_can_be_taught_right(taught: Theatre) -> None:
    assert read_as(taught) == "CAP"
    gone = unlearn(taught)
    assert (gone.taught_by, gone.unlearned_by, gone.reason) == (
        "nurse",
        "storekeeper",
        "another pack was in hand",
    )
    assert read_as(taught) is None
    taught.work.write(lambda unit: learn_code(unit, LearnBody(raw=LABEL, ref="NAIL")), "nurse")
    assert read_as(taught) == "NAIL"
    found = taught.work.read(taught_codes)
    assert [(one.ref, one.taught_by) for one in found.known] == [("NAIL", "nurse")]
    assert [(one.ref, one.unlearned_by) for one in found.unlearned] == [("CAP", "storekeeper")]


def test_what_was_scanned_with_it_stays_on_record(taught: Theatre) -> None:
    taught.add_case("K1")
    taught.pick("K1", "CAP", although="by its code")
    before = [tuple(line) for line in taught.lines()]
    unlearn(taught)
    assert [tuple(line) for line in taught.lines()] == before
    assert [one.ref for one in taught.tray("K1").packs] == ["CAP"]


@pytest.mark.parametrize("code", ["02910000000017", "nothing"])
def test_only_what_was_taught_is_taken_back(taught: Theatre, code: str) -> None:
    """The first is the nail's own GTIN, which the catalogue has."""
    with pytest.raises(NotFound):
        unlearn(taught, code)
    unlearn(taught)
    with pytest.raises(NotFound):
        unlearn(taught)


def test_the_trail_names_the_code(taught: Theatre) -> None:
    caller = Caller("kim", operation="api.trays.unlearn_code")
    door = taught.work.for_caller(caller, lambda unit: trail(unit, caller))
    body = UnlearnBody(reason="another pack was in hand")
    door.write(lambda unit: unlearn_code(unit, GTIN, body))
    line = taught.rows(AuditLine)[-1]
    assert (line.actor, line.operation, line.facts) == (
        "kim",
        "api.trays.unlearn_code",
        {"codes": [GTIN]},
    )
