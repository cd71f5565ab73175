"""Turn what pydantic says into faults with JSON pointers."""

from collections.abc import Iterable, Mapping
from typing import Any

from pydantic import ValidationError

from service.errors import FieldFault

_BLANK = "This must be text and not blank."


_OBJECT = "This must be an object."


_WHOLE = "This must be a whole number."


_NUMBER = "This must be a number."


#: What a person reads where a problem's shape is wrong, by pydantic's name for it.
_SENTENCES = {
    "missing": "This member is missing.",
    "extra_forbidden": "This member is not known.",
    "model_type": _OBJECT,
    "dict_type": _OBJECT,
    "list_type": "This must be an array.",
    "too_short": "There are {actual_length} here; at least {min_length} are needed.",
    "too_long": "There are {actual_length} here; at most {max_length} are taken.",
    "string_type": _BLANK,
    "string_unicode": _BLANK,
    "string_pattern_mismatch": _BLANK,
    "string_too_short": _BLANK,
    "string_too_long": "This is longer than {max_length} characters.",
    "int_type": _WHOLE,
    "int_from_float": _WHOLE,
    "float_type": _NUMBER,
    "finite_number": _NUMBER,
    "greater_than_equal": "This must be at least {ge}.",
    "greater_than": "This must be more than {gt}.",
    "less_than_equal": "This must be at most {le}.",
    "literal_error": "This must be {expected}.",
}


def pointer_of(parts: Iterable[int | str]) -> str:
    """Write a path as a JSON pointer (RFC 6901)."""
    return "".join("/" + str(part).replace("~", "~0").replace("/", "~1") for part in parts)


def faults_of(errors: Iterable[Mapping[str, Any]], prefix: str = "") -> list[FieldFault]:
    """Return one fault an error, with pydantic's own lead-in taken off the sentence."""
    return [
        FieldFault(
            prefix + pointer_of(error["loc"]),
            str(error["msg"]).removeprefix("Value error, "),
        )
        for error in errors
    ]


def problem_faults(
    error: ValidationError, only_type: str | None = None
) -> tuple[tuple[str, str], ...]:
    """Return the pointer and the sentence of every fault of what was sent, or of one type."""
    return tuple(
        (
            pointer_of(_place(one)),
            _SENTENCES[one["type"]].format_map(one.get("ctx", {}))
            if one["type"] in _SENTENCES
            else one["msg"],
        )
        for one in error.errors(include_url=False, include_input=False)
        if only_type in {None, one["type"]}
    )


def _place(error: Mapping[str, Any]) -> tuple[int | str, ...]:
    """Return where a fault stands; pydantic says of a name that it is a key, beside the name."""
    place: tuple[int | str, ...] = error["loc"]
    is_key = error["type"].startswith(("string_", "name_")) and place[-1:] == ("[key]",)
    return place[:-1] if is_key else place
