"""Every migration back and forward on a store in which every column holds something.

What a downgrade may lose is what the newer edition's own tables and columns held, and nothing
else; what it leaves is what the older edition would have made itself.
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest
from alembic import command
from alembic.script import ScriptDirectory
from sqlalchemy import (
    Boolean,
    Column,
    Connection,
    Engine,
    Float,
    Integer,
    LargeBinary,
    MetaData,
    Numeric,
    Table,
    create_engine,
    delete,
    func,
    insert,
    inspect,
    select,
    update,
)

from gateway import contract
from ingest import handlers
from ingest.store import report_keys
from ingest.store.database import migrations, open_database, read, write
from ingest.store.rebuilding import snapshot
from ingest.store.schema import metadata, report_key, report_key_recent
from tests.support.filled_store import fill
from tests.support.reports import NOW, gateway_name, opened

FOLD_AGAIN = ("vehicle_state", "fold_version")
"""What a migration may change of a row that stays: it orders the vehicle to be folded again."""
Rows = dict[str, tuple[tuple[str, ...], list[tuple[Any, ...]]]]
"""By table: its columns, and its rows in an order of their own."""


@pytest.fixture(params=["sqlite", pytest.param("postgresql", marks=pytest.mark.services)])
def urls(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[tuple[str, str]]:
    """Two empty databases of one kind."""
    if request.param == "sqlite":
        yield f"sqlite:///{tmp_path}/one.sqlite3", f"sqlite:///{tmp_path}/two.sqlite3"
        return
    from tests.support.databases import postgres_database

    server = request.getfixturevalue("postgres_url")
    with postgres_database(server) as one, postgres_database(server) as two:
        yield one, two


def editions() -> list[str]:
    """Every edition of the tables, the newest first."""
    return [one.revision for one in ScriptDirectory.from_config(migrations()).walk_revisions()]


def fill_every_column(engine: Engine) -> None:
    """Two rows in every table that is empty, and a value in every column that has none.

    But no key without a report: some of the real ones move where such a table may hold any.
    """
    others = [one for one in metadata.sorted_tables if one not in (report_key, report_key_recent)]
    with write(engine) as connection:
        if report_key_recent in report_keys.tables(connection):
            chosen = report_key.c.gateway == gateway_name(1)
            keys = select(report_key).where(chosen)
            connection.execute(insert(report_key_recent).from_select(list(report_key.c), keys))
            connection.execute(delete(report_key).where(chosen))
        for table in report_keys.tables(connection):
            assert _count(connection, table)
        for table in others:
            if not _count(connection, table):
                rows = [{c.name: _value(connection, c, n) for c in table.columns} for n in (1, 2)]
                connection.execute(insert(table), rows)
            for column in table.columns:
                if not connection.execute(select(func.count(column))).scalar():
                    one = next(iter(table.primary_key.columns))
                    first = connection.execute(select(func.min(one))).scalar()
                    value = _value(connection, column, 1)
                    change = update(table).where(one == first).values({column.name: value})
                    connection.execute(change)
        for table in others:
            for column in table.columns:
                assert connection.execute(select(func.count(column))).scalar(), column


def _count(connection: Connection, table: Table) -> int:
    return int(connection.execute(select(func.count()).select_from(table)).scalar_one())


def _value(connection: Connection, column: Column[Any], number: int) -> Any:
    """Something that the column takes; a row that is there where it refers to one."""
    for key in column.foreign_keys:
        known = select(key.column).order_by(key.column).limit(2)
        return connection.execute(known).scalars().all()[number - 1]
    match column.type:
        case Boolean():
            return number == 1
        case LargeBinary():
            return b"\0\xff" * number
        case Integer() | Numeric() | Float():
            return number
    return f"{column.name[:7]} {number}"[: getattr(column.type, "length", None) or 20]


@contextmanager
def _plain(url: str) -> Iterator[Engine]:
    """The database as it stands: opening it as a store would bring it up to date."""
    engine = create_engine(url.replace("postgresql://", "postgresql+psycopg://"))
    try:
        yield engine
    finally:
        engine.dispose()


def rows_in(engine: Engine) -> Rows:
    """All that a database holds."""
    found = MetaData()
    with read(engine) as connection:
        found.reflect(connection)
        rows = {
            table.name: (
                tuple(column.name for column in table.columns),
                [tuple(row) for row in connection.execute(select(table))],
            )
            for table in found.sorted_tables
            if table.name != "alembic_version"
        }
    return _as_one(rows)


def _as_one(rows: Rows) -> Rows:
    """The keys of reports in one table, each with what its report says: as older editions have it.

    A newer one keeps no digest (it follows from the body), and keys that are new by themselves.
    """
    columns, keys = rows["report_key"]
    if "digest" in columns:
        return rows
    report_columns, reports = rows["report"]
    place = report_columns.index
    told = {
        one[place("id")]: (contract.digest(one[place("body")]), one[place("received_at")])
        for one in reports
    }
    all_keys = [*keys, *rows["report_key_recent"][1]]
    at = columns.index("report_id")
    return {
        **rows,
        "report_key": (
            (*columns, "digest", "received_at"),
            [(*one, *told[one[at]]) for one in all_keys],
        ),
        "report_key_recent": (columns, []),
    }


def only(rows: Rows, like: Rows) -> Rows:
    """What is left of rows in the tables and columns of another database, sorted."""
    left = {}
    for name, (columns, _) in like.items():
        mine, values = rows[name]
        kept = [column for column in sorted(columns) if (name, column) != FOLD_AGAIN]
        places = [mine.index(column) for column in kept]
        shown = sorted((tuple(row[place] for place in places) for row in values), key=repr)
        left[name] = (tuple(kept), shown)
    return left


def described(engine: Engine) -> dict[str, Any]:
    """The tables of a database: columns, keys, references and indexes."""
    look = inspect(engine)
    return {
        name: {
            "columns": {
                one["name"]: (str(one["type"]), one["nullable"], one["default"])
                for one in look.get_columns(name)
            },
            "key": sorted(look.get_pk_constraint(name)["constrained_columns"]),
            "references": sorted(
                (one["constrained_columns"], one["referred_table"], one["referred_columns"])
                for one in look.get_foreign_keys(name)
            ),
            "unique": sorted(one["column_names"] for one in look.get_unique_constraints(name)),
            "indexes": {
                one["name"]: (one["column_names"], bool(one["unique"]))
                for one in look.get_indexes(name)
            },
        }
        for name in look.get_table_names()
    }


def _move(engine: Engine, to: str, *, back: bool) -> None:
    config = migrations()
    with write(engine) as connection:
        config.attributes["connection"] = connection
        (command.downgrade if back else command.upgrade)(config, to)


def test_a_filled_store_goes_back_edition_by_edition_and_forward_again(
    urls: tuple[str, str],
) -> None:
    url, other = urls
    fill(url)
    with opened(url) as engine:
        fill_every_column(engine)
        handlers.rebuild(engine, check=False, now=NOW)
        folded = snapshot(engine)
        before = rows_in(engine)
    newest, *older = editions()
    with _plain(url) as engine, _plain(other) as fresh:
        made = _made_by(fresh, older)
        for edition in older:
            _move(engine, edition, back=True)
            after = rows_in(engine)
            assert only(after, after) == only(before, after), f"back to {edition}"
            assert described(engine) == made[edition], f"back to {edition}"
        oldest = rows_in(engine)
        for edition in [*reversed(older[:-1]), newest]:
            _move(engine, edition, back=False)
            assert only(rows_in(engine), oldest) == only(oldest, oldest), f"up to {edition}"
        assert described(engine) == made[newest]
    with opened(url) as engine:
        _serves(engine)
        assert snapshot(engine) == folded


def _serves(engine: Engine) -> None:
    """What a service does as it starts is enough for everything folded to be right."""
    handlers.bring_up_to_date(engine, now=NOW)
    assert handlers.rebuild(engine, check=True, now=NOW).differences == ()


def _made_by(fresh: Engine, older: list[str]) -> dict[str, Any]:
    """What each edition makes of an empty database, by edition."""
    made = {}
    for edition in [*reversed(older), editions()[0]]:
        _move(fresh, edition, back=False)
        made[edition] = described(fresh)
    return made


def test_a_store_of_every_older_edition_is_opened_with_all_it_holds(urls: tuple[str, str]) -> None:
    """Straight from any edition to the newest, as a program that was updated late would do."""
    url, _ = urls
    fill(url)
    for edition in editions()[1:]:
        with _plain(url) as engine:
            _move(engine, edition, back=True)
            before = rows_in(engine)
        engine = open_database(url)
        try:
            assert only(rows_in(engine), before) == only(before, before), f"from {edition}"
            _serves(engine)
        finally:
            engine.dispose()
