"""A tray is where a case's packs have been brought to, and no shelf that happens to bear its name.

The small department of ``tests/small_theatre.py`` is counted by hand.
"""

from service.operations.locations import add_location
from service.operations.trays.trays import bring_scanned
from service.schemas.stock import LocationBody
from service.schemas.trays import NamedPackBody
from tests.small_theatre import BACKUP, PRIMARY, Theatre

NAMED_LIKE_THE_CASE = {"store": "Store", "shelf": "K1"}


def planned(theatre: Theatre) -> None:
    """The only cap, nail and set lie on a shelf that is called like the case."""
    body = LocationBody.model_validate(NAMED_LIKE_THE_CASE)
    theatre.work.write(lambda unit: add_location(unit, body))
    for ref in ("NAIL", "CAP", "SET"):
        theatre.receive(ref, 1, to=NAMED_LIKE_THE_CASE)
    theatre.add_case("K1")
    theatre.plan("K1", PRIMARY, BACKUP)


def test_what_lies_on_a_shelf_named_like_the_case_has_still_to_be_brought(
    theatre: Theatre,
) -> None:
    planned(theatre)
    rows = theatre.check("K1").pick_list
    assert [(row.ref, row.shelf, row.on_tray) for row in rows] == [
        ("NAIL", "K1", False),
        ("SET", "K1", False),
        ("CAP", "K1", False),
    ]
    assert theatre.tray("K1").packs == []


def _brought(theatre: Theatre, body: NamedPackBody) -> bool:
    return theatre.work.write(lambda unit: bring_scanned(unit, "K1", body)).pack is not None


def test_a_pack_is_brought_from_a_shelf_named_like_the_case(theatre: Theatre) -> None:
    planned(theatre)
    for ref in ("NAIL", "SET"):
        assert _brought(theatre, NamedPackBody(ref=ref, lot="L1"))
    rows = theatre.check("K1").pick_list
    assert [(row.ref, row.store, row.on_tray) for row in rows] == [
        ("NAIL", "T1", True),
        ("SET", "T1", True),
        ("CAP", "Store", False),
    ]
    assert theatre.states("K1") == ["covered", "covered"]


def test_a_set_on_a_shelf_named_like_one_case_is_there_for_another(theatre: Theatre) -> None:
    planned(theatre)
    theatre.cancel("K1")
    theatre.add_case("K2", hour=9, theatre="T2")
    theatre.plan("K2", PRIMARY)
    assert theatre.states("K2") == ["covered"]
