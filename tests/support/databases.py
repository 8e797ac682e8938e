"""Databases for tests: SQLite files, or databases of one PostgreSQL cluster a run.

`FLEET_TEST_DATABASE=postgresql` in the environment hands out PostgreSQL wherever a test does not
ask for one kind by name.
"""

from __future__ import annotations

import os
import tempfile
import uuid
from collections.abc import Callable, Iterator
from contextlib import contextmanager

import psycopg

from tests.support.reports import opened
from tests.support.services import running_postgres

NewUrl = Callable[[], str]
"""Makes one more empty store and returns its URL."""
DURABLE = ("fsync=on", "synchronous_commit=on", "shared_buffers=512MB", "max_wal_size=4GB")
"""The settings of a PostgreSQL server that is measured."""


def default_kind() -> str:
    """The kind of database for tests that work on either."""
    kind = os.environ.get("FLEET_TEST_DATABASE", "sqlite")
    if kind not in ("sqlite", "postgresql"):
        raise ValueError(f"FLEET_TEST_DATABASE: {kind!r}, expected sqlite or postgresql")
    return kind


@contextmanager
def durable_database(kind: str) -> Iterator[str]:
    """An empty database for a bench, on a disk and with the durability of the real thing."""
    if kind == "postgresql":
        with running_postgres(DURABLE) as url:
            yield url
    else:
        with tempfile.TemporaryDirectory(dir="/var/tmp", prefix="fleet-bench-") as name:
            yield f"sqlite:///{name}/fleet.sqlite3"


@contextmanager
def postgres_database(server: str, template: str = "template1") -> Iterator[str]:
    """A database of the server at `server`, a copy of `template`, dropped at the end."""
    name = f"test_{uuid.uuid4().hex}"
    _do(server, f"CREATE DATABASE {name} TEMPLATE {template}")
    try:
        yield server.rsplit("/", 1)[0] + f"/{name}"
    finally:
        _do(server, f"DROP DATABASE {name} WITH (FORCE)")


@contextmanager
def postgres_template(server: str) -> Iterator[str]:
    """The name of a database with all tables and no rows: a copy takes a tenth of migrating."""
    with postgres_database(server) as url:
        with opened(url):
            pass
        yield url.rsplit("/", 1)[1]


def _do(server: str, statement: str) -> None:
    address = server.replace("postgresql+psycopg", "postgresql")
    with psycopg.connect(address, autocommit=True) as connection:
        connection.execute(statement.encode())
