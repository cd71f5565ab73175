"""Read what a form sends as plain text by name."""

import secrets
from collections.abc import AsyncIterator, Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Annotated, TypeVar

from fastapi import Depends, Request
from pydantic import BaseModel
from starlette.datastructures import FormData

from service.errors import BadInput, Conflict, FieldFault
from service.operations import work as idempotent
from service.operations.work import Unit
from web.labels import FIELD_LABELS, field_name, plain
from web.render import work_of

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
    """Return every filled value of a field that may come more than once, each once, in order."""
    return list(dict.fromkeys(str(value) for value in form.getlist(name) if value))


def whole(values: Mapping[str, object], name: str) -> int:
    """Return a whole number a hidden field carries; 0, which nothing has, when it carries none."""
    text = str(values.get(name, ""))
    return int(text) if text.isascii() and text.isdigit() and len(text) <= LONGEST_VERSION else 0


def version_of(values: Mapping[str, object]) -> int:
    """Return the version a form was made from."""
    return whole(values, "version")


#: The form as it was sent, and its text fields by name.
FilledForm = Annotated[FormData, Depends(_form)]


#: A form with many rows.
LongForm = Annotated[FormData, Depends(_long_form)]


FileForm = Annotated[FormData, Depends(_with_file)]


Filled = Annotated[dict[str, str], Depends(_filled)]


Answer = TypeVar("Answer", bound=BaseModel)


_SHORTEST, _LONGEST = 20, 60


def new_key() -> str:
    """Return a key for a form's hidden field ``once``."""
    return secrets.token_urlsafe(24)


def write_once(
    request: Request,
    key: str,
    body: BaseModel,
    operation: Callable[[Unit], Answer],
    answer: type[Answer],
) -> Answer:
    """Carry out what a form asks, or give again what was answered the first time.

    Parameters
    ----------
    key
        What the form carries as ``once``.
    body
        What is asked; the same key with another body is refused.

    Raises
    ------
    Conflict
        When the form was saved already with something else in it.
    """
    work = work_of(request)
    who = f"{work.caller.site_id} {work.caller.person_id}"
    fingerprint = idempotent.fingerprint_of(request.url.path, who, body.model_dump_json())
    name = _name(key, answer)
    try:
        return work.write(
            lambda unit: idempotent.run_once(unit, name, fingerprint, operation, answer)
        )
    except Conflict as error:
        if "idempotency_key" not in error.facts:
            raise
        raise Conflict(
            "This form has been saved already, with something else in it. Look at what is there "
            "now before you save it again."
        ) from error


def answered_before(request: Request, key: str, answer: type[Answer]) -> Answer | None:
    """Return what a form's key was answered, ``None`` when nothing was done with it."""
    if not _is_key(key):
        return None
    return work_of(request).read(
        lambda unit: idempotent.earlier_answer(unit, _name(key, answer), answer)
    )


def _name(key: str, answer: type[BaseModel]) -> str:
    if not _is_key(key):
        raise BadInput("This form is out of date: open the page again. Nothing was saved.")
    return f"form {answer.__name__} {key}"


def _is_key(key: str) -> bool:
    return key.isascii() and key.isprintable() and _SHORTEST <= len(key) <= _LONGEST


@dataclass(frozen=True, slots=True)
class FormFault:
    """What is wrong, and at which field of the page.

    Parameters
    ----------
    field
        The name the form sends; empty when it is about the form as a whole.
    name
        What the field is called, its row included.
    """

    field: str
    name: str
    reason: str


def whole_form(reason: str) -> list[FormFault]:
    """Return a fault that is about no one field."""
    return [FormFault("", "", reason)]


def at_rows(
    faults: Sequence[FieldFault],
    rows: Sequence[str],
    name_of: Callable[[str], str],
    fields: Sequence[str],
) -> list[FormFault]:
    """Put faults of ``/lines/2/lot`` at the field ``lot-<row>`` of the page.

    Parameters
    ----------
    rows
        The page's row of each line that was sent.
    name_of
        What a row is called.
    fields
        What a row of the page asks; a fault elsewhere in it is put at the first of them.
    """
    return [_at_row(fault, rows, name_of, fields) for fault in faults]


def _at_row(
    fault: FieldFault, rows: Sequence[str], name_of: Callable[[str], str], fields: Sequence[str]
) -> FormFault:
    parts = fault.pointer.strip("/").split("/")
    is_row = len(parts) > 1 and parts[0] == "lines" and parts[1].isdigit()
    if not is_row or int(parts[1]) >= len(rows):
        known = parts[-1] if parts[-1] in FIELD_LABELS else ""
        return FormFault(known, field_name(fault.pointer) if fault.pointer else "", fault.reason)
    row = rows[int(parts[1])]
    field = next((part for part in parts[2:] if part in fields), fields[0])
    label = FIELD_LABELS.get(field, plain(field))
    return FormFault(f"{field}-{row}", f"{name_of(row)}, {label}", fault.reason)


def faults_by_field(faults: Sequence[FormFault]) -> dict[str, str]:
    """Return what is wrong by the name of its field."""
    found: dict[str, str] = {}
    for fault in faults:
        if fault.field:
            found[fault.field] = "; ".join(filter(None, (found.get(fault.field), fault.reason)))
    return found
