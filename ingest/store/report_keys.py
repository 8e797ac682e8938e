"""Where each stored report is found: its row, by its key (gateway, journal, seq).

The keys are the one index that holds every report, and each gateway's newest key has a page of its
own there once the history is large: a batch from a thousand gateways would write a thousand pages.
Where one transaction writes at a time, new keys therefore gather in a table of a few pages, and
move into the large one by the thousand, in its order. PostgreSQL has other writers, to whom the
large table's own key must speak, and is not slowed by them (measured): there all keys go into it at
once.
"""

from __future__ import annotations

from collections.abc import Sequence

from sqlalchemy import BindParameter, Connection, Table, bindparam, func, select, tuple_

from ingest.store import bulk
from ingest.store.database import one_writer
from ingest.store.schema import report_key, report_key_recent

Key = tuple[str, str, int]
"""(gateway, journal, seq): the identity of a report."""
GATHERED = 16_384
"""Keys that move at once: with fewer the moves cost more, with more those that wait (measured)."""
CHUNK = 300
"""Keys asked for in one statement: SQLite bounds the depth of an OR and the number of values."""
_COLUMNS = ("gateway", "journal", "seq", "report_id")


def tables(connection: Connection) -> tuple[Table, ...]:
    """The tables to look in: a key stands in one of them."""
    return (report_key, report_key_recent) if one_writer(connection) else (report_key,)


def add(connection: Connection, keys: Sequence[tuple[str, str, int, int]]) -> None:
    """Add new keys, each with the id of its report's row.

    A key that another writer stored meanwhile breaks the transaction (`Clash`).
    """
    *_, newest = tables(connection)
    bulk.insert_values(connection, newest, _COLUMNS, keys)
    if newest is report_key_recent:
        _move_gathered(connection)


def _move_gathered(connection: Connection) -> None:
    waiting = select(func.count()).select_from(report_key_recent)
    if connection.execute(waiting).scalar_one() < GATHERED:
        return
    recent = report_key_recent.c
    in_order = select(*recent).order_by(recent.gateway, recent.journal, recent.seq)
    connection.execute(report_key.insert().from_select(_COLUMNS, in_order))
    connection.execute(report_key_recent.delete())


def row_ids(connection: Connection, wanted: Sequence[Key]) -> dict[Key, int]:
    """The rows of those reports that are stored."""
    found: dict[Key, int] = {}
    for table in tables(connection):
        columns = (table.c.gateway, table.c.journal, table.c.seq)
        for start in range(0, len(wanted), CHUNK):
            asked: BindParameter[list[Key]] = bindparam(
                "keys", wanted[start : start + CHUNK], expanding=True
            )
            query = select(*columns, table.c.report_id).where(tuple_(*columns).in_(asked))
            found |= {tuple(key): row_id for *key, row_id in connection.execute(query)}
    return found


def newest_row_id(connection: Connection, gateway: str, journal: str) -> int | None:
    """The row of the report with the highest number of a journal."""
    found = []
    for table in tables(connection):
        query = (
            select(table.c.seq, table.c.report_id)
            .where(table.c.gateway == gateway, table.c.journal == journal)
            .order_by(table.c.seq.desc())
            .limit(1)
        )
        found += [tuple(row) for row in connection.execute(query)]
    return max(found)[1] if found else None
