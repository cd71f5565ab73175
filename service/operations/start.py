"""What must be true before the service answers anybody."""

from service.errors import Conflict
from service.operations.unit import Unit
from service.storage.queries import people

__all__ = ["require_safe_start"]


def require_safe_start(unit: Unit) -> None:
    """Refuse to serve a real hospital with the demo's accounts, whose passwords everybody knows.

    Raises
    ------
    Conflict
        When there are demo accounts at a site that is no demo.
    """
    if people.any_demo(unit.session):
        raise Conflict(
            "This database has the demo's accounts at a site that is no demo. "
            "Start with a new database."
        )
