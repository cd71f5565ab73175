"""A small part that the examples in this package share."""

from service.core.readiness.parts import ListPart, parts_of
from service.core.readiness.problem import (
    Case,
    Construct,
    DatedStock,
    Factor,
    Need,
    ReadinessProblem,
    Take,
)


def small_part() -> ListPart:
    """Return two cases that each want size a or b, equally likely, with one of each there.

    Returns
    -------
    ListPart
        Both cases are served if their sizes differ: one half.

    Examples
    --------
    >>> [supply.item for supply in small_part().supplies]
    ['a', 'b']
    """
    take = Take((0,), ((("a", 1),), (("b", 1),)))
    size, need = Factor("size", (0.5, 0.5)), Need("as planned", 1.0, (0,))
    cases = tuple(
        Case(name, None, None, (size,), (need,), (Construct("only", (take,)),))
        for name in ("K1", "K2")
    )
    return parts_of(ReadinessProblem((DatedStock("a", 1), DatedStock("b", 1)), (), cases))[0]
