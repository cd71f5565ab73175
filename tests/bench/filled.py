"""Databases with very many rows, written in bulk, whose books are true all the same."""

from datetime import datetime, time, timedelta

from sqlalchemy import Connection, text

from service.operations.work import Work
from tests.conftest import NOW, let_in, opened
from tests.small_theatre import FIRST_DAY, Theatre, furnish


def many_rows(work: Work, table: str, count: int, columns: dict[str, str]) -> None:
    """Insert rows numbered from 1 with these SQL expressions of ``i``."""
    names, values = ", ".join(columns), ", ".join(columns.values())
    source = f"generate_series(1, {count}) AS n(i)"
    start = ""
    if work.database.is_sqlite:
        start = (
            f"WITH RECURSIVE n(i) AS (SELECT 1 UNION ALL SELECT i + 1 FROM n WHERE i < {count}) "  # noqa: S608 - the words are the bench's
        )
        source = "n"
    statement = f"{start}INSERT INTO {table} ({names}) SELECT {values} FROM {source}"  # noqa: S608 - as above
    if not work.database.is_sqlite:
        statement = f"INSERT INTO {table} ({names}) SELECT {values} FROM {source}"  # noqa: S608 - as above

    def insert(connection: Connection) -> None:
        connection.execute(text(statement))
        if not work.database.is_sqlite:
            connection.execute(text(f"ANALYZE {table}"))

    work.write(lambda unit: insert(unit.session.connection()))


def fill_stock(work: Work, *, lots: int, items: int, lines: int) -> None:
    """Spread lots over items from the first on, and received units over the lots, one a line."""
    many_rows(
        work,
        "lot",
        lots,
        {
            "id": "i",
            "item_id": f"1 + i % {items}",
            "lot_number": "'L' || i",
            "serial": "''",
            "use_by": "'2033-01-01'" if work.database.is_sqlite else "DATE '2033-01-01'",
            "ownership": "'owned'",
            "sterility": "'sterile'",
        },
    )
    stamp = "'2031-03-03 07:00:00'"
    many_rows(
        work,
        "movement",
        lines,
        {
            "at": stamp if work.database.is_sqlite else f"TIMESTAMPTZ {stamp}",
            "kind": "'receive'",
            "lot_id": f"1 + (i - 1) % {lots}",
            "to_location_id": "1",
            "quantity": "1",
            "reason": "''",
            "actor": "'bench'",
        },
    )
    units = f"{lines // lots} + (CASE WHEN i <= {lines % lots} THEN 1 ELSE 0 END)"
    many_rows(
        work, "balance", lots, {"lot_id": "i", "location_id": "1", "quantity": units, "held": "0"}
    )


def add_items(work: Work, count: int) -> None:
    """Add many lag screws after the department's own items."""
    many_rows(
        work,
        "item",
        count,
        {
            "ref": "'REF-' || i",
            "kind": "'lag_screw'",
            "system": "'Elsewhere'",
            "description": "'Lag screw'",
            "supplier": "'Test supply'",
            "length_mm": "60 + i % 60",
            "supplied_sterile": "true",
            "reusable": "false",
            "pack_quantity": "1",
            "version": "1",
        },
    )


def fill_holds(url: str, lots: int, cases: int) -> None:
    """Fill a database with lots of one nail each, on one shelf, and cases to promise them to."""
    with opened(url) as work:
        work.prepare()
        work.write(let_in)
        furnish(work)
        theatre = Theatre(work)
        fill_stock(work, lots=lots, items=1, lines=lots)
        theatre.add_case("K0")
        start = datetime.combine(FIRST_DAY, time(9), NOW.tzinfo)
        stamps = [f"'{start + timedelta(hours=n):%Y-%m-%d %H:%M:%S}'" for n in (0, 1)]
        if not work.database.is_sqlite:
            stamps = [f"TIMESTAMPTZ {one}" for one in stamps]
        many_rows(
            work,
            "surgical_case",
            cases - 1,
            {
                "id": "i + 1",
                "site_id": "1",
                "list_id": "1",
                "reference": "'K' || i",
                "position": "i",
                "starts_at": stamps[0],
                "ends_at": stamps[1],
                "side": "'left'",
                "sex": "'F'",
                "findings": "'{}'",
                "measurements": "'{}'",
                "status": "'planned'",
                "version": "1",
            },
        )
