"""What a database holds, table by table, in figures that two databases can be compared by.

The digest does not depend on the order of rows, on a database's collation or on its kind: the
same content has the same digest in SQLite and in PostgreSQL.
"""

from __future__ import annotations

import hashlib
from collections.abc import Mapping
from dataclasses import dataclass

from sqlalchemy import Connection, MetaData, Table, select

from ingest.store.schema import report_key, report_key_recent

ROWS_AT_A_TIME = 1000
_MODULUS = 1 << 256


@dataclass(frozen=True, slots=True)
class TableSum:
    """How many rows a table has, and the digest of their content (64 hex digits)."""

    rows: int
    digest: str

    def __add__(self, other: TableSum) -> TableSum:
        """The sum of the rows of both."""
        total = int(self.digest, 16) + int(other.digest, 16)
        return TableSum(self.rows + other.rows, f"{total % _MODULUS:064x}")


def contents(connection: Connection) -> dict[str, TableSum]:
    """The sums of every table that is there, of this edition or an older one.

    Run it in one transaction that sees one state of the database.
    """
    found = MetaData()
    found.reflect(connection)
    sums = {table.name: _sum(connection, table) for table in found.sorted_tables}
    recent = sums.pop(report_key_recent.name, None)
    if recent is not None:  # where a key stands is no content of it
        sums[report_key.name] += recent
    return sums


def differences(wanted: Mapping[str, TableSum], found: Mapping[str, TableSum]) -> tuple[str, ...]:
    """One sentence for each table whose content is not what it should be."""
    return tuple(
        f"{name}: {_say(found.get(name))}, expected {_say(wanted.get(name))}"
        for name in sorted({*wanted, *found})
        if wanted.get(name) != found.get(name)
    )


def _say(one: TableSum | None) -> str:
    return "no such table" if one is None else f"{one.rows} rows, digest {one.digest[:12]}"


def _sum(connection: Connection, table: Table) -> TableSum:
    """Add up the rows' SHA-256 modulo 2^256.

    A sum needs no sorting, and unlike exclusive-or it sees a row that stands twice. It guards
    against accidents; whoever can write the file could also write another sum into it.
    """
    columns = sorted(table.columns, key=lambda column: column.name)
    head = "\0".join(column.name for column in columns).encode()
    total = rows = 0
    result = connection.execution_options(yield_per=ROWS_AT_A_TIME).execute(select(*columns))
    for row in result:
        digest = hashlib.sha256(head)
        for value in row:
            text = _canonical(value)
            digest.update(b"%d:" % len(text))
            digest.update(text)
        total += int.from_bytes(digest.digest(), "big")
        rows += 1
    return TableSum(rows, f"{total % _MODULUS:064x}")


def _canonical(value: object) -> bytes:
    """One value as bytes: its kind, then itself; a truth value is the integer it is in SQLite."""
    match value:
        case None:
            return b"n"
        case bool() | int():
            return b"i%d" % value
        case float():
            return b"f" + value.hex().encode()
        case str():
            return b"s" + value.encode("utf-8", "surrogatepass")
        case bytes() | memoryview():
            return b"b" + bytes(value)
    raise TypeError(f"{type(value).__name__}: no column of this store holds it")
