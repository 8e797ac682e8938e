"""Rows by the hundred: each statement is written once as text and handed to the driver as it is.

With `database` the only place that knows one database from another. SQLite takes a row at a time
through one prepared statement; PostgreSQL takes the rows as one array a column, in binary, which
took half the time of COPY into a stage or of a statement with many rows (measured).
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from functools import lru_cache
from typing import Any, Literal

from sqlalchemy import Column, Connection, String, Table
from sqlalchemy.dialects import postgresql

from ingest.store.database import BULK

Rows = Sequence[dict[str, Any]]
"""Rows as mappings of column names; all have the columns of the first."""
CHUNK = 500
"""Keys asked for in one statement: SQLite bounds the number of values."""
_POSTGRESQL = postgresql.dialect()  # type: ignore[no-untyped-call]  # SQLAlchemy ships it untyped
Way = Literal["insert", "ignore", "upsert", "update", "delete"]


def insert(connection: Connection, table: Table, rows: Rows) -> None:
    """Insert rows; `IntegrityError` (PostgreSQL: maybe only later) when a key is there already."""
    _run(connection, "insert", table, rows)


def insert_values(
    connection: Connection, table: Table, names: tuple[str, ...], rows: Sequence[tuple[Any, ...]]
) -> None:
    """Insert rows given as the values of these columns: what every report writes."""
    if rows:
        _run_values(connection, "insert", table, names, rows)


def insert_numbered(connection: Connection, table: Table, rows: Rows) -> list[int]:
    """Insert rows and return their ids, in order.

    The numbers are drawn first: asked to return them, the driver would take a row at a time.
    """
    numbers = draw_ids(connection, table, len(rows))
    insert(connection, table, [{"id": one, **row} for one, row in zip(numbers, rows, strict=True)])
    return numbers


def draw_ids(connection: Connection, table: Table, count: int) -> list[int]:
    """Ids for new rows of a table, in order: nobody else gets them."""
    if not count:
        return []
    if connection.dialect.name == "postgresql":
        # The name is looked up once, not for each number.
        text = f"SELECT pg_get_serial_sequence('{table.name}', 'id')::regclass AS name OFFSET 0"
        text = f"SELECT nextval(name) FROM ({text}) AS given, generate_series(1, {count})"  # noqa: S608 - our own name
        return [int(one) for one in connection.exec_driver_sql(text).scalars()]
    # Nobody else writes until this transaction ends.
    text = f"SELECT coalesce(max(id), 0) FROM {table.name}"  # noqa: S608 - our own name
    begin = int(connection.exec_driver_sql(text).scalar_one()) + 1
    return list(range(begin, begin + count))


def insert_or_ignore(connection: Connection, table: Table, rows: Rows) -> None:
    """Insert rows; those whose key is there already are left as they stand."""
    _run(connection, "ignore", table, rows)


def upsert(connection: Connection, table: Table, rows: Rows) -> None:
    """Insert rows, or replace every other column of those whose primary key is there already."""
    _run(connection, "upsert", table, rows)


def update(connection: Connection, table: Table, rows: Rows) -> None:
    """Write the other columns of the rows with these primary keys."""
    _run(connection, "update", table, rows)


def delete(connection: Connection, table: Table, rows: Rows) -> None:
    """Delete the rows that have all these values."""
    _run(connection, "delete", table, rows)


def select_in(
    connection: Connection,
    columns: Sequence[Column[Any]],
    key: Column[Any],
    values: Iterable[Any],
    *,
    where: str = "",
    lock: bool = False,
) -> list[Any]:
    """The rows (of these columns) whose `key` is one of `values`, in order of the key.

    `where` is a further condition, in plain SQL and our own words; `lock` keeps the rows from
    other writers until the transaction ends.
    """
    wanted = sorted(set(values))
    names = tuple(column.name for column in columns)
    found: list[Any] = []
    for start in range(0, len(wanted), CHUNK):
        part = wanted[start : start + CHUNK]
        if connection.dialect.name == "postgresql":
            text = _select(key.table.name, names, key.name, where, f"= ANY(%b::{_array(key)})")
            text += " FOR UPDATE" if lock else ""
            found += connection.exec_driver_sql(text, (part,)).all()
        else:
            marks = f"IN ({','.join('?' * len(part))})"
            text = _select(key.table.name, names, key.name, where, marks)
            found += connection.exec_driver_sql(text, tuple(part)).all()
    return found


def _run(connection: Connection, way: Way, table: Table, rows: Rows) -> None:
    if not rows:
        return
    names = _order(way, table, tuple(rows[0]))
    values = [tuple([row[name] for name in names]) for row in rows]
    _run_values(connection, way, table, names, values)


def _run_values(
    connection: Connection,
    way: Way,
    table: Table,
    names: tuple[str, ...],
    values: Sequence[tuple[Any, ...]],
) -> None:
    if connection.dialect.name == "postgresql":
        text = _array_statement(way, table, names)
        arrays = tuple(list(one) for one in zip(*values, strict=True))
        connection.exec_driver_sql(text, arrays, execution_options={BULK: True})
    else:
        connection.exec_driver_sql(_row_statement(way, table, names), values)


@lru_cache(maxsize=256)
def _order(way: Way, table: Table, names: tuple[str, ...]) -> tuple[str, ...]:
    """The order in which the statement for one row takes its values."""
    keys, rest = _split(table, names)
    return (*rest, *keys) if way == "update" else names


@lru_cache(maxsize=256)
def _row_statement(way: Way, table: Table, names: tuple[str, ...]) -> str:
    """The statement for one row, which takes the values in the order of `_order`."""
    keys, rest = _split(table, names)
    if way == "delete":
        return f"DELETE FROM {table.name} WHERE {_each(names, ' AND ')}"  # noqa: S608 - our own names
    if way == "update":
        return f"UPDATE {table.name} SET {_each(rest, ', ')} WHERE {_each(keys, ' AND ')}"  # noqa: S608 - the same
    marks = ", ".join("?" * len(names))
    head = f"INSERT INTO {table.name} ({_quoted(names)}) VALUES ({marks})"  # noqa: S608 - the same
    return head + _on_conflict(way, table, names)


def _each(names: Iterable[str], between: str) -> str:
    return between.join(f'"{name}" = ?' for name in names)


@lru_cache(maxsize=256)
def _array_statement(way: Way, table: Table, names: tuple[str, ...]) -> str:
    keys, rest = _split(table, names)
    name = table.name
    given = f"unnest({', '.join(f'%b::{_array(table.c[one])}' for one in names)})"
    if way in ("update", "delete"):
        given += f" AS given ({_quoted(names)})"
        matched = names if way == "delete" else keys
        where = " AND ".join(f'{name}."{one}" = given."{one}"' for one in matched)
        if way == "delete":
            return f"DELETE FROM {name} USING {given} WHERE {where}"  # noqa: S608 - our own names
        changes = ", ".join(f'"{one}" = given."{one}"' for one in rest)
        return f"UPDATE {name} SET {changes} FROM {given} WHERE {where}"  # noqa: S608 - the same
    head = f"INSERT INTO {name} ({_quoted(names)}) SELECT * FROM {given}"  # noqa: S608 - the same
    return head + _on_conflict(way, table, names)


def _on_conflict(way: Way, table: Table, names: tuple[str, ...]) -> str:
    if way == "insert":
        return ""
    keys, rest = _split(table, names)
    if way == "ignore" or not rest:
        return " ON CONFLICT DO NOTHING"
    changes = ", ".join(f'"{name}" = excluded."{name}"' for name in rest)
    return f" ON CONFLICT ({_quoted(keys)}) DO UPDATE SET {changes}"


def _split(table: Table, names: tuple[str, ...]) -> tuple[list[str], list[str]]:
    """The names of the primary key, and the others."""
    keys = [name for name in names if table.c[name].primary_key]
    return keys, [name for name in names if name not in keys]


def _quoted(names: Iterable[str]) -> str:
    """Some of our columns are words of SQL."""
    return ", ".join(f'"{name}"' for name in names)


@lru_cache(maxsize=256)
def _select(table: str, names: tuple[str, ...], key: str, where: str, chosen: str) -> str:
    condition = f'"{key}" {chosen}' + (f" AND {where}" if where else "")
    return f'SELECT {_quoted(names)} FROM {table} WHERE {condition} ORDER BY "{key}"'  # noqa: S608 - our own names


@lru_cache(maxsize=512)
def _array(column: Column[Any]) -> str:
    """The array type of a column. A cast to a bounded text would cut a value short in silence."""
    text = isinstance(column.type, String)
    return f"{'TEXT' if text else column.type.compile(dialect=_POSTGRESQL)}[]"
