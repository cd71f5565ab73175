"""The unique device identifier of a pack, as its label carries it for people to read."""

import re
from datetime import date

from service.exchange.fhir.terms import GS1_DI, Json, without_empty
from service.exchange.gs1_text import bracketed, gs1_elements

__all__ = ["printed_udi", "udi_carrier"]

#: What a lot or serial may hold: set 82 without brackets, which would end the element for a reader.
_ELEMENT = re.compile(r"[!\"%&'*+,\-./0-9:;<=>?A-Z_a-z]{1,20}")


def printed_udi(
    gtin: str, *, made_on: date | None = None, use_by: date | None = None, lot: str, serial: str
) -> str | None:
    """Write a device identifier as GS1 element strings for people to read.

    Parameters
    ----------
    gtin
        14 digits.
    made_on, use_by
        Days, left out when not known.
    lot, serial
        As printed; empty when there is none.

    Returns
    -------
    str or None
        Application identifiers 01, 11, 17, 10 and 21 in the regulator's order; ``None`` when lot
        or serial cannot stand in a GS1 code, so that no label ever carried it like this.

    Notes
    -----
    Source: FDA, "Unique Device Identifier formats by FDA-accredited issuing agency" (order and
    brackets); GS1 General Specifications, 3.2 (elements) and 7.11 (character set 82).

    Examples
    --------
    >>> printed_udi("51022222233336", use_by=date(2015, 7, 7), lot="A213B1", serial="1234")
    '(01)51022222233336(17)150707(10)A213B1(21)1234'
    """
    if any(part and _ELEMENT.fullmatch(part) is None for part in (lot, serial)):
        return None
    return bracketed(
        gs1_elements(gtin=gtin, lot=lot, serial=serial, use_by=use_by, made_on=made_on)
    )


def udi_carrier(gtin: str | None, use_by: date | None, lot: str, serial: str) -> list[Json]:
    """Give a device's ``udiCarrier``; empty without a GTIN, which is its only mandatory part.

    The jurisdiction, and how the code was read, are not on record and stay absent.
    """
    if gtin is None:
        return []
    printed = printed_udi(gtin, use_by=use_by, lot=lot, serial=serial)
    facts = {"deviceIdentifier": gtin, "issuer": GS1_DI, "carrierHRF": printed}
    return [without_empty(facts)]
