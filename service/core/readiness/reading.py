"""A cursor over plain JSON values that collects every fault with its JSON pointer."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta

from service.core.readiness.problem import MAX_NAME_CHARACTERS, ProblemError

Faults = list[tuple[str, str]]
_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
_MICROSECOND = timedelta(microseconds=1)
_MANY_FAULTS = 50


@dataclass(frozen=True, slots=True)
class Moment:
    """A point in time: microseconds since the epoch, and whether an offset was given."""

    us: int
    aware: bool


@dataclass(frozen=True, slots=True)
class Node:
    """One JSON value, where it stands, and the list its faults go to.

    A reading method that meets a fault notes it and returns a harmless value, so one pass
    finds every fault; `finish` raises if there were any.
    """

    value: object
    pointer: str
    faults: Faults

    def fail(self, sentence: str) -> None:
        """Note a fault at this place."""
        self.faults.append((self.pointer, sentence))

    def finish(self) -> None:
        """Raise ProblemError with the faults found so far, if there are any."""
        if self.faults:
            raise ProblemError(tuple(self.faults[:_MANY_FAULTS]))

    def child(self, key: str | int, value: object) -> "Node":
        """Return the node of a member, its key escaped as RFC 6901 asks."""
        step = str(key).replace("~", "~0").replace("/", "~1")
        return Node(value, f"{self.pointer}/{step}", self.faults)

    def members(
        self, required: tuple[str, ...], optional: tuple[str, ...] = ()
    ) -> dict[str, "Node"] | None:
        """Return the members of an object, without those that are null and optional.

        An unknown member is a fault: a misspelt `until` would make stock last for ever.
        """
        if not isinstance(self.value, Mapping):
            self.fail("This must be an object.")
            return None
        found = {str(key): self.child(str(key), value) for key, value in self.value.items()}
        for key in sorted(found.keys() - set(required) - set(optional)):
            found[key].fail("This member is not known.")
        missing = [key for key in required if key not in found]
        for key in missing:
            self.child(key, None).fail("This member is missing.")
        if missing:
            return None
        return {key: n for key, n in found.items() if n.value is not None or key in required}

    def entries(self) -> dict[str, "Node"]:
        """Return the members of an object whose keys are names."""
        if not isinstance(self.value, Mapping):
            self.fail("This must be an object.")
            return {}
        found = {}
        for key, value in self.value.items():
            node = self.child(str(key), value)
            if Node(key, node.pointer, self.faults).text():
                found[str(key)] = node
        return found

    def array(self, most: int) -> list["Node"]:
        """Return the elements of an array of at most that many."""
        if not isinstance(self.value, Sequence) or isinstance(self.value, str | bytes):
            self.fail("This must be an array.")
            return []
        if len(self.value) > most:
            self.fail(f"There are {len(self.value)} here; at most {most} are taken.")
            return []
        return [self.child(index, value) for index, value in enumerate(self.value)]

    def text(self) -> str:
        """Return a name: text that is not blank and not overlong."""
        if not isinstance(self.value, str) or not self.value.strip():
            self.fail("This must be text and not blank.")
            return ""
        if len(self.value) > MAX_NAME_CHARACTERS:
            self.fail(f"This is longer than {MAX_NAME_CHARACTERS} characters.")
            return ""
        return self.value

    def whole(self, least: int, most: int) -> int:
        """Return a whole number within bounds; true and false are not numbers."""
        if isinstance(self.value, bool) or not isinstance(self.value, int):
            self.fail("This must be a whole number.")
            return least
        if not least <= self.value <= most:
            self.fail(f"This must be from {least} to {most}.")
            return least
        return self.value

    def number(self, least: float, most: float) -> float:
        """Return a finite number within bounds; true and false are not numbers."""
        if isinstance(self.value, bool) or not isinstance(self.value, int | float):
            self.fail("This must be a number.")
            return least
        # Not-a-number fails every comparison, so that it is refused here too.
        if not least <= self.value <= most:
            self.fail(f"This must be a number from {least:g} to {most:g}.")
            return least
        return float(self.value)

    def moment(self) -> Moment | None:
        """Return a time written as ISO 8601 with or without an offset."""
        if not isinstance(self.value, str):
            self.fail("This must be a time written as text, such as 2031-03-03T08:30.")
            return None
        try:
            when = datetime.fromisoformat(self.value)
        except ValueError:
            self.fail("This is not a time such as 2031-03-03T08:30.")
            return None
        aware = when.utcoffset() is not None
        base = _EPOCH if aware else _EPOCH.replace(tzinfo=None)
        return Moment((when - base) // _MICROSECOND, aware)


def note_duplicates(names: list[Node]) -> None:
    """Note a fault at every name that stands a second time.

    Parameters
    ----------
    names : list of Node
        The names, in order.

    Examples
    --------
    >>> faults: Faults = []
    >>> note_duplicates([Node("K1", "/a", faults), Node("K1", "/b", faults)])
    >>> faults
    [('/b', "The name 'K1' is used twice.")]
    """
    seen: set[object] = set()
    for node in names:
        if not isinstance(node.value, str):
            continue
        if node.value in seen:
            node.fail(f"The name {node.value!r} is used twice.")
        seen.add(node.value)
