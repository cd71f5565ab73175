"""A confirmation, as it is sent."""

from typing import Annotated

from pydantic import Field

from service.operations.schemas.base import Body

__all__ = ["ConfirmBody"]


class ConfirmBody(Body):
    """The plan revision whose backups are confirmed."""

    plan_revision: Annotated[int, Field(gt=0, le=1_000_000)]
