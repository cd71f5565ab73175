"""Read what a form sends as plain text by name."""

from collections.abc import AsyncIterator, Mapping
from typing import Annotated

from fastapi import Depends, Request
from starlette.datastructures import FormData

__all__ = ["FileForm", "Filled", "FilledForm", "LongForm", "texts", "version_of", "whole"]

#: Digits of the largest version a form may carry.
LONGEST_VERSION = 9


async def _form(request: Request) -> AsyncIterator[FormData]:
    async with request.form(max_fields=200, max_files=0) as form:
        yield form


async def _long_form(request: Request) -> AsyncIterator[FormData]:
    async with request.form(max_fields=4000, max_files=0) as form:
        yield form


async def _with_file(request: Request) -> AsyncIterator[FormData]:
    async with request.form(max_fields=20, max_files=1) as form:
        yield form


async def _filled(form: Annotated[FormData, Depends(_form)]) -> dict[str, str]:
    return {
        name: value
        for name, value in form.items()
        if isinstance(value, str) and name != "form_token"
    }


def texts(form: FormData, name: str) -> list[str]:
    """Give every filled value of a field that may come more than once, each once, in order."""
    return list(dict.fromkeys(str(value) for value in form.getlist(name) if value))


def whole(values: Mapping[str, object], name: str) -> int:
    """Give a whole number a hidden field carries; 0, which nothing has, when it carries none."""
    text = str(values.get(name, ""))
    return int(text) if text.isascii() and text.isdigit() and len(text) <= LONGEST_VERSION else 0


def version_of(values: Mapping[str, object]) -> int:
    """Give the version a form was made from."""
    return whole(values, "version")


#: The form as it was sent, and its text fields by name.
FilledForm = Annotated[FormData, Depends(_form)]
#: A form with many rows.
LongForm = Annotated[FormData, Depends(_long_form)]
FileForm = Annotated[FormData, Depends(_with_file)]
Filled = Annotated[dict[str, str], Depends(_filled)]
