"""A small part that the examples in this package share."""

from service.core.readiness.parse import problem_from
from service.core.readiness.reduce import Part, parts_of


def small_part() -> Part:
    """Return two cases that each want size a or b, equally likely, with one of each there.

    Returns
    -------
    Part
        Both cases are served if their sizes differ: one half.

    Examples
    --------
    >>> [supply.item for supply in small_part().supplies]
    ['a', 'b']
    """
    take = {"factors": ["size"], "items": [{"a": 1}, {"b": 1}]}
    cases = [
        {
            "case": name,
            "factors": [{"name": "size", "probabilities": [0.5, 0.5]}],
            "needs": [{"need": "as planned", "probability": 1, "constructs": ["only"]}],
            "constructs": [{"construct": "only", "takes": [take]}],
        }
        for name in ("K1", "K2")
    ]
    stock = [{"item": item, "quantity": 1} for item in "ab"]
    return parts_of(problem_from({"stock": stock, "cases": cases}))[0]
