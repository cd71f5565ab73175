"""What the core raises when a value cannot be used, with where and why."""


class ValueFault(ValueError):
    """A value cannot be used.

    Parameters
    ----------
    pointer
        JSON pointer to the value at fault (``/marker_film_mm``, ``/need/0/constructs/1``).
    reason
        A sentence that says what is wrong and what would be right.

    Examples
    --------
    >>> str(ValueFault("/code", "'31B9' is no class of 2018"))
    "/code: '31B9' is no class of 2018"
    """

    def __init__(self, pointer: str, reason: str) -> None:
        super().__init__(f"{pointer}: {reason}")
        self.pointer = pointer
        self.reason = reason
