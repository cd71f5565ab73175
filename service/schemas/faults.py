"""Turn what pydantic says into faults with JSON pointers and words of our own.

Its own sentences never reach a person: each kind of error has one below that says what is wanted.
"""

from collections.abc import Iterable, Mapping, Sequence
from datetime import date
from typing import Any, get_args

from pydantic import ValidationError
from pydantic_core.core_schema import ErrorType

from service.errors import FieldFault
from service.schemas.base import WANTED

_TEXT = "this must be text"


_OBJECT = "this must be an object"


_LIST = "this must be a list"


_WHOLE = "enter a whole number{unit}, such as {whole}"


_NUMBER = "enter a number{unit}, such as {number}"


_DAY = "enter a date as YYYY-MM-DD, such as 2031-04-03"


_TIME = "enter a time as HH:MM, such as 08:30"


_MOMENT = "enter a date and time, such as 2031-04-03T08:30"


_YES_NO = "this must be true or false"


_JSON = "this is not valid JSON"


#: Pydantic's names for its errors; every other one is of a rule of ours, with our words.
_ITS_OWN = frozenset(get_args(ErrorType))


#: Said of what no sentence below is about; `tests/schemas/test_faults.py` finds what ends here.
UNSAID = "this value cannot be used"


#: What a person reads, by pydantic's name for the error. Bounds of dates are said in `_bound`.
_WORDS: Mapping[str, str] = {
    "missing": "this is required",
    "extra_forbidden": "this field is not known; leave it out",
    **dict.fromkeys(("model_type", "model_attributes_type", "dict_type", "mapping_type"), _OBJECT),
    **dict.fromkeys(("list_type", "tuple_type", "set_type"), _LIST),
    "too_short": "{actual_length} given, at least {min_length} needed",
    "too_long": "{actual_length} given, at most {max_length} allowed",
    **dict.fromkeys(("string_type", "string_unicode", "string_sub_type"), _TEXT),
    "string_pattern_mismatch": "leave out line breaks, tabs and other control characters",
    "string_too_short": "enter at least {min_length} characters",
    "string_too_long": "enter at most {max_length} characters",
    **dict.fromkeys(("int_type", "int_parsing", "int_parsing_size", "int_from_float"), _WHOLE),
    **dict.fromkeys(("float_type", "float_parsing", "finite_number"), _NUMBER),
    "greater_than_equal": "enter {ge} or more{unit}",
    "greater_than": "enter more than {gt}{unit}",
    "less_than_equal": "enter {le} or less{unit}",
    "less_than": "enter less than {lt}{unit}",
    **dict.fromkeys(("bool_type", "bool_parsing"), _YES_NO),
    **dict.fromkeys(("literal_error", "enum"), "this must be {expected}"),
    **dict.fromkeys(
        ("date_type", "date_parsing", "date_from_datetime_parsing", "date_from_datetime_inexact"),
        _DAY,
    ),
    **dict.fromkeys(("time_type", "time_parsing"), _TIME),
    **dict.fromkeys(
        (
            "datetime_type",
            "datetime_parsing",
            "datetime_object_invalid",
            "datetime_from_date_parsing",
        ),
        _MOMENT,
    ),
    "timezone_aware": "enter a date and time with its zone, such as 2031-04-03T08:30+01:00",
    **dict.fromkeys(("json_invalid", "json_type"), _JSON),
    "union_tag_invalid": "{discriminator} must be one of {expected_tags}",
    "union_tag_not_found": "{discriminator} is required",
}


#: What a number counts, an example of it whole and one that need not be, by the end of its name.
_UNITS: Mapping[str, tuple[str, str, str]] = {
    "_mm": (" in millimetres", "380", "10.5"),
    "_deg": (" of degrees", "130", "130"),
    "_minor": (" of minor units (pence, cents)", "1250", "1250"),
    "_days": (" of days", "14", "14"),
    "_hours": (" of hours", "48", "1.5"),
    "_minutes": (" of minutes", "240", "240"),
    "probability": ("", "1", "0.95"),
}


_NO_UNIT = ("", "2", "12.5")


def pointer_of(parts: Iterable[int | str]) -> str:
    """Write a path as a JSON pointer (RFC 6901)."""
    return "".join("/" + str(part).replace("~", "~0").replace("/", "~1") for part in parts)


def words_of(error: Mapping[str, Any]) -> str:
    """Say what is wanted where pydantic refused something: never in its own words.

    Parameters
    ----------
    error
        One of the errors of a `pydantic.ValidationError`, or of FastAPI's.

    Returns
    -------
    str
        A fragment without a full stop, such as ``enter a whole number, such as 2``; what a rule of
        ours refused, in that rule's words.

    Examples
    --------
    >>> words_of({"type": "int_parsing", "loc": ("length_mm",), "ctx": {}})
    'enter a whole number in millimetres, such as 380'
    >>> words_of({"type": "greater_than", "loc": ("length_mm",), "ctx": {"gt": 0}})
    'enter more than 0 mm'
    >>> words_of({"type": "url_parsing", "loc": ("address",)})
    'this value cannot be used'
    """
    kind, context = error["type"], dict(error.get("ctx") or {})
    if kind == "value_error":
        return str(context["error"])
    if kind not in _ITS_OWN:
        return str(error["msg"])
    if kind == "string_pattern_mismatch" and context["pattern"] in WANTED:
        return WANTED[context["pattern"]]
    if kind == "string_too_short" and context["min_length"] == 1:
        return "this cannot be blank"
    if (said := _bound_of_days(context)) is not None:
        return said
    told = {name: f"{one:g}" if isinstance(one, float) else one for name, one in context.items()}
    return _WORDS.get(kind, UNSAID).format_map({**told, **_examples(kind, error["loc"])})


def _bound_of_days(context: Mapping[str, Any]) -> str | None:
    """Say a bound that is a day; ``None`` where the error is none or is about a number."""
    for name, said in (("ge", "on or after"), ("le", "on or before")):
        if isinstance(context.get(name), date):
            return f"enter a date {said} {context[name]}"
    return None


def _examples(kind: str, place: Sequence[int | str]) -> dict[str, str]:
    name = next((part for part in reversed(place) if isinstance(part, str)), "")
    found = next((one for end, one in _UNITS.items() if name.endswith(end)), _NO_UNIT)
    unit, whole, number = found
    if kind.startswith(("greater_", "less_")):
        unit = " mm" if name.endswith("_mm") else ""
    return {"unit": unit, "whole": whole, "number": number}


def faults_of(errors: Iterable[Mapping[str, Any]], prefix: str = "") -> list[FieldFault]:
    """Return one fault an error, in our own words."""
    return [FieldFault(prefix + pointer_of(one["loc"]), words_of(one)) for one in errors]


def problem_faults(
    error: ValidationError, only_type: str | None = None
) -> tuple[tuple[str, str], ...]:
    """Return the pointer and a sentence of every fault of what was sent, or of one type."""
    return tuple(
        (pointer_of(_place(one)), _sentence(words_of(one)))
        for one in error.errors(include_url=False, include_input=False)
        if only_type in {None, one["type"]}
    )


def _sentence(words: str) -> str:
    """Write words as a sentence; those of a rule of a problem are one already."""
    return words if words.endswith(".") else f"{words[:1].upper()}{words[1:]}."


def _place(error: Mapping[str, Any]) -> tuple[int | str, ...]:
    """Return where a fault stands; pydantic says of a name that it is a key, beside the name."""
    place: tuple[int | str, ...] = error["loc"]
    is_key = error["type"].startswith(("string_", "name_")) and place[-1:] == ("[key]",)
    return place[:-1] if is_key else place
