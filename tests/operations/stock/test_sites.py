"""Two hospitals in one database: neither sees, counts on or takes what is the other's."""

import pytest

from service.errors import BadInput, Conflict, NotFound, ServiceError, Taken
from service.operations.recalls import notices, start
from service.operations.stock import transfers
from service.operations.stock.view import expiring
from service.operations.trays import scans
from service.operations.work import Work
from service.schemas.recalls import RecallBody
from service.schemas.stock import AnswerBody, ArrivalBody, AskBody
from service.schemas.trays import ScanBody
from tests.small_theatre import QUARANTINE, SHELF, Theatre, case_fields
from tests.two_sites import add_site, furnish_other, own_code, work_at


@pytest.fixture
def other(theatre: Theatre) -> Theatre:
    """The same department once more, at another hospital; its shelves have the same names."""
    site_id = add_site(theatre.work)
    made = Theatre(work_at(theatre.work, site_id))
    made.actor = "stranger"
    furnish_other(made.work, SHELF)
    return made


def _ask(asking: Work, site: str, **more: object) -> int:
    facts = {"site": site, "ref": "NAIL", "quantity": 1, "to": SHELF, **more}
    body = AskBody.model_validate(facts)
    return asking.write(lambda unit: transfers.ask_for_units(unit, body)).id


def _agree(giving: Work, key: int, **more: object) -> str:
    facts = {"agreed": True, "lot": "L1", "origin": SHELF, **more}
    body = AnswerBody.model_validate(facts)
    return giving.write(lambda unit: transfers.answer_transfer(unit, key, body)).state


def _receive(taking: Work, key: int) -> None:
    body = ArrivalBody(quantity=1, condition="arrived")
    taking.write(lambda unit: transfers.receive_transfer(unit, key, body))


def test_a_pack_on_the_other_sites_shelf_is_not_brought_to_a_tray(
    theatre: Theatre, other: Theatre
) -> None:
    other.receive("NAIL", 1)
    theatre.add_case("K1")
    with pytest.raises(BadInput, match="Nothing was saved"):
        theatre.pick("K1", "NAIL", although="none is here")
    assert other.balance("NAIL") == (1, 0)


def test_the_other_sites_stock_does_not_cover_a_case(theatre: Theatre, other: Theatre) -> None:
    other.receive("NAIL", 3)
    other.receive("SET", 1)
    theatre.add_case("K1")
    theatre.plan("K1")
    assert theatre.held("K1") == []
    assert other.balance("NAIL") == (3, 0)


def test_the_other_sites_units_are_not_moved_held_or_written_off(
    theatre: Theatre, other: Theatre
) -> None:
    other.receive("NAIL", 2)
    theatre.add_case("K1")
    refused = (
        lambda: theatre.promise("K1", "NAIL"),
        lambda: theatre.record("move", lot="L1", quantity=1, origin=SHELF, to=QUARANTINE),
        lambda: theatre.record("quarantine", lot="L1", quantity=1, origin=SHELF, reason="dented"),
        lambda: theatre.record("write_off", lot="L1", quantity=1, at=SHELF, reason="dented"),
    )
    for one in refused:
        with pytest.raises(ServiceError):
            one()
    assert other.balance("NAIL") == (2, 0)


def test_a_line_of_the_other_sites_ledger_is_not_corrected(
    theatre: Theatre, other: Theatre
) -> None:
    seq = other.receive("NAIL", 2).seq
    with pytest.raises(NotFound):
        theatre.record("correction", ref=None, seq=seq, reason="not ours")
    assert other.balance("NAIL") == (2, 0)
    other.record("correction", ref=None, seq=seq, reason="ours")
    assert other.balance("NAIL") == (0, 0)


def test_a_scan_does_not_name_the_other_sites_cases(theatre: Theatre, other: Theatre) -> None:
    theatre.receive("NAIL", 1)
    other.receive("NAIL", 1)
    other.add_case("THEIRS")
    other.promise("THEIRS", "NAIL")
    # The nail's GTIN stands in the catalogue of the small department.
    body = ScanBody(raw="(01)02910000000017(17)330101(10)L1")
    found = theatre.work.read(lambda unit: scans.scan_pack(unit, body))
    assert [(one.store, one.shelf, one.quantity) for one in found.comes_from] == [("Store", "A", 1)]
    assert found.held_for == []


def test_a_recall_reports_each_site_its_own_units_and_tells_its_own_cases(
    theatre: Theatre, other: Theatre
) -> None:
    theatre.receive("NAIL", 2)
    other.receive("NAIL", 3)
    other.add_case("THEIRS")
    other.pick("THEIRS", "NAIL", although="to hand")
    other.add_case("NEXT")
    other.promise("NEXT", "NAIL")
    body = RecallBody.model_validate(
        {"notice": "N-1", "ref": "NAIL", "lot": "L1", "reason": "cracks", "quarantine": True}
    )
    report = theatre.work.write(lambda unit: start.start_recall(unit, body))
    assert (report.moved, report.cases_told, report.on_trays, report.on_lists) == (2, [], [], [])
    theirs = other.work.read(lambda unit: notices.get_recall(unit, "N-1"))
    assert [one.case for one in theirs.on_trays] == ["THEIRS"]
    assert sum(one.quantity for one in theirs.on_shelves) == 2
    assert sum(one.quantity for one in theirs.in_quarantine) == 0


def test_two_sites_may_use_the_same_case_reference(theatre: Theatre, other: Theatre) -> None:
    for one, quantity in ((theatre, 1), (other, 2)):
        one.receive("NAIL", quantity)
        one.add_case("K1")
        one.pick("K1", "NAIL", quantity, although="to hand")
    # When the test ends, the books of both must be true: see the fixture of the department.
    assert [one.tray("K1").unaccounted for one in (theatre, other)] == [1, 2]


def test_what_expires_is_each_sites_own(theatre: Theatre, other: Theatre) -> None:
    other.receive("NAIL", 1)
    assert theatre.work.read(lambda unit: expiring(unit, 3000)).units == []
    assert len(other.work.read(lambda unit: expiring(unit, 3000)).units) == 1


def test_units_move_between_sites_only_when_the_other_agrees(
    theatre: Theatre, other: Theatre
) -> None:
    theatre.receive("NAIL", 2)
    key = _ask(other.work, own_code(theatre.work))
    assert (theatre.balance("NAIL"), other.balance("NAIL")) == ((2, 0), (0, 0))
    with pytest.raises(NotFound):
        _agree(other.work, key)
    assert _agree(theatre.work, key) == "sent"
    assert (theatre.balance("NAIL"), other.balance("NAIL")) == ((1, 0), (0, 0))
    with pytest.raises(Conflict):
        _agree(theatre.work, key)
    line = theatre.lines()[-1]
    assert (line.actor, line.reason) == ("the service", f"transfer {key}")
    _receive(other.work, key)
    assert (theatre.balance("NAIL"), other.balance("NAIL")) == ((1, 0), (1, 0))
    line = theatre.lines()[-1]
    assert (line.actor, line.reason) == ("stranger", f"transfer {key}")


def test_a_refused_transfer_moves_nothing(theatre: Theatre, other: Theatre) -> None:
    theatre.receive("NAIL", 2)
    key = _ask(other.work, own_code(theatre.work))
    assert _agree(theatre.work, key, agreed=False) == "refused"
    assert (theatre.balance("NAIL"), other.balance("NAIL")) == ((2, 0), (0, 0))
    with pytest.raises(Conflict):
        _agree(theatre.work, key)


def test_only_units_that_are_free_go(theatre: Theatre, other: Theatre) -> None:
    theatre.receive("NAIL", 1)
    theatre.add_case("K1")
    theatre.promise("K1", "NAIL")
    key = _ask(other.work, own_code(theatre.work))
    with pytest.raises(BadInput, match="Nothing was saved"):
        _agree(theatre.work, key)
    assert theatre.held("K1") == [("NAIL", "L1", "A", 1)]
    rows = theatre.work.read(transfers.list_transfers).transfers
    assert [row.state for row in rows] == ["asked"]


def test_a_set_that_is_promised_does_not_go(theatre: Theatre, other: Theatre) -> None:
    theatre.receive("SET", 1)
    theatre.add_case("K1")
    theatre.promise("K1", "SET")
    key = _ask(other.work, own_code(theatre.work), ref="SET")
    with pytest.raises((BadInput, Taken)):
        _agree(theatre.work, key)
    assert theatre.balance("SET")[0] == 1


def test_a_recalled_lot_does_not_go_to_the_other_site(theatre: Theatre, other: Theatre) -> None:
    theatre.receive("NAIL", 1)
    body = RecallBody.model_validate(
        {"notice": "N-1", "lot": "L1", "reason": "cracks", "quarantine": False}
    )
    theatre.work.write(lambda unit: start.start_recall(unit, body))
    key = _ask(other.work, own_code(theatre.work))
    with pytest.raises(BadInput):
        _agree(theatre.work, key)
    assert other.balance("NAIL") == (0, 0)


def test_a_transfer_does_not_go_to_a_tray(theatre: Theatre, other: Theatre) -> None:
    other.receive("NAIL", 1)
    other.add_case("K1", theatre=str(case_fields()["theatre"]))
    other.pick("K1", "NAIL", although="to hand")
    tray = {"store": "T1", "shelf": "K1"}
    with pytest.raises(BadInput):
        _ask(other.work, own_code(theatre.work), to=tray)


def test_a_transfer_that_has_arrived_is_not_taken_back_by_a_correction(
    theatre: Theatre, other: Theatre
) -> None:
    theatre.receive("NAIL", 1)
    key = _ask(other.work, own_code(theatre.work))
    _agree(theatre.work, key)
    seq = theatre.lines()[-1].seq
    _receive(other.work, key)
    with pytest.raises(Conflict, match="transfer back"):
        theatre.record("correction", ref=None, seq=seq, reason="changed our mind")
    with pytest.raises(Conflict, match="Only the sending site"):
        other.record("correction", ref=None, seq=seq, reason="changed our mind")
    assert other.balance("NAIL") == (1, 0)
