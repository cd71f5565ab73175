"""Forms that act once: a key hidden in the form makes a double tap the same request."""

import secrets
from collections.abc import Callable
from typing import TypeVar

from fastapi import Request
from pydantic import BaseModel

from service.errors import BadInput, Conflict
from service.operations import idempotent
from service.operations.unit import Unit
from web.render import work_of

__all__ = ["done_by", "new_key", "write_once"]

Answer = TypeVar("Answer", bound=BaseModel)

_SHORTEST, _LONGEST = 20, 60


def new_key() -> str:
    """Give a key for a form's hidden field ``once``."""
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
        return work.write(lambda unit: idempotent.once(unit, name, fingerprint, operation, answer))
    except Conflict as error:
        if "idempotency_key" not in error.facts:
            raise
        raise Conflict(
            "This form has been saved already, with something else in it. Look at what is there "
            "now before you save it again."
        ) from error


def done_by(request: Request, key: str, answer: type[Answer]) -> Answer | None:
    """Give what a form's key was answered, ``None`` when nothing was done with it."""
    if not _is_key(key):
        return None
    return work_of(request).read(lambda unit: idempotent.answered(unit, _name(key, answer), answer))


def _name(key: str, answer: type[BaseModel]) -> str:
    if not _is_key(key):
        raise BadInput("This form is out of date: open the page again. Nothing was saved.")
    return f"form {answer.__name__} {key}"


def _is_key(key: str) -> bool:
    return key.isascii() and key.isprintable() and _SHORTEST <= len(key) <= _LONGEST
