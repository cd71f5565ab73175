"""Everything that can go wrong in an operation, as a tree that documents itself.

ServiceError
  BadInput            a field is wrong; names each field and why
  NotFound            nothing of that kind has that name
  Conflict            what was asked clashes with what is there
    Taken             the stock is promised to someone else; names the list that holds it
    Stale             the thing was edited since it was read
    Duplicate         something of that name exists already
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
    title: ClassVar[str] = "The request could not be carried out"

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
    title = "Some of what was sent is wrong; nothing was saved"


class NotFound(ServiceError):
    """Nothing of that kind has that name."""

    kind = "not-found"
    title = "There is no such thing here"


class Conflict(ServiceError):
    """What was asked clashes with what is there; nothing was saved."""

    kind = "conflict"
    title = "That clashes with what is already there; nothing was saved"


class Taken(Conflict):
    """The stock is promised to someone else, who is named; nothing was saved."""

    kind = "taken"
    title = "That stock is promised elsewhere; nothing was saved"


class Stale(Conflict):
    """The thing was edited since it was read; nothing was saved."""

    kind = "stale"
    title = "Someone changed this since you read it; nothing was saved"


class Duplicate(Conflict):
    """Something of that name exists already; nothing was saved."""

    kind = "duplicate"
    title = "There is one of that name already; nothing was saved"


class Required(ServiceError):
    """A precondition is absent, so a change could overwrite someone else's."""

    kind = "precondition-required"
    title = "The change must say which version it is based on; nothing was saved"


class SignInNeeded(ServiceError):
    """Nobody is signed in, or the session has ended; nothing was read or saved."""

    kind = "sign-in-needed"
    title = "Sign in first; nothing was saved"


class Forbidden(ServiceError):
    """The person's role does not allow it; nothing was saved."""

    kind = "forbidden"
    title = "Your role does not allow that; nothing was saved"


class TooManyTries(ServiceError):
    """Too many wrong sign-ins for this account or from this address; wait as long as it says."""

    kind = "too-many-tries"
    title = "Too many tries; wait before the next"


class TooLarge(ServiceError):
    """An upload or a problem is beyond the stated limit."""

    kind = "too-large"
    title = "That is larger than the service takes; nothing was saved"


class TooSlow(ServiceError):
    """A request took too long to arrive; nothing of it was kept."""

    kind = "too-slow"
    title = "That took too long to arrive; nothing was saved"


class Unavailable(ServiceError):
    """The database or the disk cannot take the change now; trying again later may work."""

    kind = "unavailable"
    title = "The service cannot store changes right now; nothing was saved"


class ClockBehind(Unavailable):
    """The service's clock is behind its own ledger: what is due, in date or promised is unknown."""

    kind = "clock-behind"
    title = "The service's clock is behind; nothing was judged or saved"
