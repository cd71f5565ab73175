"""How probable it is that what was found has the sizes needed, worked by hand."""

from collections.abc import Sequence
from statistics import NormalDist
from zoneinfo import ZoneInfo

import pytest

from service.core.catalogue import ItemFacts
from service.core.constructs.kit_lines import by_kind, construct_lines
from service.core.constructs.planned import ConstructPart, PlannedConstruct
from service.core.constructs.sizes_needed import sizes_needed
from service.core.constructs.templates import Role, Template
from service.core.cover.check import check_cases
from service.core.cover.results import CaseToCheck, ConstructCheck, ConstructToCheck, SizesToCheck
from service.core.cover.units import StockUnits
from service.core.sizing.film import Measurements, estimate_dimensions
from tests.core.constructs.worked_roles import CALIBRATED, LAG, NAIL, PLATE, PLATES
from tests.core.planner_catalogue import DAY, VALUES, at, lag_screws, parcel, short_nails

LAGS = lag_screws(*range(70, 125, 5))

PHI = NormalDist().cdf


def _checked(
    *roles: Role,
    catalogue: list[ItemFacts],
    stock: Sequence[StockUnits],
    measured: Measurements = CALIBRATED,
    target: float = 0.0,
    floor: float = 0.0,
    is_measured: bool = True,
) -> ConstructCheck:
    construct = PlannedConstruct((ConstructPart("t", "Demo", 130.0),))
    templates = {"t": Template("t", "T", "base", roles)}
    values = VALUES | {"sizes_listed_probability": target}
    dimensions = estimate_dimensions(measured, "F", values)
    known = by_kind(catalogue)
    lines = construct_lines(
        construct,
        templates=templates,
        side="left",
        catalogue=known,
        dimensions=dimensions,
        values=values,
        is_primary=True,
    )
    needed = sizes_needed(
        construct,
        templates=templates,
        side="left",
        catalogue=known,
        dimensions=dimensions,
        values=values,
    )
    to_check = (ConstructToCheck("c", lines, SizesToCheck(needed, floor, is_measured)),)
    case = CaseToCheck("K1", DAY, at(9), at(10), to_check)
    (check,) = check_cases([case], stock, {}, ZoneInfo("UTC"))
    return check.constructs[0]


def _stock(*refs: str) -> list[StockUnits]:
    return [parcel(ref) for ref in refs]


def test_a_size_either_side_of_a_measured_lag_screw_is_nine_in_ten() -> None:
    found = _checked(
        LAG, catalogue=LAGS, stock=_stock(*(f"Demo-L-{mm}-headed" for mm in (85, 90, 95)))
    )
    # SD 4.5 and sizes of 5 mm: within 7.5 mm of the middle.
    assert found.sizes.probability == pytest.approx(1 - 2 * PHI(-7.5 / 4.5))


def test_a_size_that_was_not_found_does_not_count() -> None:
    found = _checked(LAG, catalogue=LAGS, stock=_stock("Demo-L-85-headed", "Demo-L-90-headed"))
    assert found.sizes.probability == pytest.approx(PHI(2.5 / 4.5) - PHI(-7.5 / 4.5))


def test_more_of_a_size_in_stock_than_is_listed_does_not_make_it_surer() -> None:
    every = [parcel(item.ref, 9) for item in LAGS]
    found = _checked(LAG, catalogue=LAGS, stock=every)
    assert found.sizes.probability == pytest.approx(1 - 2 * PHI(-7.5 / 4.5))


def test_nail_and_lag_screw_are_both_needed_and_are_said_one_by_one() -> None:
    nails = short_nails(9, 10, 11, 12, 13)
    stock = [parcel(item.ref) for item in (*LAGS, *nails)]
    found = _checked(NAIL, LAG, catalogue=[*LAGS, *nails], stock=stock)
    # The canal is 12.4 mm with an SD of 1; 10, 11 and 12 mm nails serve 11 to 14 mm.
    nail = PHI(1.6) - PHI(-1.4)
    lag = 1 - 2 * PHI(-7.5 / 4.5)
    assert [one.role for one in found.sizes.implants] == ["nail", "lag screw"]
    assert [one.probability for one in found.sizes.implants] == pytest.approx([nail, lag])
    assert found.sizes.probability == pytest.approx(nail * lag)


def test_one_film_without_a_marker_makes_neck_and_canal_go_together() -> None:
    nails = short_nails(9, 10, 11, 12, 13)
    stock = [parcel(item.ref) for item in (*LAGS, *nails)]
    film = Measurements(neck_film_mm=114, canal_film_mm=14.88)
    found = _checked(NAIL, LAG, catalogue=[*LAGS, *nails], stock=stock, measured=film)
    alone = [one.probability for one in found.sizes.implants]
    # A film magnified more than thought makes both too long: right together more often.
    assert alone[0] * alone[1] < found.sizes.probability < min(alone)


def test_the_plate_of_a_shorter_lag_screw_is_missed() -> None:
    # 103.2 mm on the film is 86 mm, so that the target is 81 mm: 80 mm is planned and 75 and
    # 85 mm are near, but up to 80 mm takes the short barrel and 85 mm the long one.
    film = Measurements(neck_film_mm=103.2, marker_film_mm=30)
    lags = [parcel(f"Demo-L-{mm}-headed") for mm in (75, 80, 85)]
    stock = [*lags, parcel("P-25"), parcel("P-38")]
    found = _checked(LAG, PLATE, catalogue=[*LAGS, *PLATES], stock=stock, measured=film)
    plate = found.sizes.implants[1]
    # The short barrel serves lag screws of 70 to 80 mm: targets of 65 to 82.5 mm.
    assert plate.role == "side plate"
    assert plate.probability == pytest.approx(PHI(1.5 / 4.5) - PHI(-16 / 4.5))
    assert found.sizes.probability == pytest.approx(PHI(1.5 / 4.5) - PHI(-8.5 / 4.5))


def test_without_anything_in_sizes_nothing_can_be_the_wrong_size() -> None:
    wire = Role("cerclage wire", ("cerclage_wire",))
    found = _checked(wire, catalogue=[ItemFacts("W", "cerclage_wire")], stock=_stock("W"))
    assert (found.sizes.probability, found.sizes.implants) == (1.0, ())


#: With 85, 90 and 95 mm the lag screw is right in 0.904; 80 mm makes it 0.949, and 100 mm 0.994.
LISTED = [parcel(f"Demo-L-{mm}-headed") for mm in (80, 85, 90, 95, 100)]


def test_a_further_size_that_is_not_there_leaves_a_construct_covered_above_the_floor() -> None:
    near = LISTED[1:4]
    found = _checked(LAG, catalogue=LAGS, stock=near, target=0.98, floor=0.9)
    assert (found.state, found.gaps) == ("covered", ())
    assert [check.line.sizes for check in found.lines] == [(90,), (85,), (95,)]
    assert found.sizes.is_enough


def test_below_the_floor_the_further_sizes_that_are_missed_are_gaps() -> None:
    found = _checked(LAG, catalogue=LAGS, stock=LISTED[:4], target=0.98, floor=0.95)
    assert found.state == "partly covered"
    assert [gap.label for gap in found.gaps] == ["Demo lag screw 100 mm, headed"]
    assert not found.sizes.is_enough
    whole = _checked(LAG, catalogue=LAGS, stock=LISTED, target=0.98, floor=0.95)
    assert (whole.state, whole.gaps) == ("covered", ())


def test_a_size_of_the_trades_rule_is_a_gap_however_probable_the_others_are() -> None:
    stock = [*LISTED[:3], LISTED[4]]
    found = _checked(LAG, catalogue=LAGS, stock=stock, target=0.98, floor=0.1)
    assert found.state == "partly covered"
    assert [gap.label for gap in found.gaps] == ["Demo lag screw 95 mm, headed"]


def test_all_that_was_listed_is_not_enough_where_it_is_less_probable_than_wanted() -> None:
    found = _checked(LAG, catalogue=LAGS, stock=LISTED, floor=0.95)
    # One size either side is listed and there: 0.904.
    assert (found.state, found.gaps) == ("partly covered", ())


def test_sizes_that_nobody_measured_are_never_covered() -> None:
    found = _checked(LAG, catalogue=LAGS, stock=LISTED, is_measured=False)
    assert (found.state, found.gaps) == ("not covered", ())
