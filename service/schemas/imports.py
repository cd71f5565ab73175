"""What an import answers."""

from service.schemas.base import Out


class RefusedRow(Out):
    """One row that was left out and why; the header is row 1."""

    row: int
    column: str
    reason: str


class ImportOut(Out):
    """What a file changed."""

    format: str
    added: int
    changed: int
    unchanged: int
    refused: list[RefusedRow]
    refused_not_listed: int
    notes: list[str]
