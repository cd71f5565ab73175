"""The figures that say how long it takes to get something: each with unit and source.

They are kept, shown and changed with the sizing figures. A department that has set none goes by
these, and is told so.
"""

from collections.abc import Mapping
from dataclasses import dataclass

from service.core.sizing_defaults import Default

__all__ = ["SUPPLY_FIGURES", "SupplyFigures", "supply_figures"]

_SOURCE = "common practice, no source; set by the department"

#: Every figure, by key, as it is until somebody sets it.
SUPPLY_FIGURES: Mapping[str, Default] = {
    one.key: one
    for one in (
        Default(
            "delivery_receiving_hours",
            4,
            "hours",
            _SOURCE,
            "From the door to the shelf: unpacked, checked, booked in.",
        ),
        Default(
            "loan_reprocessing_hours",
            48,
            "hours",
            _SOURCE,
            "From the arrival of a loan, or of anything else that comes unsterile, until it has "
            "been reprocessed here and can be used.",
        ),
        Default(
            "store_transfer_hours",
            2,
            "hours",
            _SOURCE,
            "From one store of this site to another.",
        ),
        Default(
            "site_transfer_hours",
            24,
            "hours",
            _SOURCE,
            "From another site's shelf to a shelf here, once that site agrees.",
        ),
        Default(
            "loan_lead_days",
            2,
            "days",
            _SOURCE,
            "From asking for a loan until it arrives, in days on which the supplier works.",
        ),
        Default(
            "call_off_days",
            1,
            "days",
            _SOURCE,
            "From a call-off until consigned units arrive, in days on which the supplier works.",
        ),
        Default(
            "short_dated_days",
            90,
            "days",
            _SOURCE,
            "What expires sooner than this after it arrives is not taken without a reason.",
        ),
    )
}


@dataclass(frozen=True, slots=True)
class SupplyFigures:
    """How long it takes to get something; hours pass, days are those of the supplier."""

    delivery_receiving_hours: float
    loan_reprocessing_hours: float
    store_transfer_hours: float
    site_transfer_hours: float
    loan_lead_days: int
    call_off_days: int


def supply_figures(values: Mapping[str, float]) -> SupplyFigures:
    """Take the figures in force, and the usual one where there is none.

    Parameters
    ----------
    values
        Figures by key; others may be among them.

    Returns
    -------
    SupplyFigures
        All of them.

    Notes
    -----
    Source: common practice, no source.

    Examples
    --------
    >>> figures = supply_figures({"loan_reprocessing_hours": 72})
    >>> figures.loan_reprocessing_hours, figures.delivery_receiving_hours
    (72, 4)
    """
    known = {key: values.get(key, one.value) for key, one in SUPPLY_FIGURES.items()}
    return SupplyFigures(
        known["delivery_receiving_hours"],
        known["loan_reprocessing_hours"],
        known["store_transfer_hours"],
        known["site_transfer_hours"],
        int(known["loan_lead_days"]),
        int(known["call_off_days"]),
    )
