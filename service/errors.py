"""Everything that can go wrong in an operation, as a tree that documents itself.

ServiceError
  BadInput            a field is wrong; names each field and why
  NotFound            nothing of that kind has that name
  Conflict            what was asked conflicts with existing records
    Taken             the stock is reserved for another case; names the case and its list
    Stale             the record was changed since it was read
    Duplicate         the name is already in use
  Required            a precondition header is absent
  SignInNeeded        nobody is signed in, or not any more
  Forbidden           the role does not allow it
  TooManyTries        too many wrong sign-ins; says how long to wait
  TooSlow             a request took too long to arrive
  TooLarge            an upload or a problem is beyond the stated limit
  Unavailable         the database or the disk cannot take the change now

Each error carries `kind` (stable, part of the interface), `title` (the same for each kind) and
`detail` (a sentence a person can act on). Only `api/problems.py` knows the statuses of HTTP.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import ClassVar


@dataclass(frozen=True, slots=True)
class FieldFault:
    """One wrong field: where it is and what is wrong with it.

    Parameters
    ----------
    pointer
        JSON pointer into the body (``/length_mm``), or ``row 3, column gtin`` for a file.
    reason
        A sentence that says what is wrong and what would be right.
    """

    pointer: str
    reason: str


class ServiceError(Exception):
    """The root of everything an operation refuses, with facts a person can act on.

    Parameters
    ----------
    detail
        What happened, in one sentence for a person.
    faults
        The fields at fault, if any.
    facts
        Further facts by name, given to the client as they are.
    """

    kind: ClassVar[str] = "service-error"
    title: ClassVar[str] = "The request could not be completed"

    def __init__(
        self,
        detail: str,
        *,
        faults: Sequence[FieldFault] = (),
        facts: Mapping[str, object] | None = None,
    ) -> None:
        super().__init__(detail)
        self.detail = detail
        self.faults = tuple(faults)
        self.facts = dict(facts or {})


class BadInput(ServiceError):
    """A field is wrong; nothing was saved."""

    kind = "bad-input"
    title = "Some entries need correcting; nothing was saved"


class NotFound(ServiceError):
    """Nothing of that kind has that name."""

    kind = "not-found"
    title = "Not found"


class Conflict(ServiceError):
    """What was asked conflicts with existing records; nothing was saved."""

    kind = "conflict"
    title = "This conflicts with existing records; nothing was saved"


class Taken(Conflict):
    """The stock is reserved for another case, which is named; nothing was saved."""

    kind = "taken"
    title = "This stock is reserved for another case; nothing was saved"


class Stale(Conflict):
    """The record was changed since it was read; nothing was saved."""

    kind = "stale"
    title = "Someone changed this since you read it; nothing was saved"


class Duplicate(Conflict):
    """The name is already in use; nothing was saved."""

    kind = "duplicate"
    title = "This name is already in use; nothing was saved"


class Required(ServiceError):
    """A precondition is missing, so a change could overwrite someone else's."""

    kind = "precondition-required"
    title = "The change must state the version it is based on; nothing was saved"


class SignInNeeded(ServiceError):
    """Nobody is signed in, or the session has ended; nothing was read or saved."""

    kind = "sign-in-needed"
    title = "Sign in first; nothing was saved"


class Forbidden(ServiceError):
    """The person's role does not allow it; nothing was saved."""

    kind = "forbidden"
    title = "Your role does not allow this; nothing was saved"


class TooManyTries(ServiceError):
    """Too many wrong sign-ins for this account or from this address; wait as long as it says."""

    kind = "too-many-tries"
    title = "Too many attempts; wait before trying again"


class TooLarge(ServiceError):
    """An upload or a problem is beyond the stated limit."""

    kind = "too-large"
    title = "This is too large; nothing was saved"


class TooSlow(ServiceError):
    """A request took too long to arrive; nothing of it was kept."""

    kind = "too-slow"
    title = "The request took too long to arrive; nothing was saved"


class Unavailable(ServiceError):
    """The database or the disk cannot take the change now; trying again later may work."""

    kind = "unavailable"
    title = "Changes cannot be saved right now; nothing was saved"


class ClockBehind(Unavailable):
    """The server clock is behind the stock ledger: what is due, in date or reserved is unknown."""

    kind = "clock-behind"
    title = "The server clock is wrong; nothing was checked or saved"
