"""Faults that only show where parts of a problem are seen together."""

from service.core.readiness.problem import Case, InstrumentSet, Parcel
from service.core.readiness.reading import Moment, Node


def note_mixed_clocks(clock: list[tuple[Node, Moment]]) -> None:
    """Note a fault at the first time that has an offset where the first of all has none.

    Examples
    --------
    >>> faults: list[tuple[str, str]] = []
    >>> nodes = [Node(None, pointer, faults) for pointer in ("/a", "/b")]
    >>> note_mixed_clocks([(nodes[0], Moment(0, True)), (nodes[1], Moment(0, False))])
    >>> faults[0][0]
    '/b'
    """
    for node, moment in clock:
        if moment.aware != clock[0][1].aware:
            node.fail("Some times here have an offset and some have not.")
            return


def note_shared_names(
    members: dict[str, Node], stock: tuple[Parcel, ...], sets: tuple[InstrumentSet, ...]
) -> None:
    """Note a fault at every set that is in the stock too.

    Examples
    --------
    >>> faults: list[tuple[str, str]] = []
    >>> members = {"sets": Node(None, "/sets", faults)}
    >>> note_shared_names(members, (Parcel("x", 1),), (InstrumentSet("x", 1, 0),))
    >>> faults[0][0]
    '/sets/0/item'
    """
    stocked = {parcel.item for parcel in stock}
    for index, each in enumerate(sets):
        if each.item and each.item in stocked:
            place = members["sets"].child(index, None).child("item", None)
            place.fail(f"{each.item!r} is in the stock too; a set cannot be both.")


def note_case_times(
    node: Node, stock: tuple[Parcel, ...], sets: tuple[InstrumentSet, ...], case: Case
) -> None:
    """Note a fault where a case lacks times that dated stock or sets make necessary.

    Examples
    --------
    >>> faults: list[tuple[str, str]] = []
    >>> case = Case("K1", None, None, (), (), ())
    >>> note_case_times(Node(None, "/case", faults), (Parcel("x", 1, 5),), (), case)
    >>> faults
    [('/case/starts', 'A start is needed because the stock is dated.')]
    """
    dated = any(p.from_us is not None or p.until_us is not None for p in stock)
    if not dated and not sets:
        return
    why = "sets are used" if sets else "the stock is dated"
    starts, ends = node.child("starts", None), node.child("ends", None)
    if case.starts_us is None and not _faulty(starts):
        starts.fail(f"A start is needed because {why}.")
    if case.ends_us is None and sets and not _faulty(ends):
        ends.fail(f"An end is needed because {why}.")


def _faulty(node: Node) -> bool:
    return any(pointer == node.pointer for pointer, _ in node.faults)
