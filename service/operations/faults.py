"""Turn what pydantic says into faults with JSON pointers."""

from collections.abc import Iterable, Mapping
from typing import Any

from service.errors import FieldFault

__all__ = ["faults_of", "pointer_of"]


def pointer_of(parts: Iterable[int | str]) -> str:
    """Write a path as a JSON pointer (RFC 6901)."""
    return "".join("/" + str(part).replace("~", "~0").replace("/", "~1") for part in parts)


def faults_of(errors: Iterable[Mapping[str, Any]], prefix: str = "") -> list[FieldFault]:
    """Give one fault an error, with pydantic's own lead-in taken off the sentence."""
    return [
        FieldFault(
            prefix + pointer_of(error["loc"]),
            str(error["msg"]).removeprefix("Value error, "),
        )
        for error in errors
    ]
