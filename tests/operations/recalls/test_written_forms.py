"""A notice and a pack say the same lot in other letters, spaces, dashes, widths and accents.

That spaces and hyphens do not matter in a lot number is common practice, no source; that full-width
and composed forms are the same text is Unicode Standard Annex #15 (NFKC).
"""

import pytest

from service.errors import BadInput
from service.operations.cover.check import check_case
from service.operations.recalls.start import start_recall
from service.operations.work import Work
from service.schemas.recalls import RecallBody, RecallReport
from tests.small_theatre import SHELF, USE_BY, Theatre, furnish

#: What is printed on the pack, and what the notice says.
SAME = [
    ("L28-0031", "l280031"),
    ("L280031", "L28 0031"),
    ("L28\u20110031", "L28\u22120031"),
    ("\uff2c\uff12\uff180031", "L280031"),
    ("L28\u200b0031\ufeff", "L280031"),
    ("\u00c9T\u00c9-1", "e\u0301te\u0301 1"),
    ("\u0416-7", "\u0436 7"),
    ("STRASSE1", "stra\u00dfe1"),
]


OTHER = [("L280031", "L280032"), ("\u0416-7", "\u0415-7"), ("L28O", "L280")]


def _recall(work: Work, **facts: object) -> RecallReport:
    facts = {"notice": "FSN-1", "reason": "cracks", "quarantine": False, **facts}
    body = RecallBody.model_validate(facts)
    return work.write(lambda unit: start_recall(unit, body), "storekeeper")


def _is_covered(work: Work) -> bool:
    found = work.read(lambda unit: check_case(unit, "K1"))
    return not [gap for line in found.constructs for gap in line.gaps if gap.role == "nail"]


@pytest.fixture
def theatre(work: Work) -> Theatre:
    furnish(work)
    made = Theatre(work)
    made.add_case("K1")
    return made


@pytest.mark.parametrize(("printed", "said"), SAME)
def test_a_lot_that_reads_the_same_is_recalled(theatre: Theatre, printed: str, said: str) -> None:
    theatre.receive("NAIL", 1, lot=printed)
    theatre.receive("SET", 1)
    theatre.plan("K1")
    assert _is_covered(theatre.work)
    report = _recall(theatre.work, ref="NAIL", lot=said)
    assert [(one.lot, one.quantity) for one in report.on_shelves] == [(printed, 1)]
    assert report.lot == said, "what was typed is kept and shown"
    assert not _is_covered(theatre.work), "a recalled pack is no cover"


@pytest.mark.parametrize(("printed", "said"), OTHER)
def test_a_lot_that_reads_otherwise_is_not(theatre: Theatre, printed: str, said: str) -> None:
    theatre.receive("NAIL", 1, lot=printed)
    theatre.receive("SET", 1)
    theatre.plan("K1")
    assert _recall(theatre.work, ref="NAIL", lot=said).on_shelves == []
    assert _is_covered(theatre.work)


@pytest.mark.parametrize(("printed", "said"), SAME)
def test_a_recalled_lot_is_not_received_onto_a_shelf_in_any_writing(
    theatre: Theatre, printed: str, said: str
) -> None:
    _recall(theatre.work, ref="NAIL", lot=said)
    with pytest.raises(BadInput) as refused:
        theatre.receive("NAIL", 1, lot=printed)
    assert "recalled by notice FSN-1" in refused.value.faults[0].reason


def test_a_supplier_is_the_same_in_any_writing(theatre: Theatre) -> None:
    theatre.receive("NAIL", 1)
    report = _recall(theatre.work, supplier="TEST\u2010supply", lot="l1")
    assert [one.ref for one in report.on_shelves] == ["NAIL"]


def test_a_pack_whose_lot_nobody_knows_is_no_cover_while_a_lot_is_recalled(
    theatre: Theatre,
) -> None:
    theatre.record("receive", serial="S7", quantity=1, to=SHELF, use_by=USE_BY)
    theatre.receive("SET", 1)
    theatre.plan("K1")
    report = _recall(theatre.work, ref="NAIL", lot="L9")
    assert [(one.serial, one.quantity) for one in report.cannot_tell] == [("S7", 1)]
    assert not _is_covered(theatre.work)
    with pytest.raises(BadInput, match="must not be used"):
        theatre.promise("K1", "NAIL", lot=None, serial="S7")


def test_a_pack_without_a_number_that_tells_it_apart_is_in_doubt(theatre: Theatre) -> None:
    theatre.receive("NAIL", 1, lot="--")
    report = _recall(theatre.work, ref="NAIL", lot="L9")
    assert [(one.lot, one.quantity) for one in report.cannot_tell] == [("--", 1)]


@pytest.mark.parametrize("field", ["lot", "serial", "supplier"])
def test_a_notice_that_names_nothing_readable_is_refused(field: str) -> None:
    with pytest.raises(ValueError, match="at least one letter or digit"):
        RecallBody.model_validate(
            {"notice": "N", "reason": "cracks", "quarantine": False, "ref": "NAIL", field: " - "}
        )
