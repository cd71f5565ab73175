"""Cover in words: what a person reads must be what was found."""

from datetime import date
from zoneinfo import ZoneInfo

from service.core.cover.check import check_cases
from service.core.cover.gaps import cover_words
from service.core.cover.results import ConstructCheck, Gap, LineCheck, Pick
from service.core.cover.units import StockUnits
from tests.core.planner_catalogue import at, case, line, parcel, set_line

LENGTHS = {"L90": 90.0, "L95": 95.0, "L100": 100.0, "N340": 340.0}


def found(ref: str, role: str = "lag screw", shared: tuple[str, ...] = ()) -> LineCheck:
    return LineCheck(line(ref, role=role), (Pick(StockUnits(f"{ref}@A", ref, 1), 1, shared),), None)


def construct(*lines: LineCheck) -> ConstructCheck:
    return ConstructCheck("c", "covered", lines)


def test_sizes_that_are_all_there_are_said_as_a_range_for_each_role() -> None:
    check = construct(found("L95"), found("L90"), found("L100"), found("N340", role="nail"))
    assert cover_words(check, LENGTHS) == "lag screw 90–100 mm covered, nail 340 mm covered"


def test_what_has_no_length_is_not_given_one() -> None:
    assert cover_words(construct(found("SET", role="set screw")), LENGTHS) == (
        "everything needed is in stock"
    )


def test_a_gap_is_said_instead_of_any_range_and_each_sentence_once() -> None:
    gap = Gap("lag screw", "lag screw 95 mm", "size", "none_in_stock", 1, "Lag 95: none.", ())
    short = LineCheck(line("L95"), (), gap)
    check = ConstructCheck("c", "partly covered", (found("L90"), short, short))
    assert cover_words(check, LENGTHS) == "Lag 95: none."


def test_who_shares_a_pack_is_named() -> None:
    check = construct(found("L90", shared=("K3", "K2")), found("L95", shared=("K2",)))
    said = cover_words(check, LENGTHS)
    assert said == "lag screw 90–95 mm covered, a pack is shared with K2, K3"


def test_two_cases_of_one_list_on_one_backup_are_both_covered_and_say_so() -> None:
    backup = line("L95", first=False)
    first = case("K1", (line("L90"), set_line("IS")), (backup,))
    second = case("K2", (line("L100"),), (backup,), starts=at(13))
    stock = [parcel("L90"), parcel("L95"), parcel("L100"), parcel("IS")]
    checks = check_cases([first, second], stock, {"IS": 240}, ZoneInfo("Europe/London"))
    said = [cover_words(check.constructs[1], LENGTHS) for check in checks]
    assert said == [
        "lag screw 95 mm covered, a pack is shared with K2",
        "lag screw 95 mm covered, a pack is shared with K1",
    ]
    assert [check.constructs[1].state for check in checks] == ["covered", "covered"]


def test_what_expires_before_the_list_is_named_and_not_counted() -> None:
    old = parcel("L95", use_by=date(2031, 3, 3))
    (check,) = check_cases([case("K1", (line("L95"),))], [old], {}, ZoneInfo("Europe/London"))
    said = cover_words(check.constructs[0], LENGTHS)
    assert "covered" not in said
    assert "3 Mar" in said or "2031-03-03" in said
