"""Which vehicle each stored report belongs to, worked out again when the vehicle list changed."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from typing import Any

from sqlalchemy import Connection, Row, Select, bindparam, select, update

from gateway import contract
from ingest.store import report_keys
from ingest.store.report_order import Run, note_journals, position_of
from ingest.store.schema import gateway_journal, report
from ingest.store.vehicles import Fitting, fittings_of, owner


def reassign(connection: Connection, gateways: Iterable[str]) -> set[int]:
    """Give the reports of these gateways to their vehicles; return the vehicles that differ."""
    wanted = sorted(set(gateways).intersection(known_gateways(connection)))
    fittings = fittings_of(connection, wanted)
    touched: set[int] = set()
    for gateway in wanted:
        touched |= _reassign_one(connection, gateway, fittings.get(gateway, []))
    return touched


def _reassign_one(connection: Connection, gateway: str, fittings: list[Fitting]) -> set[int]:
    touched: set[int] = set()
    changes: list[dict[str, Any]] = []
    runs: set[tuple[int, Run, str]] = set()
    for row in _reports_of(connection, gateway):
        message = contract.decode_report(row.body)
        fit = owner(message, fittings)
        now = (fit.vehicle_id, fit.fitted_from) if fit else (None, None)
        if now != (row.vehicle_id, row.fitted_from):
            touched |= {one for one in (row.vehicle_id, now[0]) if one is not None}
            changes.append({"b_id": row.id, "b_vehicle": now[0], "b_from": now[1]})
            if fit is not None:
                run = position_of(message, fit.fitted_from)[:3]
                runs.add((fit.vehicle_id, run, gateway))
    if changes:
        note_journals(connection, runs)
        statement = (
            update(report)
            .where(report.c.id == bindparam("b_id"))
            .values(vehicle_id=bindparam("b_vehicle"), fitted_from=bindparam("b_from"))
        )
        connection.execute(statement, changes)
    return touched


def _reports_of(connection: Connection, gateway: str) -> Iterator[Row[Any]]:
    for keys in report_keys.tables(connection):
        query: Select[Any] = (
            select(report.c.id, report.c.vehicle_id, report.c.fitted_from, report.c.body)
            .join(keys, keys.c.report_id == report.c.id)
            .where(keys.c.gateway == gateway)
            .execution_options(yield_per=500)
        )
        yield from connection.execute(query)


def known_gateways(connection: Connection) -> list[str]:
    """Every gateway of which a report is stored."""
    return sorted(connection.execute(select(gateway_journal.c.gateway).distinct()).scalars())
