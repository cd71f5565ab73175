"""Stock by two sizes, as an HTML table needs it: shade by how many are free, and what is needed."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

#: The fewest free units of each shade above 0.
_SHADES = (1, 2, 3, 4, 6)


@dataclass(frozen=True, slots=True)
class SizeStock:
    """What there is of one size.

    Parameters
    ----------
    down, across
        Its two sizes; None where one does not apply.
    on_hand, promised
        Units there, and those of them promised to cases.
    needed
        Units that coming cases ask for and that nothing is promised for.
    refs
        Catalogue references of the size.
    """

    down: float | None
    across: float | None
    on_hand: int
    promised: int
    needed: int = 0
    refs: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class SizeCell:
    """One size; ``made`` False says that nobody makes it, and the rest is then nought.

    Parameters
    ----------
    free
        On hand and not promised.
    need
        Asked for beyond what is free.
    shade
        From 0, none free, to 5.
    text
        What the cell says.
    """

    made: bool
    on_hand: int
    promised: int
    free: int
    need: int
    shade: int
    text: str
    refs: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class GridRow:
    """One row with its head; a cell for each head of the grid."""

    head: str
    cells: tuple[SizeCell, ...]


@dataclass(frozen=True, slots=True)
class Grid:
    """A table: ``heads`` name the columns, ``corner`` says what runs down and what across."""

    caption: str
    corner: str
    heads: tuple[str, ...]
    rows: tuple[GridRow, ...]
    sentences: tuple[str, ...]


def shade_of(free: int) -> int:
    """Return the shade of a number of free units: 0, 1, 2, 3, 4 from four, 5 from six on."""
    return sum(free >= fewest for fewest in _SHADES)


def size_grid(
    stocks: Sequence[SizeStock],
    *,
    caption: str,
    down: tuple[str, str],
    across: tuple[str, str],
) -> Grid:
    """Sort sizes into rows and columns.

    Parameters
    ----------
    stocks
        One for each size; several of one size are added up.
    caption
        What the table shows.
    down, across
        Name and unit of the two sizes: ``("length", "mm")``.

    Returns
    -------
    Grid
        Sizes rise downwards and to the right; a size that does not apply comes last.
    """
    cells: dict[tuple[float | None, float | None], SizeStock] = {}
    for one in stocks:
        key = (one.down, one.across)
        cells[key] = _added(cells[key], one) if key in cells else one
    rows = sorted({key[0] for key in cells}, key=_order)
    columns = sorted({key[1] for key in cells}, key=_order)
    return Grid(
        caption,
        f"{down[0]} down, {across[0]} across",
        tuple(_head(value, across[1]) for value in columns),
        tuple(
            GridRow(_head(row, down[1]), tuple(_cell(cells.get((row, c))) for c in columns))
            for row in rows
        ),
        _sentences(cells, down, across),
    )


def _added(one: SizeStock, other: SizeStock) -> SizeStock:
    return SizeStock(
        one.down,
        one.across,
        one.on_hand + other.on_hand,
        one.promised + other.promised,
        one.needed + other.needed,
        (*one.refs, *(ref for ref in other.refs if ref not in one.refs)),
    )


def _order(value: float | None) -> tuple[bool, float]:
    return value is None, value or 0.0


def _head(value: float | None, unit: str) -> str:
    if value is None:
        return "any"
    return f"{value:g}°" if unit == "°" else f"{value:g} {unit}".rstrip()


def _cell(stock: SizeStock | None) -> SizeCell:
    if stock is None:
        return SizeCell(False, 0, 0, 0, 0, 0, "–", ())
    free = max(stock.on_hand - stock.promised, 0)
    need = max(stock.needed - free, 0)
    says = f"{free} free" if free else ("none free" if stock.on_hand else "none")
    words = f"{says}, need {need}" if need else says
    shade = shade_of(free)
    return SizeCell(True, stock.on_hand, stock.promised, free, need, shade, words, stock.refs)


def _sentences(
    cells: Mapping[tuple[float | None, float | None], SizeStock],
    down: tuple[str, str],
    across: tuple[str, str],
) -> tuple[str, ...]:
    said = []
    for (row, column), stock in sorted(
        cells.items(), key=lambda item: (_order(item[0][0]), _order(item[0][1]))
    ):
        name = f"{down[0]} {_head(row, down[1])}, {across[0]} {_head(column, across[1])}"
        cell = _cell(stock)
        said.append(f"{name}: {stock.on_hand} on hand, {stock.promised} promised, {cell.text}.")
    return tuple(said)
