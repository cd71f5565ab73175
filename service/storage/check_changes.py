"""Put another rule in place of a CHECK constraint, for migrations.

SQLite cannot alter a CHECK. Alembic's way round it, copying the table, loses the other CHECKs and
the rows that refer to it; so the rule is changed where SQLite keeps it, as its manual describes
(https://sqlite.org/lang_altertable.html, section 7).
"""

from alembic import op
from sqlalchemy import Connection, text

__all__ = ["replace_check", "with_rule"]


def replace_check(table: str, name: str, rule: str) -> None:
    """Replace the rule of a named CHECK; every row must obey the new one.

    Parameters
    ----------
    table
        The table it stands on.
    name
        The constraint's full name, such as ``ck_item_kind_known``.
    rule
        SQL, without ``CHECK`` and its parentheses.
    """
    connection = op.get_bind()
    if connection.dialect.name == "sqlite":
        _replace_in_sqlite(connection, table, name, rule)
        return
    op.drop_constraint(op.f(name), table, type_="check")
    op.create_check_constraint(op.f(name), table, rule)


def _replace_in_sqlite(connection: Connection, table: str, name: str, rule: str) -> None:
    stored = connection.execute(
        text("SELECT sql FROM sqlite_master WHERE type = 'table' AND name = :table"),
        {"table": table},
    ).scalar_one()
    connection.execute(text("PRAGMA writable_schema = ON"))
    connection.execute(
        text("UPDATE sqlite_master SET sql = :sql WHERE type = 'table' AND name = :table"),
        {"sql": with_rule(stored, name, rule), "table": table},
    )
    version = connection.execute(text("PRAGMA schema_version")).scalar_one()
    connection.execute(text(f"PRAGMA schema_version = {int(version) + 1}"))
    connection.execute(text("PRAGMA writable_schema = RESET"))
    said = connection.execute(text("PRAGMA quick_check")).scalars().all()
    if said != ["ok"]:
        raise ValueError(f"rows break the new rule {name}: {'; '.join(map(str, said))}")


def with_rule(sql: str, name: str, rule: str) -> str:
    """Give a table's SQL with another rule in one of its named CHECKs.

    Examples
    --------
    >>> with_rule("CREATE TABLE t (a INT, CONSTRAINT c CHECK (a IN (1, 2)), b INT)", "c", "a > 0")
    'CREATE TABLE t (a INT, CONSTRAINT c CHECK (a > 0), b INT)'
    """
    opening = f"CONSTRAINT {name} CHECK ("
    start = sql.index(opening) + len(opening)
    depth = 1
    for place in range(start, len(sql)):
        depth += {"(": 1, ")": -1}.get(sql[place], 0)
        if depth == 0:
            return sql[:start] + rule + sql[place:]
    raise ValueError(f"the rule {name} never ends")
