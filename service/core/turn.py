"""One case's turn at the shelf while cases are checked in order."""

from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date, datetime, timedelta, tzinfo

from service.core.case_checks import CaseToCheck
from service.core.shelf import Shelf
from service.core.units import Claim, Reason, StockUnits, unusable_reason

__all__ = ["Turn", "Used", "first_expired"]

#: Units of a parcel used up within one construct, by who uses them and parcel.
Used = dict[tuple[tuple[str, ...], str], int]


@dataclass(slots=True)
class Turn:
    """One case's turn at the shelf; the packs it claims are shared by its constructs."""

    case: CaseToCheck
    shelf: Shelf
    turnarounds: Mapping[str, int]
    zone: tzinfo
    most_used: Used = field(default_factory=lambda: defaultdict(int))

    def why_not(self, parcel: StockUnits) -> Reason | None:
        """Say why a parcel does not count for this case, or ``None`` when it does."""
        return unusable_reason(
            parcel,
            self.case.list_date,
            case=self.case.case,
            starts=self.case.starts,
            is_promised=self.held(parcel) > 0,
        )

    def usable(self, refs: Sequence[str]) -> list[StockUnits]:
        """Give the parcels that count for this case, first expired first."""
        stock = [parcel for ref in refs for parcel in self.shelf.parcels.get(ref, ())]
        return sorted((one for one in stock if self.why_not(one) is None), key=first_expired)

    def new_claim(self, parcel: StockUnits, quantity: int, *, stays: bool) -> Claim:
        """Make a claim of this case; nobody has noted it yet."""
        return Claim(
            self.case.case,
            parcel.key,
            quantity,
            self.case.list_date,
            self.case.operating_list,
            stays,
        )

    def share(self, parcel: StockUnits, wanted: int) -> tuple[Claim, ...]:
        """Claim backups that lie ready for another case of the list."""
        return self.shelf.share(parcel, wanted, self.new_claim(parcel, wanted, stays=False))

    def held(self, parcel: StockUnits, *, for_good: bool = False) -> int:
        """Give how many units of a parcel the case has claimed, or has claimed for good."""
        return sum(
            claim.quantity
            for claim in self.shelf.claims.get(parcel.key, ())
            if claim.case == self.case.case and (claim.stays or not for_good)
        )

    def set_until(self, parcel: StockUnits, *, is_primary: bool) -> datetime:
        """Say when an instrument set is back; one that stands by goes back unopened."""
        minutes = self.turnarounds.get(parcel.ref, 0) if is_primary else 0
        return self.case.ends + timedelta(minutes=minutes)


def first_expired(parcel: StockUnits) -> tuple[date, str, str, str]:
    """Give the order in which parcels are used: by use-by date, then lot, shelf and key."""
    return (parcel.use_by or date.max, parcel.lot, parcel.shelf, parcel.key)
