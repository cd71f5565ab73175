"""What the problems that are sent have in common: their parts, and what must agree across them."""

import math
from collections.abc import Iterable, Iterator, Mapping
from typing import Annotated, TypeVar

from pydantic import BaseModel, ConfigDict, Field

from service.core.readiness.problem import PROBABILITY_TOLERANCE
from service.schemas.base import all_located

Place = tuple[int | str, ...]


Fault = tuple[Place, str]


Chance = Annotated[float, Field(strict=True, ge=0, le=1, allow_inf_nan=False)]


class Part(BaseModel):
    """Part of a problem; a misspelt `until` would make stock last for ever, so it is refused."""

    model_config = ConfigDict(extra="forbid")


AnyPart = TypeVar("AnyPart", bound=BaseModel)


def checked(part: AnyPart, faults: Iterable[Fault]) -> AnyPart:
    """Return the part, or raise all its faults at once."""
    found = list(faults)
    if found:
        raise all_located(part, found)
    return part


def twice(at: Place, member: str | None, names: Iterable[str]) -> Iterator[Fault]:
    """Find the names that stand in a list a second time."""
    seen: set[str] = set()
    for index, name in enumerate(names):
        if name in seen:
            place = (*at, index) if member is None else (*at, index, member)
            yield place, f"The name {name!r} is used twice."
        seen.add(name)


def unnamed(at: Place, names: list[str], known: Iterable[str], noun: str) -> Iterator[Fault]:
    """Find the names that nothing in the case has."""
    for index, name in enumerate(names):
        if name not in known:
            yield (*at, index), f"There is no {noun} named {name!r} in this case."


def off_one(at: Place, chances: list[float]) -> Iterator[Fault]:
    """Find probabilities that miss 1 by more than rounding."""
    total = math.fsum(chances)
    if abs(total - 1) > PROBABILITY_TOLERANCE:
        yield at, f"These probabilities sum to {total:.12g}, not to 1."


def take_faults(
    at: Place, names: list[str], entries: int, sizes: Mapping[str, int]
) -> Iterator[Fault]:
    """Find where a take and the factors of its case, named with their sizes, disagree."""
    yield from twice((*at, "factors"), None, names)
    yield from unnamed((*at, "factors"), names, sizes, "factor")
    expected = math.prod(sizes.get(name, 1) for name in names)
    if sizes.keys() >= set(names) and entries != expected:
        yield (*at, "items"), f"There are {entries} entries; the factors need {expected}."
