"""The keys of all stored reports, wherever they stand."""

from __future__ import annotations

from typing import Any

from sqlalchemy import Engine, Row, select

from ingest.store import report_keys
from ingest.store.database import read


def stored_keys(engine: Engine) -> list[Row[Any]]:
    """(gateway, journal, seq, report_id) of each, as often as it stands there."""
    with read(engine) as connection:
        return [
            row
            for table in report_keys.tables(connection)
            for row in connection.execute(select(table))
        ]
