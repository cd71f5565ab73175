"""Types every schema shares, with the bounds both databases can keep."""

from collections.abc import Iterable
from datetime import date, datetime, time
from typing import Annotated

from pydantic import AfterValidator, BaseModel, ConfigDict, Field, StringConstraints
from pydantic_core import InitErrorDetails, PydanticCustomError, ValidationError

#: No control characters: they cannot be typed on purpose, and PostgreSQL refuses some of them.
PRINTABLE = r"^[^\x00-\x1f\x7f]*$"


#: What is wanted of a text that has to match a pattern, with an example, by the pattern.
WANTED: dict[str, str] = {}


def pattern(expression: str, wanted: str) -> str:
    """Return a pattern, having noted what a person reads where a text does not match it."""
    WANTED[expression] = wanted
    return expression


_FIRST_DAY, _LAST_DAY = date(2000, 1, 1), date(2199, 12, 31)


class Body(BaseModel):
    """What a person or program sends: unknown fields are refused, text is trimmed."""

    model_config = ConfigDict(extra="forbid", str_strip_whitespace=True)


class Out(BaseModel):
    """What the service answers."""

    model_config = ConfigDict(from_attributes=True)


def _within_years(moment: datetime) -> datetime:
    if not _FIRST_DAY <= moment.date() <= _LAST_DAY:
        message = f"enter a date from {_FIRST_DAY} to {_LAST_DAY}"
        raise ValueError(message)
    return moment


def _without_zone(clock: time) -> time:
    if clock.tzinfo is not None:
        message = "enter a local time without a time zone, such as 08:30"
        raise ValueError(message)
    return clock


Ref = Annotated[str, StringConstraints(min_length=1, max_length=80, pattern=PRINTABLE)]


#: A slash would take the case's address apart.
CaseReference = Annotated[
    str,
    StringConstraints(
        min_length=1,
        max_length=80,
        pattern=pattern(
            r"^[^\x00-\x1f\x7f/]*$", "use letters, digits and hyphens, no slash, such as HAR-0712"
        ),
    ),
]


Code = Annotated[
    str,
    StringConstraints(
        max_length=60,
        pattern=pattern(
            r"^[a-z0-9]+(-[a-z0-9]+)*$",
            "use lower-case letters, digits and single hyphens, such as long-single-lag-nail",
        ),
    ),
]


#: A code of three letters, such as EUR; which exist is checked beside it.
CURRENCY = pattern(r"^[A-Z]{3}$", "enter a currency code of three capital letters, such as GBP")


#: The same, or nothing.
CURRENCY_OR_NONE = pattern(
    r"^([A-Z]{3})?$", "enter a currency code of three capital letters, such as GBP"
)


#: A code of the list Electronic Address Scheme, such as 0088 for a GLN, or nothing.
SCHEME_OR_NONE = pattern(r"^([0-9]{4})?$", "enter a scheme code of four digits, such as 0088")


#: What an electronic address may hold.
ENDPOINT = pattern(
    r"^[!-~]*$", "enter letters, digits and signs without spaces, such as 5790000435975"
)


#: Blank is what `str.strip` leaves nothing of, which is a little more than the pattern's own \s.
NOT_BLANK = pattern(r"[^\s\x1c-\x1f]", "enter text, such as a name")


#: A key of a sizing figure.
FIGURE_KEY = pattern(
    r"^[a-z][a-z0-9_]{0,60}$", "use lower-case letters, digits and underscores, such as neck_sd_mm"
)


SIGN_IN = pattern(
    r"^[a-z0-9][a-z0-9._-]{1,59}$",
    "use 2 to 60 lower-case letters, digits, dots and hyphens, such as a.nurse",
)


Name = Annotated[str, StringConstraints(min_length=1, max_length=120, pattern=PRINTABLE)]


LongText = Annotated[str, StringConstraints(min_length=1, max_length=500, pattern=PRINTABLE)]


OptionalText = Annotated[str, StringConstraints(max_length=500, pattern=PRINTABLE)]


Millimetres = Annotated[float, Field(gt=0, le=1000, allow_inf_nan=False)]


Count = Annotated[int, Field(gt=0, le=1_000_000)]


Day = Annotated[date, Field(ge=_FIRST_DAY, le=_LAST_DAY)]


Moment = Annotated[datetime, AfterValidator(_within_years)]


Clock = Annotated[time, AfterValidator(_without_zone)]


#: Said where neither a lot nor a serial says which units are meant.
LOT_OR_SERIAL = "enter the lot or the serial"


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
