"""GS1 element strings as people read them: on labels, in the implant log, in what is exported."""

from collections.abc import Sequence
from datetime import date

__all__ = ["bracketed", "gs1_elements"]


def gs1_elements(
    *,
    gtin: str,
    lot: str = "",
    serial: str = "",
    use_by: date | None = None,
    made_on: date | None = None,
) -> tuple[tuple[str, str], ...]:
    """Name a pack by GS1 application identifiers, as far as known.

    Parameters
    ----------
    gtin
        14 digits.
    lot, serial
        As printed; empty when there is none.
    use_by, made_on
        Days, left out when not known.

    Returns
    -------
    tuple of pairs of str
        Application identifier and value: 01, 11, 17, 10, 21 in the regulator's order.

    Notes
    -----
    Source: GS1 General Specifications, 3.2 (elements); FDA, "Unique Device Identifier formats by
    FDA-accredited issuing agency" (order).
    """
    parts = (
        ("01", gtin),
        ("11", f"{made_on:%y%m%d}" if made_on else ""),
        ("17", f"{use_by:%y%m%d}" if use_by else ""),
        ("10", lot),
        ("21", serial),
    )
    return tuple((identifier, value) for identifier, value in parts if value)


def bracketed(elements: Sequence[tuple[str, str]]) -> str:
    """Write elements with their identifiers in brackets, as under a code.

    Examples
    --------
    >>> bracketed([("01", "05012345678900"), ("17", "310331"), ("10", "A1")])
    '(01)05012345678900(17)310331(10)A1'
    """
    return "".join(f"({identifier}){value}" for identifier, value in elements)
