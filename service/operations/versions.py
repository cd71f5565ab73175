"""Nobody overwrites what somebody else changed meanwhile."""

from service.errors import Stale

__all__ = ["require_version"]


def require_version(current: int, read: int, what: str) -> None:
    """Refuse a change that is based on an older version.

    Raises
    ------
    Stale
        When the versions differ; names both.
    """
    if current != read:
        raise Stale(
            f"{what} is at version {current}; your change is based on version {read}. "
            "Read it again and repeat the change.",
            facts={"current_version": current, "your_version": read},
        )
