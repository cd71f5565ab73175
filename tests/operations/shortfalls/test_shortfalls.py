"""What runs short on the demo and in a small department, and until when it can be got."""

import csv
from collections.abc import Mapping
from datetime import UTC, date, datetime, time, timedelta
from functools import partial
from pathlib import Path

from service.operations.catalogue import change_item, get_item
from service.operations.holds import reserve
from service.operations.recalls import start
from service.operations.shortfalls.shortfalls import shortfalls
from service.operations.sizing import set_default
from service.operations.stock import transfers
from service.operations.suppliers import put_holiday, put_supplier
from service.operations.work import Work
from service.schemas.catalogue import ItemBody
from service.schemas.planning import SizingDefaultBody
from service.schemas.recalls import RecallBody
from service.schemas.shortfalls import ShortfallOut, Shortfalls, WayOut
from service.schemas.stock import AskBody
from service.schemas.suppliers import HolidayBody, SupplierBody
from tests.small_theatre import BACKUP, OTHER_SHELF, PRIMARY, QUARANTINE, SHELF, Theatre, next_day
from tests.two_sites import OTHER_CODE, add_site, furnish_other, own_code, work_at

SEED = Path(__file__).parents[3] / "seed_data"


def asked(work: Work, days: int = 14, *, with_gains: bool = False) -> Shortfalls:
    return work.read(partial(shortfalls, days=days, with_gains=with_gains))


def short(theatre: Theatre, ref: str) -> ShortfallOut:
    found = asked(theatre.work).shortfalls
    (one,) = [one for one in found if [item.ref for item in one.items] == [ref]]
    return one


def ways(one: ShortfallOut) -> dict[str, WayOut]:
    return {way.way: way for way in one.ways}


def at(text: str) -> datetime:
    return datetime.fromisoformat(text)


def planted() -> list[Mapping[str, str]]:
    with (SEED / "planted.csv").open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


def test_every_planted_gap_appears_with_the_moment_to_order_by_and_nothing_else(
    demo_work: Work,
) -> None:
    found = asked(demo_work)
    named = {
        (str(line.list_date), line.case, line.because, line.planned)
        for one in found.shortfalls
        for line in one.missing
    }
    expected = {
        (row["list_date"], row["case_reference"], row["because"], row["construct"])
        for row in planted()
    }
    assert named == expected
    assert len(expected) == 10
    for one in found.shortfalls:
        if one.because == "not_made":
            assert (one.items, one.ways, one.order_by) == ([], [], None)
            assert one.order_by_says.startswith("This size is not made")
        else:
            assert one.order_by is not None
            assert one.order_by_has_passed is (one.order_by < found.checked_at)
        assert one.quantity == 1
    assert found.unchecked == []


#: By hand from seed_data: lead times of the catalogue, working days and cut-offs of suppliers.csv,
#: the holiday on Monday 24 February. All lists start at 08:30.
LAST_MOMENTS = (
    # 14 working days before Monday 3 March.
    ("FAL-L-115", "order", "2031-02-10T23:59+00:00"),
    # 7 working days before Monday 3 March.
    ("CIN-B-075", "order", "2031-02-19T15:00+00:00"),
    # 4 days, Saturdays worked, before Tuesday 4 March.
    ("DUN-L-110", "order", "2031-02-27T16:00+00:00"),
    # A loan set: 48 h before the 5th is the 3rd, so it comes by Sunday the 2nd, in fact on Friday
    # the 28th; two working days before that is Wednesday.
    ("ESK-IS", "loan", "2031-02-26T11:00+00:00"),
    # It takes 48 h from the delivery to its use; 48 h before the list of the 5th.
    ("ESK-IS", "delivery", "2031-03-03T08:30+00:00"),
    # Nothing is known of this supplier: 10 days before the 4th, to the end of the day.
    ("GAR-IS", "order", "2031-02-22T23:59+00:00"),
    # Its turnaround in catalogue.csv is four hours.
    ("GAR-IS", "reprocess", "2031-03-07T04:30+00:00"),
    ("AMB-N-135-12-180", "release", "2031-03-07T06:30+00:00"),
    # Two working days before Wednesday 5 March; today at 14:00.
    ("AMB-N-130-12-400-R", "loan", "2031-03-03T14:00+00:00"),
)


def test_the_last_moments_of_the_demo_are_as_worked_by_hand(demo_work: Work) -> None:
    found = asked(demo_work).shortfalls
    by_ref = {item.ref: ways(one) for one in found for item in one.items}
    told = {(ref, way): by_ref[ref][way].last_moment for ref, way, _ in LAST_MOMENTS}
    assert told == {(ref, way): at(moment) for ref, way, moment in LAST_MOMENTS}


def test_what_is_needed_first_stands_first_and_says_where(demo_work: Work) -> None:
    found = asked(demo_work).shortfalls
    assert [one.needed_at for one in found] == sorted(one.needed_at for one in found)
    # HAR-0738 is in Theatre 5 on that day and starts at 09:00; these two are on the other list.
    assert {(one.needed_at, one.missing[0].theatre) for one in found[:2]} == {
        (at("2031-03-04T08:30+00:00"), "Trauma theatre 1")
    }


def test_another_size_is_a_question_and_no_way(demo_work: Work) -> None:
    (one,) = [one for one in asked(demo_work).shortfalls if one.because == "not_made"]
    sizes = [each for each in one.questions if each.kind == "size"]
    # planted.csv: the longest blade made is 105 mm. stock.csv has five, none planned that day.
    assert [(each.ref, each.case, each.free) for each in sizes] == [("CIN-B-105", "HAR-0726", 5)]
    assert "could 10.5 × 105 mm (CIN-B-105) be used" in sizes[0].asks
    assert {each.kind for each in one.questions} == {"size", "construct"}


def test_a_set_in_use_asks_whether_the_case_could_wait(demo_work: Work) -> None:
    found = asked(demo_work).shortfalls
    (one,) = [one for one in found if one.because == "instrument_set_in_use"]
    # planted.csv: away until 14:00.
    assert [each.asks for each in one.questions if each.kind == "time"] == [
        "HAR-0719: the set is back at 14:00 on 2031-03-06; can the case wait?"
    ]


def test_gains_are_unknown_unless_asked_for_and_then_known_for_some(demo_work: Work) -> None:
    without = asked(demo_work)
    assert without.gains_searched is False
    assert {one.gain for one in without.shortfalls} == {None}
    with_gains = asked(demo_work, with_gains=True)
    assert with_gains.gains_searched is True
    by_ref = {one.items[0].ref: one.gain for one in with_gains.shortfalls if one.items}
    # seed_data/README.md: no unit helps the first list as much as this nail.
    known = {ref: gain for ref, gain in by_ref.items() if gain is not None}
    assert max(known, key=lambda ref: known[ref]) == "AMB-N-130-12-400-R"
    assert [one.gain for one in with_gains.shortfalls if not one.items] == [None]


def test_fewer_days_show_fewer_lists(demo_work: Work) -> None:
    found = asked(demo_work, days=2)
    assert found.until == date(2031, 3, 5)
    cases = {line.case for one in found.shortfalls for line in one.missing}
    assert cases == {"HAR-0712", "HAR-0713", "HAR-0714", "HAR-0716"}


def lead_time(theatre: Theatre, ref: str, days: int) -> None:
    def write(unit: object) -> None:
        item = get_item(unit, ref)  # type: ignore[arg-type] # the unit of the work
        facts = {**item.model_dump(exclude={"version"}), "lead_time_days": days}
        change_item(unit, ref, ItemBody.model_validate(facts), item.version)  # type: ignore[arg-type] # as above

    theatre.work.write(write)


def three_cases(theatre: Theatre) -> None:
    """Plan a case a day for three days: a nail and its set each, a cap standing by."""
    for number in range(3):
        theatre.add_case(f"K{number}", day=next_day(number))
        theatre.plan(f"K{number}", PRIMARY, BACKUP)


def test_what_is_implanted_is_counted_for_every_case_and_a_backup_once(theatre: Theatre) -> None:
    three_cases(theatre)
    assert short(theatre, "NAIL").quantity == 3
    assert [line.case for line in short(theatre, "NAIL").missing] == ["K0", "K1", "K2"]
    # The cap goes back unopened, and the set is back on the day after.
    assert short(theatre, "CAP").quantity == 1
    assert short(theatre, "SET").quantity == 1


def test_what_comes_in_closes_the_shortfall_and_one_fewer_does_not(theatre: Theatre) -> None:
    three_cases(theatre)
    theatre.receive("NAIL", short(theatre, "NAIL").quantity - 1)
    assert short(theatre, "NAIL").quantity == 1
    theatre.receive("NAIL", 1, lot="L2")
    refs = {item.ref for one in asked(theatre.work).shortfalls for item in one.items}
    assert refs == {"SET", "CAP"}


def test_a_shortfall_later_on_is_still_in_time_for_the_later_list(theatre: Theatre) -> None:
    three_cases(theatre)
    lead_time(theatre, "NAIL", 1)
    # Tuesday, Wednesday, Thursday at 09:00. One day's lead time and four hours: the order for
    # Tuesday was Sunday's, for Wednesday it is today's.
    order = ways(short(theatre, "NAIL"))["order"]
    assert (order.last_moment, order.has_passed) == (at("2031-03-02T23:59+00:00"), True)
    assert order.in_time_for == ["K1", "K2"]


def test_an_unknown_lead_time_gives_no_moment(theatre: Theatre) -> None:
    three_cases(theatre)
    one = short(theatre, "NAIL")
    assert (one.order_by, one.order_by_has_passed) == (None, None)
    assert "not known" in one.order_by_says
    assert asked(theatre.work).suppliers_unknown == ["Test supply"]


def test_working_days_holidays_and_the_cut_off_move_the_moment(theatre: Theatre) -> None:
    theatre.add_case("K1", day=date(2031, 3, 14))
    theatre.plan("K1")
    lead_time(theatre, "NAIL", 2)
    # Friday 14 March: by Thursday the 13th, two days before is the 11th.
    assert short(theatre, "NAIL").order_by == at("2031-03-11T23:59+00:00")
    body = SupplierBody(works_on="1111100", cut_off=time(15, 30))
    theatre.work.write(partial(put_supplier, name="Test supply", body=body, version=None))
    assert short(theatre, "NAIL").order_by == at("2031-03-11T15:30+00:00")
    holiday = HolidayBody(name="Stocktaking")
    theatre.work.write(partial(put_holiday, day=date(2031, 3, 12), body=holiday))
    assert short(theatre, "NAIL").order_by == at("2031-03-10T15:30+00:00")
    # And eleven days instead of four hours to receive it: by the 2nd, a Sunday; Wednesday.
    figure = SizingDefaultBody(value=11 * 24, source="ours")
    theatre.work.write(partial(set_default, key="delivery_receiving_hours", body=figure, version=1))
    assert short(theatre, "NAIL").order_by == at("2031-02-26T15:30+00:00")
    assert {one.key: one.value for one in asked(theatre.work).figures}[
        "delivery_receiving_hours"
    ] == 264


def test_units_promised_for_a_later_day_are_named_where_they_lie(theatre: Theatre) -> None:
    theatre.receive("NAIL", 1, to=OTHER_SHELF)
    theatre.add_case("K2", day=next_day(3))
    theatre.promise("K2", "NAIL", at=OTHER_SHELF)
    theatre.add_case("K1")
    theatre.plan("K1")
    one = ways(short(theatre, "NAIL"))["transfer_store"]
    assert (one.quantity, one.source) == (1, "Store, B")
    assert "Reserved for K2" in one.says
    # 09:00 less two hours.
    assert one.last_moment == at("2031-03-04T07:00+00:00")
    assert theatre.work.read(partial(reserve.holds_of, reference="K2")).holds


def test_what_is_in_quarantine_is_offered_and_what_is_recalled_is_not(theatre: Theatre) -> None:
    theatre.receive("NAIL", 2)
    theatre.record("quarantine", lot="L1", quantity=2, origin=SHELF, reason="box dented")
    theatre.add_case("K1")
    theatre.plan("K1")
    assert ways(short(theatre, "NAIL"))["release"].quantity == 2
    body = RecallBody(notice="N1", lot="L1", reason="cracks", quarantine=False)
    theatre.work.write(partial(start.start_recall, body=body))
    assert "release" not in ways(short(theatre, "NAIL"))


def test_what_has_expired_by_the_list_is_not_offered_from_quarantine(theatre: Theatre) -> None:
    theatre.receive("NAIL", 1, use_by=date(2031, 3, 5), to=QUARANTINE)
    theatre.add_case("K1", day=date(2031, 3, 5))
    theatre.plan("K1")
    assert "release" in ways(short(theatre, "NAIL"))
    theatre.cancel("K1")
    theatre.add_case("K2", day=date(2031, 3, 6))
    theatre.plan("K2")
    assert "release" not in ways(short(theatre, "NAIL"))


def test_an_unsterile_set_is_reprocessed_in_its_turnaround(theatre: Theatre) -> None:
    theatre.receive("SET", 1, sterility="unsterile")
    theatre.add_case("K1")
    theatre.plan("K1")
    # 09:00 less 240 minutes.
    assert ways(short(theatre, "SET"))["reprocess"].last_moment == at("2031-03-04T05:00+00:00")


def test_what_was_sterile_once_is_not_reprocessed(theatre: Theatre) -> None:
    theatre.receive("NAIL", 1, sterility="unsterile")
    theatre.add_case("K1")
    theatre.plan("K1")
    one = short(theatre, "NAIL")
    assert one.because == "unsterile"
    assert "reprocess" not in ways(one)


def test_consigned_units_that_were_here_can_be_called_off(theatre: Theatre) -> None:
    theatre.add_case("K1")
    theatre.plan("K1")
    assert "call_off" not in ways(short(theatre, "NAIL"))
    theatre.receive("NAIL", 1, ownership="consigned")
    theatre.add_case("K2", hour=11)
    theatre.plan("K2")
    # One day before Monday the 3rd.
    one = short(theatre, "NAIL")
    assert ways(one)["call_off"].last_moment == at("2031-03-02T23:59+00:00")


def test_another_site_is_named_and_what_it_has_is_not_told(theatre: Theatre) -> None:
    theatre.add_case("K1")
    theatre.plan("K1")
    assert "transfer_site" not in ways(short(theatre, "NAIL"))
    other = Theatre(work_at(theatre.work, add_site(theatre.work)))
    furnish_other(other.work, SHELF)
    before = ways(short(theatre, "NAIL"))["transfer_site"]
    assert (before.source, before.quantity) == (OTHER_CODE, None)
    assert before.last_moment == at("2031-03-03T09:00+00:00")
    other.receive("NAIL", 3)
    assert ways(short(theatre, "NAIL"))["transfer_site"] == before
    body = AskBody.model_validate({"site": OTHER_CODE, "ref": "NAIL", "quantity": 2, "to": SHELF})
    theatre.work.write(partial(transfers.ask_for_units, body=body))
    assert "2 already requested" in ways(short(theatre, "NAIL"))["transfer_site"].says


def test_the_other_site_sees_nothing_of_ours(theatre: Theatre) -> None:
    three_cases(theatre)
    other = work_at(theatre.work, add_site(theatre.work))
    assert asked(other).shortfalls == []
    assert own_code(theatre.work) not in asked(other).model_dump_json()


def test_a_case_without_a_plan_is_unchecked_and_not_without_shortfalls(theatre: Theatre) -> None:
    theatre.add_case("K1")
    found = asked(theatre.work)
    assert found.shortfalls == []
    assert [(one.case, one.says.split(":")[0]) for one in found.unchecked] == [
        ("K1", "Not planned yet")
    ]


def test_a_case_that_has_started_runs_short_of_nothing_any_more(theatre: Theatre) -> None:
    # The clock stands at 07:00 on 3 March.
    theatre.add_case("K1", day=date(2031, 3, 3), hour=6)
    theatre.add_case("K2", day=date(2031, 3, 3), hour=8)
    theatre.plan("K1")
    theatre.plan("K2")
    one = short(theatre, "NAIL")
    assert ([line.case for line in one.missing], one.quantity) == (["K2"], 1)


def test_without_rules_no_suggestion_has_been_searched(theatre: Theatre, demo_work: Work) -> None:
    assert asked(theatre.work).suggestions_searched is False
    assert asked(demo_work).suggestions_searched is True


def test_an_empty_department_runs_short_of_nothing(work: Work) -> None:
    found = asked(work)
    assert (found.shortfalls, found.unchecked) == ([], [])
    assert found.until - found.today == timedelta(days=14)
    assert found.checked_at == datetime(2031, 3, 3, 7, tzinfo=UTC)
