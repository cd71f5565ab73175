"""Units on their way between two hospitals: the first has them no more, the second not yet.

What is expected is what is true of a box on a van (common practice, no source): it lies on no
shelf, nobody opens it, it may come late, broken or not at all, and it is there when it has been
received.
"""

from collections.abc import Callable, Mapping
from datetime import date, datetime, timedelta

import pytest

from service.core.sizing.figures import DELIVERY_IN_TIME, SUPPLY_FIGURES
from service.errors import BadInput, Conflict, NotFound, ServiceError
from service.operations import fhir
from service.operations.cover.check import check_case
from service.operations.holds import reserve
from service.operations.par.basis import on_shelf
from service.operations.planning.confirm import confirm_plan_backups
from service.operations.readiness import day_problem
from service.operations.recalls import notices, start
from service.operations.shortfalls.shortfalls import shortfalls
from service.operations.stock import reprocessing, sets, transfers, view
from service.operations.stock_units import sets_of_day
from service.operations.trays import scans
from service.operations.work import Unit, Work
from service.schemas.cover import CaseCheckOut
from service.schemas.orders import SteriliseBody
from service.schemas.recalls import RecallBody
from service.schemas.stock import AnswerBody, ArrivalBody, AskBody, TransferOut
from service.schemas.trays import NamedPackBody
from service.storage.tables import Location, Transfer
from tests.conftest import NOW
from tests.small_theatre import BACKUP, OTHER_SHELF, PRIMARY, QUARANTINE, SHELF, Theatre, furnish
from tests.two_sites import OTHER_CODE, add_site, furnish_other, own_code, work_at

TODAY = NOW.date()


#: Where the small department puts what is in transit to it.
VAN = {"store": "In transit", "shelf": "From other sites"}


class Pair:
    """The hospital that gives (``near``) and the one that takes (``far``); one clock for both."""

    def __init__(self, near: Theatre) -> None:
        self.near = near
        self.far = Theatre(work_at(near.work, add_site(near.work)))
        self.far.actor = "stranger"
        furnish_other(self.far.work, SHELF, OTHER_SHELF, {**QUARANTINE, "kind": "quarantine"})

    def set_clock(self, now: datetime) -> None:
        self.near.work.clock = self.far.work.clock = lambda: now

    def send(self, ref: str = "NAIL", quantity: int = 1, **more: object) -> int:
        """Let the one ask and the other agree; gives the number of the transfer."""
        asked = {"site": own_code(self.near.work), "ref": ref, "quantity": quantity, "to": SHELF}
        ask = AskBody.model_validate(asked)
        key = self.far.work.write(lambda unit: transfers.ask_for_units(unit, ask)).id
        self.answer(key, **more)
        return key

    def answer(self, key: int, **more: object) -> TransferOut:
        facts = {"agreed": True, "lot": "L1", "origin": SHELF, **more}
        body = AnswerBody.model_validate(facts)
        return self.near.work.write(lambda unit: transfers.answer_transfer(unit, key, body))

    def receive(self, key: int, quantity: int = 1, **more: object) -> TransferOut:
        facts = {"quantity": quantity, "condition": "arrived", **more}
        body = ArrivalBody.model_validate(facts)
        return self.far.work.write(lambda unit: transfers.receive_transfer(unit, key, body))

    def transfer(self, key: int) -> TransferOut:
        rows = self.far.work.read(transfers.list_transfers).transfers
        return next(row for row in rows if row.id == key)

    def check(self, case: str) -> CaseCheckOut:
        return self.far.work.read(lambda unit: check_case(unit, case))


@pytest.fixture
def pair(theatre: Theatre) -> Pair:
    """Two nails, a cap and a set at the hospital that gives; nothing at the other."""
    made = Pair(theatre)
    theatre.receive("NAIL", 2)
    theatre.receive("CAP", 1)
    theatre.receive("SET", 1)
    return made


def at(hour: int, minute: int = 0) -> datetime:
    """Give a moment of today; in March the clock at both hospitals shows UTC."""
    return NOW.replace(hour=hour, minute=minute)


def _case(pair: Pair, reference: str = "K1", hour: int = 14) -> None:
    """Plan a case of today that lacks its nail alone: the set is there."""
    if not pair.far.lines() or pair.far.balance("SET") == (0, 0):
        pair.far.receive("SET", 2)
    pair.far.add_case(reference, day=TODAY, hour=hour, theatre=reference)
    pair.far.plan(reference, PRIMARY)


#: Everybody who reads the stock of the site that takes.
READERS: Mapping[str, Callable[[Unit], object]] = {
    "check": lambda unit: check_case(unit, "K1").model_dump(),
    "stock pages": lambda unit: [
        (one.ref, one.here, one.free, one.promised, one.needed)
        for kind in ("single_lag_screw_nail", "nail_instrument_set")
        for one in view.sizes_of(unit, kind)
    ],
    "families": lambda unit: [(one.kind, one.here, one.free) for one in view.families(unit)],
    "the weeks to come": lambda unit: [
        (day.there, day.promised, day.free)
        for day in view.projection_of(unit, ["NAIL", "SET"]).days
    ],
    "what expires": lambda unit: view.expiring(unit, 3000).model_dump(),
    "par": on_shelf,
    "FHIR": lambda unit: [
        fhir.search(unit, kind, "http://x", after="", count=50)
        for kind in ("InventoryReport", "Device")
    ],
    "readiness": lambda unit: day_problem(unit, TODAY),
    "shortfalls": lambda unit: shortfalls(unit, 7).model_dump(exclude={"checked_at"}),
    "sets ready": lambda unit: [
        (one.ref, one.usable, len(one.needs), len(one.conflicts))
        for one in sets.list_sets(unit).sets
    ],
    "sets of a day": lambda unit: sets_of_day(unit, TODAY, {"K1": at(14)}),
    "holds": lambda unit: reserve.holds_of(unit, "K1").model_dump(),
    "a scan": lambda unit: (
        scans.scan_named_pack(unit, NamedPackBody(ref="NAIL", lot="L1", case="K1")).verdict
    ),
}


def test_no_reader_of_stock_counts_what_is_in_transit(pair: Pair) -> None:
    """As far as anybody at the other hospital can use it, nothing has come."""
    pair.far.add_case("K1", day=TODAY, hour=14)
    pair.far.plan("K1", PRIMARY)
    before = {name: pair.far.work.read(read) for name, read in READERS.items()}
    for ref in ("NAIL", "SET"):
        pair.send(ref)
    pair.far.plan("K1", PRIMARY)
    after = {name: pair.far.work.read(read) for name, read in READERS.items()}
    told = {"check", "shortfalls"}
    for name in READERS.keys() - told:
        assert after[name] == before[name], name
    # Nobody has said when they come: the words name them, the verdict and what is short stay.
    check = pair.check("K1")
    assert (check.state, check.expects, check.pick_list) == ("not covered", [], [])
    gaps = [gap for one in check.constructs for gap in one.gaps]
    assert {gap.because for gap in gaps} == {"not_here_in_time"}
    short = pair.far.work.read(lambda unit: shortfalls(unit, 7)).shortfalls
    assert sorted(item.ref for one in short for item in one.items) == ["NAIL", "SET"]
    assert {way.way for one in short for way in one.ways} & {"release", "reprocess"} == set()


def test_the_readers_do_see_units_that_have_arrived(pair: Pair) -> None:
    """The control of the test above: each of them looks at this stock."""
    pair.far.add_case("K1", day=TODAY, hour=14)
    pair.far.plan("K1", PRIMARY)
    before = {name: pair.far.work.read(read) for name, read in READERS.items()}
    for key in (pair.send(), pair.send("SET")):
        pair.receive(key)
    after = {name: pair.far.work.read(read) for name, read in READERS.items()}
    assert [name for name in READERS if after[name] == before[name]] == []


def test_units_in_transit_count_no_more_where_they_came_from(pair: Pair) -> None:
    pair.near.add_case("K9", day=TODAY, hour=14)
    pair.send(quantity=2, expected_at=at(8))
    pair.near.plan("K9", PRIMARY)
    check = pair.near.work.read(lambda unit: check_case(unit, "K9"))
    assert [gap.because for one in check.constructs for gap in one.gaps] == ["none_in_stock"]


def test_units_in_transit_are_on_neither_shelf_and_in_every_book(pair: Pair) -> None:
    key = pair.send(quantity=2)
    assert (pair.near.balance("NAIL"), pair.far.balance("NAIL")) == ((0, 0), (0, 0))
    assert pair.far.balance("NAIL", VAN["shelf"]) == (2, 0)
    assert pair.near.balance("NAIL", VAN["shelf"]) == (0, 0)
    one = pair.transfer(key)
    assert (one.state, one.lot, one.in_transit, one.arrived) == ("sent", "L1", 2, 0)
    (row,) = [
        row
        for row in pair.far.work.read(lambda unit: view.sizes_of(unit, "single_lag_screw_nail"))
        if row.ref == "NAIL"
    ]
    assert (row.here, row.coming) == (0, 2)


def test_what_is_expected_in_time_covers_a_case_if_it_arrives(pair: Pair) -> None:
    _case(pair)
    pair.send(expected_at=at(13, 50))
    check = pair.check("K1")
    code = own_code(pair.near.work)
    says = f"Covered if NAIL L1 arrives by 14:00 (expected 13:50, from site {code})."
    assert (check.state, check.says, check.condition) == ("covered if", says, says)
    assert [one.sent_from for one in check.expects] == [code]


def test_the_number_beside_the_words_counts_on_units_in_transit_with_a_probability(
    pair: Pair,
) -> None:
    """In words it is covered if they arrive; in the number they do so as often as deliveries."""
    _case(pair)
    key = pair.send(expected_at=at(13, 50))
    problem = pair.far.work.read(lambda unit: day_problem(unit, TODAY)).problem
    chance = SUPPLY_FIGURES[DELIVERY_IN_TIME].value
    assert problem["arrivals"] == [{"arrival": f"transfer {key}", "probability": chance}]
    (line,) = [one for one in _rows(problem["stock"]) if one["item"] == "NAIL"]
    assert (line["quantity"], line["with"]) == (1, f"transfer {key}")
    code = own_code(pair.near.work)
    assert pair.check("K1").counting_on == f"counting on NAIL L1 from site {code} by 14:00"
    pair.set_clock(at(13, 55))
    problem = pair.far.work.read(lambda unit: day_problem(unit, TODAY)).problem
    assert problem["arrivals"] == []
    assert pair.check("K1").counting_on == ""
    pair.set_clock(NOW)


def _rows(value: object) -> list[dict[str, object]]:
    assert isinstance(value, list)
    return value


def test_nothing_in_transit_is_promised_to_a_case(pair: Pair) -> None:
    _case(pair)
    pair.send(expected_at=at(13, 50))
    pair.far.plan("K1", PRIMARY)
    assert [one[0] for one in pair.far.held("K1")] == ["SET"]


@pytest.mark.parametrize(
    ("expected_at", "state"),
    [(at(14), "covered if"), (at(14, 1), "not covered"), (None, "not covered")],
)
def test_what_comes_after_the_start_or_nobody_knows_when_covers_nothing(
    pair: Pair, expected_at: datetime | None, state: str
) -> None:
    _case(pair)
    pair.send(expected_at=expected_at)
    assert pair.check("K1").state == state


def test_the_clock_alone_never_covers_a_case(pair: Pair) -> None:
    """Expected 10:00 and not come: late, and not to be relied on for a case that has started."""
    _case(pair, "K1", hour=11)
    _case(pair, "K2", hour=14)
    pair.send(quantity=2, expected_at=at(10))
    assert [pair.check(one).state for one in ("K1", "K2")] == ["covered if", "covered if"]
    pair.set_clock(at(11, 30))
    early, later = pair.check("K1"), pair.check("K2")
    assert (early.state, later.state) == ("not covered", "covered if")
    assert "was expected 2031-03-03 10:00 and is late" in early.says
    assert "late: was expected 10:00" in later.says
    assert pair.far.work.read(transfers.list_transfers).transfers[0].is_late
    pair.set_clock(NOW)


def test_one_box_does_not_cover_two_cases(pair: Pair) -> None:
    _case(pair, "K1", hour=13)
    _case(pair, "K2", hour=14)
    pair.send(quantity=1, expected_at=at(10))
    assert [pair.check(one).state for one in ("K1", "K2")] == ["covered if", "not covered"]
    assert "reserved for K1" in pair.check("K2").says


def test_what_is_here_goes_before_what_has_still_to_arrive(pair: Pair) -> None:
    """The nail in transit expires first; the one on the shelf is there."""
    pair.far.receive("NAIL", 1, lot="L2", use_by=date(2035, 1, 1))
    _case(pair)
    pair.send(expected_at=at(10))
    check = pair.check("K1")
    assert check.state == "covered"
    assert [row.lot for row in check.pick_list if row.ref == "NAIL"] == ["L2"]


def test_receiving_covers_the_case_and_keeps_the_units_for_it(pair: Pair) -> None:
    _case(pair)
    key = pair.send(expected_at=at(13))
    out = pair.receive(key)
    assert (out.state, out.arrived, out.in_transit, out.written_off) == ("settled", 1, 0, 0)
    assert pair.check("K1").state == "covered"
    assert ("NAIL", "L1", "A", 1) in pair.far.held("K1")
    with pytest.raises(Conflict, match="every unit has arrived"):
        pair.receive(key)


def test_some_arrive_some_are_broken_and_some_never_come(pair: Pair) -> None:
    pair.near.receive("NAIL", 2)
    key = pair.send(quantity=4)
    assert pair.receive(key, 2).in_transit == 2
    assert pair.receive(key, 1, condition="damaged", reason="box torn").state == "sent"
    out = pair.receive(key, 1, condition="missing", reason="never on the van")
    assert (out.state, out.arrived, out.written_off) == ("settled", 3, 1)
    assert [pair.far.balance("NAIL", shelf)[0] for shelf in ("A", "Q", VAN["shelf"])] == [2, 1, 0]
    kinds = [(line.kind, line.quantity) for line in pair.far.lines()[-3:]]
    assert kinds == [("move", 2), ("quarantine", 1), ("write_off", 1)]


def test_a_confirmation_that_counted_on_units_reopens_when_they_will_not_come(pair: Pair) -> None:
    _case(pair)
    key = pair.send(expected_at=at(13))
    version, revision = pair.far.case("K1").version, pair.check("K1").plan_revision or 0
    given = pair.far.work.write(lambda unit: confirm_plan_backups(unit, "K1", revision, version))
    assert given.in_force
    pair.receive(key, condition="missing", reason="the box was empty")
    after = pair.check("K1").confirmation
    assert after is not None
    assert not after.in_force
    assert "not in stock" in " ".join(after.changed)


def test_units_may_go_to_another_shelf_than_the_one_that_was_asked_for(pair: Pair) -> None:
    pair.receive(pair.send(), to=OTHER_SHELF)
    assert pair.far.balance("NAIL", "B") == (1, 0)


@pytest.mark.parametrize(
    "wrong",
    [
        {"quantity": 2},
        {"to": {"store": "Nowhere", "shelf": "X"}},
        {"to": {**QUARANTINE}},
        {"to": {**VAN}},
    ],
)
def test_a_wrong_receipt_says_so_and_saves_nothing(pair: Pair, wrong: dict[str, object]) -> None:
    key = pair.send()
    with pytest.raises(BadInput, match="Nothing was saved"):
        pair.receive(key, **{"quantity": 1, **wrong})  # type: ignore[arg-type] # by name
    assert pair.far.balance("NAIL", VAN["shelf"]) == (1, 0)


@pytest.mark.parametrize("condition", ["damaged", "missing"])
def test_what_is_broken_or_lost_needs_a_reason(condition: str) -> None:
    with pytest.raises(ValueError, match="state what is wrong with them"):
        ArrivalBody.model_validate({"quantity": 1, "condition": condition})


def test_only_the_site_they_were_sent_to_receives_them(pair: Pair) -> None:
    key = pair.send()
    body = ArrivalBody(quantity=1, condition="arrived")
    with pytest.raises(NotFound):
        pair.near.work.write(lambda unit: transfers.receive_transfer(unit, key, body))


def test_what_was_not_sent_is_not_received(pair: Pair) -> None:
    code = own_code(pair.near.work)
    ask = AskBody.model_validate({"site": code, "ref": "NAIL", "quantity": 1, "to": SHELF})
    key = pair.far.work.write(lambda unit: transfers.ask_for_units(unit, ask)).id
    with pytest.raises(Conflict, match="has not replied"):
        pair.receive(key)


def test_nobody_but_who_receives_takes_units_out_of_transit(pair: Pair) -> None:
    pair.send()
    pair.far.add_case("K1", day=TODAY, hour=14)
    tries: Mapping[str, Callable[[], object]] = {
        "move": lambda: pair.far.record("move", lot="L1", quantity=1, origin=VAN, to=SHELF),
        "into": lambda: pair.far.receive("CAP", 1, to=VAN),
        "count": lambda: pair.far.record("count", lot="L1", counted=0, at=VAN, reason="empty"),
        "write off": lambda: pair.far.record(
            "write_off", lot="L1", quantity=1, at=VAN, reason="gone"
        ),
        "quarantine": lambda: pair.far.record(
            "quarantine", lot="L1", quantity=1, origin=VAN, reason="dented"
        ),
        "release": lambda: pair.far.record(
            "release", lot="L1", quantity=1, origin=VAN, to=SHELF, reason="fine"
        ),
        "promise": lambda: pair.far.promise("K1", "NAIL", at=VAN),
        "pick": lambda: pair.far.pick("K1", "NAIL", although="to hand"),
        "pick from it": lambda: pair.far.pick("K1", "NAIL", although="to hand", at=VAN),
        "units page": lambda: pair.far.work.read(
            lambda unit: view.view_units(unit, "NAIL", {"lot": "L1", **VAN})
        ),
    }
    for name, act in tries.items():
        with pytest.raises(ServiceError) as refused:
            act()
        said = " ".join([str(refused.value.detail), *(one.reason for one in refused.value.faults)])
        assert name in {"into", "promise"} or "Transfers page" in said, (name, said)
    assert pair.far.balance("NAIL", VAN["shelf"]) == (1, 0)


def test_a_scan_of_a_pack_that_was_not_received_says_where_it_is_on_record(pair: Pair) -> None:
    pair.send()
    body = NamedPackBody(ref="NAIL", lot="L1")
    known = pair.far.work.read(lambda unit: scans.scan_named_pack(unit, body))
    assert "1 of this lot in transit to this site" in known.says
    _case(pair)
    asked = NamedPackBody(ref="NAIL", lot="L1", case="K1")
    found = pair.far.work.read(lambda unit: scans.scan_named_pack(unit, asked))
    assert found.verdict == "not_in_stock"
    assert "in transit from another site" in found.says


def test_a_shelf_is_not_counted_up_by_units_that_are_in_transit(pair: Pair) -> None:
    """The box has come and somebody counts the shelf: it may be damaged, or recalled."""
    pair.send()
    with pytest.raises(BadInput) as refused:
        pair.far.record("count", lot="L1", counted=1, at=SHELF, reason="found one")
    assert "receive them on the Transfers page" in refused.value.faults[0].reason
    pair.near.record("count", lot="L1", counted=2, at=SHELF, reason="found another")


def test_who_sent_units_takes_that_back_while_they_are_in_transit(pair: Pair) -> None:
    key = pair.send(expected_at=at(12))
    seq = pair.near.lines()[-1].seq
    with pytest.raises(Conflict, match="Only the sending site"):
        pair.far.record("correction", ref=None, seq=seq, reason="not ours to say")
    pair.near.record("correction", ref=None, seq=seq, reason="still on the shelf")
    assert pair.near.balance("NAIL") == (2, 0)
    assert pair.far.balance("NAIL", VAN["shelf"]) == (0, 0)
    one = pair.transfer(key)
    assert (one.state, one.expected_at, one.answered_by) == ("asked", None, "")
    assert pair.answer(key).state == "sent"


def test_a_correction_takes_back_no_units_of_another_transfer(pair: Pair) -> None:
    """Both boxes hold the same lot; the first has come."""
    first = pair.send()
    seq = pair.near.lines()[-1].seq
    second = pair.send()
    pair.receive(first)
    with pytest.raises(Conflict, match="transfer back"):
        pair.near.record("correction", ref=None, seq=seq, reason="changed our mind")
    assert pair.transfer(second).in_transit == 1


def test_a_receipt_or_a_write_off_that_was_wrong_is_corrected(pair: Pair) -> None:
    key = pair.send(quantity=2)
    pair.receive(key, 1)
    received = pair.far.lines()[-1].seq
    pair.receive(key, 1, condition="missing", reason="not in the box")
    lost = pair.far.lines()[-1].seq
    assert pair.transfer(key).state == "settled"
    for seq in (received, lost):
        pair.far.record("correction", ref=None, seq=seq, reason="counted wrongly")
    one = pair.transfer(key)
    assert (one.state, one.in_transit, one.arrived, one.written_off) == ("sent", 2, 0, 0)
    assert pair.receive(key, 2).state == "settled"


def test_units_recalled_on_their_way_arrive_in_quarantine(pair: Pair) -> None:
    key = pair.send()
    body = RecallBody.model_validate(
        {"notice": "N-1", "lot": "L1", "reason": "cracks", "quarantine": True}
    )
    pair.far.work.write(lambda unit: start.start_recall(unit, body))
    report = pair.far.work.read(lambda unit: notices.get_recall(unit, "N-1"))
    assert [(one.ref, one.quantity) for one in report.in_transit] == [("NAIL", 1)]
    assert "1 in transit to this site" in report.says
    pair.receive(key)
    assert [pair.far.balance("NAIL", shelf)[0] for shelf in ("A", "Q")] == [0, 1]
    assert "under a recall" in pair.far.lines()[-1].reason


def test_units_recalled_on_their_way_cover_nothing(pair: Pair) -> None:
    _case(pair)
    pair.send(expected_at=at(10))
    assert pair.check("K1").state == "covered if"
    body = RecallBody.model_validate(
        {"notice": "N-1", "lot": "L1", "ref": "NAIL", "reason": "cracks", "quarantine": False}
    )
    pair.near.work.write(lambda unit: start.start_recall(unit, body))
    assert pair.check("K1").state == "not covered"


def test_a_set_in_transit_is_counted_on_and_its_second_case_waits_for_the_first(
    pair: Pair,
) -> None:
    """Away 240 minutes after K1, which ends at 11:00: back at 15:00 for K2 at 16:00."""
    pair.far.receive("NAIL", 2)
    for reference, hour in (("K1", 10), ("K2", 16)):
        pair.far.add_case(reference, day=TODAY, hour=hour)
        pair.far.plan(reference, PRIMARY)
    pair.send("SET", expected_at=at(9))
    code = own_code(pair.near.work)
    first = f"Covered if SET L1 arrives by 10:00 (expected 09:00, from site {code})."
    assert pair.check("K1").says == first
    second = "Covered if SET L1 is back by 16:00 (expected 15:00, after K1)."
    assert pair.check("K2").says == second
    assert pair.far.held("K1") == [("NAIL", "L1", "A", 1)]


def test_a_set_in_transit_is_not_said_to_be_sterile_here(pair: Pair) -> None:
    pair.send("SET")
    body = SteriliseBody(ref="SET", lot="L1")
    with pytest.raises(Conflict, match="Transfers page"):
        pair.far.work.write(lambda unit: reprocessing.make_sterile(unit, body))


def test_a_backup_that_is_free_here_is_shared_before_one_in_transit(pair: Pair) -> None:
    """K1 keeps the cap ready; K2, on the same list, may count on it unopened."""
    pair.far.receive("NAIL", 2)
    pair.far.receive("SET", 2)
    pair.far.receive("CAP", 1, lot="L2")
    for reference, hour in (("K1", 10), ("K2", 14)):
        pair.far.add_case(reference, day=TODAY, hour=hour)
        pair.far.plan(reference, PRIMARY, BACKUP)
    pair.send("CAP", expected_at=at(8))
    assert [pair.check(one).state for one in ("K1", "K2")] == ["covered", "covered"]


def test_an_arrival_in_the_past_is_not_expected(pair: Pair) -> None:
    with pytest.raises(BadInput) as refused:
        pair.send(expected_at=NOW - timedelta(minutes=1))
    assert refused.value.faults[0].pointer == "/expected_at"
    assert pair.near.balance("NAIL") == (2, 0)


def test_a_transfer_agreed_to_before_there_was_transit_is_history(pair: Pair) -> None:
    """Such units were moved to the other shelf at once; nothing of them is to be received."""
    key = pair.send()
    pair.receive(key)

    def as_it_was(unit: Unit) -> None:
        unit.session.get_one(Transfer, key).state = "agreed"

    pair.near.work.write(as_it_was)
    one = pair.transfer(key)
    assert (one.state, one.arrived, one.in_transit) == ("agreed", 1, 0)
    with pytest.raises(Conflict, match="it has arrived"):
        pair.receive(key)


def test_a_shelf_of_the_same_name_does_not_become_the_van(work: Work) -> None:
    furnish(work)
    made = Pair(Theatre(work))
    made.near.receive("NAIL", 1)
    furnish_other(made.far.work, VAN)
    made.send()
    assert made.far.balance("NAIL", VAN["shelf"]) == (0, 0)
    assert made.far.balance("NAIL", "From other sites 2") == (1, 0)
    kinds = {(row.shelf, row.kind) for row in made.far.rows(Location) if row.store == VAN["store"]}
    assert kinds == {("From other sites", "shelf"), ("From other sites 2", "transit")}
    assert {row.to_site for row in made.far.work.read(transfers.list_transfers).transfers} == {
        OTHER_CODE
    }
