"""Scanning to a tray: the verdict and the pick in one go, and what is said aloud."""

from typing import get_args

import pytest

from service.core.scans import VERDICTS
from service.errors import BadInput, NotFound
from service.operations.trays import trays
from service.operations.work import Work
from service.schemas.trays import (
    AloudOut,
    BroughtOut,
    NamedPackBody,
    PackOutcomeBody,
    ScanBody,
    Verdicts,
)
from tests.small_theatre import BACKUP, PRIMARY, Theatre, assert_true, furnish
from web.pages.trays import TITLES

#: The nail of the small theatre, in stock as lot L1, use by 1 January 2033.
NAIL_LABEL = "(01)02910000000017(17)330101(10)L1"


@pytest.fixture
def theatre(work: Work) -> Theatre:
    furnish(work)
    made = Theatre(work)
    made.receive("NAIL", 2)
    made.receive("CAP", 1)
    made.receive("SET", 1)
    made.add_case("K1")
    made.plan("K1", PRIMARY, BACKUP)
    return made


def _scan(theatre: Theatre, raw: str, although: str | None = None) -> BroughtOut:
    return theatre.work.write(
        lambda unit: trays.bring_scanned(unit, "K1", ScanBody(raw=raw), although)
    )


def _name(theatre: Theatre, ref: str, although: str | None = None, **pack: str) -> BroughtOut:
    body = NamedPackBody.model_validate({"ref": ref, **pack})
    return theatre.work.write(lambda unit: trays.bring_scanned(unit, "K1", body, although))


def _aloud(theatre: Theatre, **pack: str) -> AloudOut:
    named = PackOutcomeBody.model_validate({"fate": "return", **pack})
    return theatre.work.read(lambda unit: trays.aloud_out(unit, "K1", named))


def test_the_right_pack_is_judged_and_brought_at_once(theatre: Theatre) -> None:
    brought = _scan(theatre, NAIL_LABEL)
    assert brought.scan.verdict == "right"
    assert brought.pack is not None
    assert [(one.ref, one.lot, one.open) for one in theatre.tray("K1").packs] == [("NAIL", "L1", 1)]
    again = _scan(theatre, NAIL_LABEL)
    assert (again.scan.verdict, again.pack) == ("already_scanned", None)
    assert theatre.tray("K1").unaccounted == 1
    assert_true(theatre.work)


def test_another_pack_of_the_lot_is_brought_after_one_was_wasted(theatre: Theatre) -> None:
    _scan(theatre, NAIL_LABEL)
    theatre.settle("K1", "NAIL", "waste", reason="dropped")
    again = _scan(theatre, NAIL_LABEL)
    assert again.scan.verdict == "right"
    assert again.pack is not None
    assert _scan(theatre, NAIL_LABEL).scan.verdict == "already_scanned"
    assert_true(theatre.work)


def test_a_pack_that_was_implanted_fills_its_line_still(theatre: Theatre) -> None:
    _scan(theatre, NAIL_LABEL)
    theatre.settle("K1", "NAIL", "implant")
    assert _scan(theatre, NAIL_LABEL).scan.verdict == "already_scanned"


def test_a_refused_pack_stays_where_it_is(theatre: Theatre) -> None:
    for label, verdict in (
        ("(01)02910000000017(17)310101(10)L1", "label_differs"),
        ("(01)02910000000017(17)330101(10)L9", "not_in_stock"),
        ("rubbish", "unreadable"),
    ):
        brought = _scan(theatre, label)
        assert (brought.scan.verdict, brought.pack) == (verdict, None)
    assert theatre.tray("K1").packs == []


def test_a_pack_without_a_code_is_named_by_ref_and_lot(theatre: Theatre) -> None:
    assert _name(theatre, "SET", lot="L1").pack is not None
    assert _name(theatre, "NAIL").scan.verdict == "needs_lot"
    with pytest.raises(BadInput):
        _name(theatre, "NO-SUCH-REF", lot="L1")
    assert [one.ref for one in theatre.tray("K1").packs] == ["SET"]


def test_the_units_the_pick_list_names_are_meant_before_others_of_the_lot(
    theatre: Theatre,
) -> None:
    # The same lot once more, consigned; the plan holds what is owned.
    theatre.receive("NAIL", 1, ownership="consigned")
    brought = _scan(theatre, NAIL_LABEL)
    assert brought.pack is not None
    assert brought.pack.ownership == "owned"
    assert theatre.balance("NAIL")[0] == 2


def test_a_label_with_a_serial_our_record_does_not_have_means_the_lot(theatre: Theatre) -> None:
    brought = _scan(theatre, f"{NAIL_LABEL}(21)777")
    assert brought.pack is not None
    assert (brought.pack.lot, brought.pack.serial) == ("L1", None)


def test_a_pack_nobody_planned_comes_with_its_reason_and_only_then(work: Work) -> None:
    furnish(work)
    theatre = Theatre(work)
    theatre.receive("NAIL", 1)
    theatre.receive("CAP", 1)
    theatre.receive("SET", 1)
    theatre.add_case("K1")
    theatre.plan("K1", PRIMARY)
    assert _name(theatre, "CAP", lot="L1").scan.verdict == "wrong_item"
    brought = _name(theatre, "CAP", "asked for at the briefing", lot="L1")
    assert brought.pack is not None
    assert theatre.lines()[-1].reason == "asked for at the briefing"
    # A reason opens no door for what must not be used.
    label = "(01)02910000000017(17)310101(10)L1"
    assert _scan(theatre, label, "it looks good to me").pack is None


def test_what_is_said_aloud_is_what_the_guidance_names(theatre: Theatre) -> None:
    _scan(theatre, NAIL_LABEL)
    aloud = _aloud(theatre, ref="NAIL", lot="L1")
    # Type, size, side, system, use-by date, sterility: NatSSIPs 2015, 4.10.2.
    assert (aloud.description, aloud.size, aloud.side, aloud.system) == (
        "Nail",
        "11 × 180 mm, 130°",
        "either",
        "Testfield",
    )
    assert (str(aloud.use_by), aloud.sterility, aloud.open) == ("2033-01-01", "sterile", 1)
    with pytest.raises(NotFound):
        _aloud(theatre, ref="CAP", lot="L1")


def test_everything_left_goes_back_to_its_shelf(theatre: Theatre) -> None:
    before = theatre.balance("NAIL")
    _scan(theatre, NAIL_LABEL)
    _name(theatre, "SET", lot="L1")
    _name(theatre, "CAP", lot="L1")
    theatre.settle("K1", "CAP", "implant")
    done = theatre.work.write(lambda unit: trays.return_all_packs(unit, "K1"))
    assert (done.went_back, done.tray.unaccounted) == (2, 0)
    assert theatre.balance("NAIL")[0] == before[0]
    assert_true(theatre.work)


def test_every_verdict_has_a_heading_of_its_own() -> None:
    assert set(TITLES) == set(VERDICTS) == set(get_args(Verdicts))
    assert len(set(TITLES.values())) == len(TITLES)
