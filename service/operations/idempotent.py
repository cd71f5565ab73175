"""A request with an Idempotency-Key acts once, however often it comes."""

import hashlib
from collections.abc import Callable
from typing import TypeVar

from pydantic import BaseModel
from sqlalchemy.exc import IntegrityError

from service.errors import Conflict
from service.operations.unit import Unit
from service.storage.engine import TransactionClash
from service.storage.tables import DoneRequest

__all__ = ["answered", "fingerprint_of", "once"]

Answer = TypeVar("Answer", bound=BaseModel)


def fingerprint_of(*parts: str | bytes) -> str:
    """Give a digest of everything that makes a request the same request."""
    digest = hashlib.sha256()
    for part in parts:
        data = part.encode() if isinstance(part, str) else part
        digest.update(len(data).to_bytes(8, "big") + data)
    return digest.hexdigest()


def once(
    unit: Unit,
    key: str,
    fingerprint: str,
    operation: Callable[[Unit], Answer],
    answer: type[Answer],
) -> Answer:
    """Carry an operation out, or give again what it answered the first time.

    Key, change and answer are saved in one transaction: after a crash either all three are there
    or none.

    Raises
    ------
    Conflict
        When the key has been used for another request.
    """
    done = unit.session.get(DoneRequest, key)
    if done is not None:
        if done.fingerprint != fingerprint:
            raise Conflict(
                "This Idempotency-Key has been used for another request; take a new key.",
                facts={"idempotency_key": key},
            )
        # What was done before is not noted again.
        unit.session.info["replayed"] = True
        return answer.model_validate_json(done.body)
    row = DoneRequest(key=key, fingerprint=fingerprint, body="", at=unit.now)
    unit.session.add(row)
    try:
        # Written first, so that the same request a moment later waits here for this one.
        unit.session.flush()
    except IntegrityError as error:
        raise TransactionClash from error
    result = operation(unit)
    row.body = result.model_dump_json()
    return result


def answered(unit: Unit, key: str, answer: type[Answer]) -> Answer | None:
    """Give what the request with a key was answered, ``None`` when there was none."""
    done = unit.session.get(DoneRequest, key)
    return None if done is None else answer.model_validate_json(done.body)
