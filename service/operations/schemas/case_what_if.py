"""Changes to try on one case without saving them."""

from typing import Annotated

from pydantic import Field

from service.operations.schemas.base import Body, Millimetres
from service.operations.schemas.what_if import AddedUnits

__all__ = ["CaseWhatIfBody"]


class CaseWhatIfBody(Body):
    """Units borrowed or ordered, or other measures than were taken; lengths in mm."""

    add_units: Annotated[list[AddedUnits], Field(max_length=50)] = []
    neck_film_mm: Millimetres | None = None
    canal_film_mm: Millimetres | None = None
    nail_length_mm: Millimetres | None = None
