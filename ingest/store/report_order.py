"""The stored reports of a vehicle, read back in the order in which they are folded.

No index holds that order: it follows from the keys (gateway, journal, seq) of the journals that
have reports of the vehicle, which are few, and of one fitting nearly always one.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from itertools import product

import msgspec
from sqlalchemy import Connection, select

from gateway import contract
from ingest.store import bulk, report_keys
from ingest.store.fold_states import Position
from ingest.store.schema import report, vehicle_journal

Run = tuple[int, int, str]
"""(fitting start, journal_created_at, journal): the reports of one journal in one fitting."""
CHUNK = 500
_decoder = msgspec.json.Decoder(contract.Report)
"""Without the further checks of `contract.decode_report`: what is stored passed them, and they take
as long again."""


class Placed(msgspec.Struct, gc=False, frozen=True):
    """A report with its place in the order of its vehicle."""

    position: Position
    report: contract.Report


@dataclass(frozen=True, slots=True)
class StoredReport:
    """A report read back, with its row id and when it was taken to be observed (epoch ms)."""

    row_id: int
    observed_at: int | None
    placed: Placed


def position_of(message: contract.Report, fitted_from: int) -> Position:
    """The place of a report in the order of its vehicle."""
    return (
        fitted_from,
        contract.epoch_ms(message.journal_created_at),
        message.journal,
        message.seq,
    )


def note_journals(connection: Connection, runs: Iterable[tuple[int, Run, str]]) -> None:
    """Note that a vehicle has reports in a journal of a gateway: (vehicle id, run, gateway)."""
    rows = [
        {
            "vehicle_id": vehicle_id,
            "fitted_from": fitted_from,
            "journal_created_at": created_at,
            "journal": journal,
            "gateway": gateway,
        }
        for vehicle_id, (fitted_from, created_at, journal), gateway in sorted(set(runs))
    ]
    bulk.insert_or_ignore(connection, vehicle_journal, rows)


def stored_reports(
    connection: Connection,
    vehicle_id: int,
    after: Position,
    observed: tuple[int, int] | None = None,
) -> Iterator[StoredReport]:
    """The stored reports of a vehicle that come after a place in the order of folding.

    Only those `observed` from one moment to another (epoch ms, both included) where it is given.
    """
    order = sorted(_places(connection, vehicle_id, after, observed))
    columns = (report.c.id, report.c.observed_at, report.c.body)
    for start in range(0, len(order), CHUNK):
        part = order[start : start + CHUNK]
        rows = bulk.select_in(connection, columns, report.c.id, (one for _, one in part))
        read = {row_id: (observed_at, body) for row_id, observed_at, body in rows}
        for position, row_id in part:
            observed_at, body = read[row_id]
            placed = Placed(position, _decoder.decode(body))
            yield StoredReport(row_id, observed_at, placed)


def _places(
    connection: Connection,
    vehicle_id: int,
    after: Position,
    observed: tuple[int, int] | None,
) -> Iterator[tuple[Position, int]]:
    """Place and row id of each report after a place (and of a time), in no order."""
    found = _journals(connection, vehicle_id, after).items()
    for keys, ((gateway, journal), above) in product(report_keys.tables(connection), found):
        query = (
            select(report.c.id, report.c.fitted_from, report.c.journal_created_at, report.c.seq)
            .join_from(keys, report, report.c.id == keys.c.report_id)
            .where(
                keys.c.gateway == gateway,
                keys.c.journal == journal,
                keys.c.seq > above,
                report.c.vehicle_id == vehicle_id,
            )
        )
        if observed is not None:
            query = query.where(report.c.observed_at.between(*observed))
        for row_id, fitted_from, created_at, seq in connection.execute(query):
            position = (fitted_from, created_at, journal, seq)
            if position > after:
                yield position, row_id


def _journals(
    connection: Connection, vehicle_id: int, after: Position
) -> Mapping[tuple[str, str], int]:
    """The journals with reports after a place, each with the number after which they begin.

    A journal may stand here although its reports went to another vehicle since.
    """
    table = vehicle_journal.c
    columns = (table.fitted_from, table.journal_created_at, table.journal, table.gateway)
    found: dict[tuple[str, str], int] = {}
    for *run, gateway in connection.execute(select(*columns).where(table.vehicle_id == vehicle_id)):
        if tuple(run) >= after[:3]:
            above = after[3] if tuple(run) == after[:3] else 0
            key = (gateway, run[2])
            found[key] = min(found.get(key, above), above)
    return found
