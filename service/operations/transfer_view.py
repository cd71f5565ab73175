"""Transfers as the page shows them: what we ask, what is asked of us, and what could go."""

from datetime import date

from service.operations.recalls import blocked_lots
from service.operations.schemas.base import Out
from service.operations.schemas.stock import LocationOut
from service.operations.schemas.transfers import TransferOut
from service.operations.stock import list_locations
from service.operations.stock_view import why_not_usable
from service.operations.transfers import list_transfers
from service.operations.unit import Unit
from service.storage.queries import stock, transfers
from service.storage.tables import Site

__all__ = ["AskedOfUs", "FreeUnits", "SiteName", "TransfersView", "view_transfers"]


class SiteName(Out):
    """Another site that could be asked."""

    code: str
    name: str


class FreeUnits(Out):
    """Units of one lot on one shelf, with how many of them nobody is promised."""

    lot: str
    serial: str
    ownership: str
    use_by: date | None
    store: str
    shelf: str
    free: int


class AskedOfUs(TransferOut):
    """A transfer that waits for our answer, and the units that could go."""

    units: list[FreeUnits]


class TransfersView(Out):
    """Everything about transfers at one site."""

    others: list[SiteName]
    to_answer: list[AskedOfUs]
    ours: list[TransferOut]
    answered: list[TransferOut]
    places: list[LocationOut]


def view_transfers(unit: Unit) -> TransfersView:
    """Give the transfers of a site, those that wait for its answer apart."""
    own = unit.session.get_one(Site, unit.site_id).code
    known = list_transfers(unit).transfers
    waiting = [one for one in known if one.from_site == own and one.state == "asked"]
    return TransfersView(
        others=[
            SiteName.model_validate(row)
            for row in transfers.other_sites(unit.session, unit.site_id)
        ],
        to_answer=[AskedOfUs(**one.model_dump(), units=_could_go(unit, one)) for one in waiting],
        ours=[one for one in known if one.to_site == own],
        answered=[one for one in known if one.from_site == own and one.state != "asked"],
        places=[place for place in list_locations(unit) if place.kind == "shelf"],
    )


def _could_go(unit: Unit, asked: TransferOut) -> list[FreeUnits]:
    """Give the lots with enough free units in one place."""
    recalled = blocked_lots(unit)
    rows = stock.stock_rows(unit.session, site_id=unit.site_id, filters={"ref": asked.ref})
    return [
        FreeUnits(
            lot=row.lot_number,
            serial=row.serial,
            ownership=row.ownership,
            use_by=row.use_by,
            store=row.store,
            shelf=row.shelf,
            free=row.quantity - row.held,
        )
        for row in rows
        if row.quantity - row.held >= asked.quantity
        and not why_not_usable(row, recalled, unit.today)
    ]
