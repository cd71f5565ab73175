"""Types every schema shares, with the bounds both databases can keep."""

from collections.abc import Iterable
from datetime import date, datetime, time
from typing import Annotated

from pydantic import AfterValidator, BaseModel, ConfigDict, Field, StringConstraints
from pydantic_core import InitErrorDetails, PydanticCustomError, ValidationError

#: No control characters: they cannot be typed on purpose, and PostgreSQL refuses some of them.
_PRINTABLE = r"^[^\x00-\x1f\x7f]*$"


_FIRST_DAY, _LAST_DAY = date(2000, 1, 1), date(2199, 12, 31)


class Body(BaseModel):
    """What a person or program sends: unknown fields are refused, text is trimmed."""

    model_config = ConfigDict(extra="forbid", str_strip_whitespace=True)


class Out(BaseModel):
    """What the service answers."""

    model_config = ConfigDict(from_attributes=True)


def _within_years(moment: datetime) -> datetime:
    if not _FIRST_DAY <= moment.date() <= _LAST_DAY:
        message = f"must lie between {_FIRST_DAY} and {_LAST_DAY}"
        raise ValueError(message)
    return moment


def _without_zone(clock: time) -> time:
    if clock.tzinfo is not None:
        message = "must be a time on the site's clock, without a zone"
        raise ValueError(message)
    return clock


Ref = Annotated[str, StringConstraints(min_length=1, max_length=80, pattern=_PRINTABLE)]


#: A slash would take the case's address apart.
CaseReference = Annotated[
    str, StringConstraints(min_length=1, max_length=80, pattern=r"^[^\x00-\x1f\x7f/]*$")
]


Code = Annotated[str, StringConstraints(max_length=60, pattern=r"^[a-z0-9]+(-[a-z0-9]+)*$")]


Name = Annotated[str, StringConstraints(min_length=1, max_length=120, pattern=_PRINTABLE)]


LongText = Annotated[str, StringConstraints(min_length=1, max_length=500, pattern=_PRINTABLE)]


OptionalText = Annotated[str, StringConstraints(max_length=500, pattern=_PRINTABLE)]


Millimetres = Annotated[float, Field(gt=0, le=1000, allow_inf_nan=False)]


Count = Annotated[int, Field(gt=0, le=1_000_000)]


Day = Annotated[date, Field(ge=_FIRST_DAY, le=_LAST_DAY)]


Moment = Annotated[datetime, AfterValidator(_within_years)]


Clock = Annotated[time, AfterValidator(_without_zone)]


def located(body: Body, field: str, reason: str) -> ValidationError:
    """Make the error of a rule across fields, at the field a person would change."""
    return all_located(body, [((field,), reason)])


def all_located(
    body: BaseModel, faults: Iterable[tuple[tuple[int | str, ...], str]]
) -> ValidationError:
    """Make one validation error of many faults, each with its path in the body."""
    details = [
        InitErrorDetails(
            type=PydanticCustomError("rule", "{reason}", {"reason": reason}),
            loc=path,
            input=getattr(body, str(path[0]), None) if path else body,
        )
        for path, reason in faults
    ]
    return ValidationError.from_exception_data(type(body).__name__, details)
