"""The implant log: what stayed in a patient, or was wasted, with its device identifier."""

from typing import Any

from sqlalchemy import Row

from service.exchange.gs1_text import bracketed, gs1_elements
from service.operations.cases import the_case
from service.operations.schemas.ledger import ImplantLog, ImplantOut
from service.operations.unit import Unit
from service.storage.queries import packs

__all__ = ["implant_log", "udi_of"]


def implant_log(unit: Unit, reference: str) -> ImplantLog:
    """Give the lines of a case's implant log, the oldest first."""
    case = the_case(unit, reference)
    rows = packs.implant_log(unit.session, case.id or 0)
    return ImplantLog(
        lines=[
            ImplantOut(
                case=reference,
                udi=udi_of(row),
                ref=row.ref,
                description=row.description,
                lot=row.lot_number,
                serial=row.serial,
                use_by=row.use_by,
                quantity=row.quantity,
                fate="implanted" if row.kind == "implant" else "wasted",
                reason=row.reason,
                at=unit.local(row.at),
                actor=row.actor,
            )
            for row in rows
        ]
    )


def udi_of(row: Row[Any]) -> str:
    """Write the device identifier as GS1 element strings for people to read; empty without GTIN.

    Application identifiers 01, 17, 10 and 21. Source: GS1 General Specifications.
    """
    if not row.gtin:
        return ""
    return bracketed(
        gs1_elements(gtin=row.gtin, lot=row.lot_number, serial=row.serial, use_by=row.use_by)
    )
