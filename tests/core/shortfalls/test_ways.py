"""Each way to cover a shortage, and its last moment, worked by hand."""

from dataclasses import replace
from datetime import UTC, date, datetime, timedelta
from zoneinfo import ZoneInfo

import pytest

from service.core.constructs.kit_lines import KitLine
from service.core.cover.results import CaseToCheck, Gap
from service.core.shortfalls.deadlines import Calendar
from service.core.shortfalls.shortages import MissingLine, Shortage
from service.core.shortfalls.ways import (
    WAYS,
    OtherSite,
    SupplierTerms,
    SupplyOption,
    SupplySource,
    UnitsComing,
    UnitsHere,
    first_order,
    supply_options,
)
from service.core.sizing.figures import SUPPLY_FIGURES, supply_figures

LONDON = ZoneInfo("Europe/London")


FIGURES = supply_figures({})


#: Monday 3 March 2031, 07:00 GMT.
NOW = datetime(2031, 3, 3, 7, tzinfo=UTC)


WEEKDAYS = SupplierTerms("Weekday supply", Calendar("1111100", cut_off_minute=14 * 60), True, True)


SOURCE = SupplySource("L95", WEEKDAYS, 3, can_be_lent=False)


def missing(name: str, starts: datetime) -> MissingLine:
    local = starts.astimezone(LONDON)
    case = CaseToCheck(name, local.date(), starts, starts + timedelta(hours=1), ())
    line = KitLine("lag screw", "lag screw 95 mm", ("L95",), 1, "nominal", "first use")
    gap = Gap("lag screw", line.label, "size", "none_in_stock", 1, "not in stock", ())
    return MissingLine(case, "c", 0, line, gap, starts)


def short(*starts: datetime, refs: tuple[str, ...] = ("L95",)) -> Shortage:
    lines = tuple(missing(f"K{place}", one) for place, one in enumerate(starts))
    return Shortage(refs, "lag screw 95 mm", "implant", len(lines), lines)


#: Lists on Monday 10 and Monday 17 March 2031, 08:30 GMT.
FIRST = datetime(2031, 3, 10, 8, 30, tzinfo=UTC)


SECOND = datetime(2031, 3, 17, 8, 30, tzinfo=UTC)


def ways(source: SupplySource, *starts: datetime, now: datetime = NOW) -> dict[str, SupplyOption]:
    found = supply_options(short(*(starts or (FIRST,))), [source], FIGURES, now, LONDON)
    assert len({one.way for one in found}) == len(found)
    return {one.way: one for one in found}


def at(text: str) -> datetime:
    return datetime.fromisoformat(text)


def test_an_order_is_counted_back_over_the_weekend_to_its_cut_off() -> None:
    # 08:30 − 4 h is 04:30 on Monday; the last whole working day before is Friday the 7th, three
    # working days before is Tuesday the 4th.
    one = ways(SOURCE)["order"]
    assert one.last_moment == at("2031-03-04T14:00+00:00")
    assert (one.has_passed, one.in_time_for, one.quantity) == (False, ("K0",), 1)


def test_the_moment_itself_is_still_in_time_and_the_next_second_is_not() -> None:
    last = at("2031-03-04T14:00+00:00")
    assert ways(SOURCE, now=last)["order"].has_passed is False
    late = ways(SOURCE, now=last + timedelta(seconds=1))["order"]
    assert (late.has_passed, late.in_time_for) == (True, ())
    assert late.last_moment == last
    assert late.says.endswith("Too late for the first list that needs it.")


def test_a_way_that_is_too_late_for_the_first_list_says_for_whom_it_is_not() -> None:
    one = ways(SOURCE, FIRST, SECOND, now=at("2031-03-05T09:00+00:00"))["order"]
    assert (one.has_passed, one.in_time_for, one.quantity) == (True, ("K1",), 2)
    assert one.says.endswith("Still in time for K1.")


def test_an_unknown_lead_time_is_said_and_never_a_moment() -> None:
    one = ways(replace(SOURCE, lead_time_days=None))["order"]
    assert (one.last_moment, one.has_passed, one.in_time_for) == (None, None, ())
    assert "not known" in one.says


def test_a_supplier_of_whom_nothing_is_known_counts_every_day_and_says_so() -> None:
    unknown = SupplierTerms("Somebody", Calendar(), False, None)
    found = ways(replace(SOURCE, terms=unknown, can_be_lent=True))
    # Sunday the 9th is the last whole day; three days before is Thursday the 6th, to its end.
    assert found["order"].last_moment == at("2031-03-06T23:59+00:00")
    assert "every day is counted" in found["order"].says
    assert found["loan"].says.startswith("Ask Somebody whether it lends L95 (not known)")


def test_what_comes_unsterile_is_reprocessed_and_not_only_received() -> None:
    # 48 h before Monday 08:30 is Saturday 08:30; the last working day before is Friday the 7th.
    source = replace(SOURCE, comes_ready=False, can_be_lent=True)
    found = ways(source)
    assert found["order"].last_moment == at("2031-03-04T14:00+00:00")
    assert found["loan"].last_moment == at("2031-03-05T14:00+00:00")
    assert "48 h to reprocess it" in found["loan"].says


def test_a_call_off_is_made_only_where_the_supplier_keeps_units_here() -> None:
    assert "call_off" not in ways(SOURCE)
    found = ways(replace(SOURCE, is_consigned=True))["call_off"]
    # One working day before Friday the 7th.
    assert found.last_moment == at("2031-03-06T14:00+00:00")


@pytest.mark.parametrize(("lends", "offered"), [(True, True), (None, True), (False, False)])
def test_nobody_who_is_known_not_to_lend_is_asked_for_a_loan(
    lends: bool | None, offered: bool
) -> None:
    source = replace(SOURCE, can_be_lent=True, terms=replace(WEEKDAYS, lends=lends))
    assert ("loan" in ways(source)) is offered


def test_units_here_that_do_not_count_are_named_with_what_would_make_them() -> None:
    lying = (
        UnitsHere("quarantined", 2, "lot A", "Quarantine, Q-1"),
        UnitsHere("unsterile", 1, "serial S", "Store, A-1"),
        UnitsHere("free", 1, "lot B", "Store, B-1", ("K9",)),
    )
    found = ways(replace(SOURCE, lying=lying, turnaround_minutes=240))
    assert found["release"].last_moment == at("2031-03-10T06:30+00:00")
    assert found["reprocess"].last_moment == at("2031-03-10T04:30+00:00")
    assert found["transfer_store"].last_moment == at("2031-03-10T06:30+00:00")
    assert (found["release"].quantity, found["release"].source) == (2, "Quarantine, Q-1")
    assert "Reserved for K9" in found["transfer_store"].says


def test_something_unsterile_that_is_no_set_takes_as_long_as_a_loan() -> None:
    lying = (UnitsHere("unsterile", 1, "lot S", "Store, A-1"),)
    found = ways(replace(SOURCE, lying=lying))["reprocess"]
    assert found.last_moment == at("2031-03-08T08:30+00:00")


def coming(due: str | None, usable: str | None, return_by: date | None = None) -> SupplySource:
    moments = (None if due is None else at(due), None if usable is None else at(usable))
    return replace(SOURCE, coming=(UnitsComing("PO-1", 2, *moments, return_by),))


def test_a_delivery_that_comes_too_late_must_come_as_much_before_as_it_takes_to_prepare() -> None:
    found = ways(coming("2031-03-10T10:00+00:00", "2031-03-11T10:00+00:00"))["delivery"]
    assert found.last_moment == at("2031-03-09T08:30+00:00")
    assert "Ask the supplier to expedite" in found.says


def test_a_delivery_in_time_does_not_count_before_it_is_here() -> None:
    says = ways(coming("2031-03-05T10:00+00:00", "2031-03-05T14:00+00:00"))["delivery"].says
    assert "It counts as cover once it is received" in says


def test_a_delivery_that_should_have_come_is_overdue() -> None:
    says = ways(coming("2031-03-01T10:00+00:00", "2031-03-01T14:00+00:00"))["delivery"].says
    assert "overdue" in says


def test_a_delivery_without_a_date_has_no_moment() -> None:
    found = ways(coming(None, None))["delivery"]
    assert (found.last_moment, found.has_passed) == (None, None)


def test_a_loan_that_goes_back_before_a_list_is_not_in_time_for_it() -> None:
    source = coming("2031-03-05T10:00+00:00", "2031-03-05T14:00+00:00", date(2031, 3, 17))
    assert ways(source, FIRST, SECOND)["delivery"].in_time_for == ("K0",)


def test_what_another_site_has_is_not_said() -> None:
    site = OtherSite("OTHER", "Other hospital", asked=2)
    found = ways(replace(SOURCE, sites=(site,)))["transfer_site"]
    assert found.quantity is None
    assert found.last_moment == at("2031-03-09T08:30+00:00")
    assert "cannot be seen from this site" in found.says
    assert "2 already requested" in found.says


def test_hours_pass_over_a_change_of_clocks() -> None:
    # 30 March 2031: 08:30 BST is 07:30 UTC; 2 hours before is 05:30, 24 hours 07:30 the day before.
    starts = datetime(2031, 3, 30, 8, 30, tzinfo=LONDON)
    source = replace(
        SOURCE,
        lying=(UnitsHere("free", 1, "lot B", "Store, B-1"),),
        sites=(OtherSite("OTHER", "Other hospital"),),
    )
    found = ways(source, starts)
    assert found["transfer_store"].last_moment == at("2031-03-30T05:30+00:00")
    assert found["transfer_site"].last_moment == at("2031-03-29T07:30+00:00")
    # The cut-off is a time of day: Friday the 28th less three working days, 14:00 GMT.
    assert found["order"].last_moment == at("2031-03-25T14:00+00:00")


def test_ways_stand_in_one_order_whatever_the_order_of_the_items() -> None:
    everything = replace(
        SOURCE,
        can_be_lent=True,
        is_consigned=True,
        turnaround_minutes=60,
        lying=tuple(
            UnitsHere(state, 1, "lot A", "Store, A-1")
            for state in ("free", "quarantined", "unsterile")
        ),
        coming=(UnitsComing("PO-1", 1, NOW, NOW),),
        sites=(OtherSite("OTHER", "Other hospital"),),
    )
    found = supply_options(short(FIRST), [everything], FIGURES, NOW, LONDON)
    assert tuple(one.way for one in found) == WAYS
    both = supply_options(
        short(FIRST), [everything, replace(everything, ref="L96")], FIGURES, NOW, LONDON
    )
    assert [(one.way, one.ref) for one in both] == [
        (way, ref) for way in WAYS for ref in ("L95", "L96")
    ]


def test_of_several_items_that_would_do_the_one_that_can_be_ordered_last_gives_the_moment() -> None:
    quick, slow = replace(SOURCE, ref="Q", lead_time_days=1), replace(SOURCE, lead_time_days=9)
    unknown = replace(SOURCE, ref="U", lead_time_days=None)
    found = first_order(supply_options(short(FIRST), [slow, quick, unknown], FIGURES, NOW, LONDON))
    assert found is not None
    assert found.ref == "Q"
    assert first_order(supply_options(short(FIRST), [unknown], FIGURES, NOW, LONDON)) is None


def test_every_figure_says_that_it_is_common_practice_and_has_a_note() -> None:
    for key, figure in SUPPLY_FIGURES.items():
        assert key == figure.key
        # A ratio is a probability here, and is named so.
        assert key.endswith("_probability" if figure.unit == "ratio" else f"_{figure.unit}")
        assert "common practice, no source" in figure.source
        assert figure.note


def test_a_figure_the_department_has_set_goes_before_the_usual_one() -> None:
    figures = supply_figures({"site_transfer_hours": 6, "loan_lead_days": 4.0, "neck_sd_mm": 4.5})
    assert (figures.site_transfer_hours, figures.loan_lead_days) == (6, 4)
    # A loan is used 48 h or more after it comes: common practice, no source.
    assert figures.loan_reprocessing_hours == 48
