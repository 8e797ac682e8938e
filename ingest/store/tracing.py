"""What became of one report: every trace that the store has of a gateway's sequence number."""

from __future__ import annotations

import json
import re
from dataclasses import dataclass
from typing import Any, Literal

from sqlalchemy import Connection, Row, and_, or_, select

from gateway import contract
from ingest.store import report_keys
from ingest.store.history import ALSO_LIMIT, journal_spans
from ingest.store.intake_schema import held_back
from ingest.store.schema import (
    alert,
    dead_letter,
    episode,
    gateway_journal,
    lost_reports,
    presence,
    report,
    vehicle,
    vehicle_state,
)
from ingest.store.spans import through

Outcome = Literal[
    "stored", "declared dropped", "lost", "still coming", "set aside", "held back", "not heard of"
]


@dataclass(frozen=True, slots=True)
class TracedEvent:
    """An event that this report began or ended, and the alert that came of it, if any."""

    kind: str
    subject: str
    began: bool
    withdrawn: str | None
    alert_id: int | None
    alert_state: str | None


@dataclass(frozen=True, slots=True)
class Traced:
    """One trace; times in epoch ms, None where there is none.

    `receipted`: the receipts that go to the gateway name it. `unit`: the vehicle it belongs to;
    `folded`: it is in that vehicle's current status and events. `faults`: why it was set aside.
    """

    outcome: Outcome
    journal: str | None
    received_at: int | None = None
    taken_at: int | None = None
    observed_at: int | None = None
    reason: str | None = None
    digest: str | None = None
    receipted: bool = False
    unit: str | None = None
    folded: bool = False
    vin_differs: str | None = None
    faults: tuple[str, ...] = ()
    times_seen: int = 1
    events: tuple[TracedEvent, ...] = ()


def trace(connection: Connection, gateway: str, seq: int) -> list[Traced]:
    """Every trace of a sequence number, one journal after the other, then what was set aside."""
    query = (
        select(gateway_journal.c.journal)
        .where(gateway_journal.c.gateway == gateway)
        .order_by(gateway_journal.c.created_at, gateway_journal.c.journal)
    )
    journals = list(connection.execute(query).scalars())
    found = [one for journal in journals if (one := _in_journal(connection, gateway, journal, seq))]
    found += _aside(connection, gateway, seq)
    found += _held(connection, gateway, seq)
    return found or [Traced("not heard of", None)]


def _in_journal(connection: Connection, gateway: str, journal: str, seq: int) -> Traced | None:
    spans = journal_spans(connection, [(gateway, journal)])[gateway, journal]
    covered = any(first <= seq <= last for first, last in spans)
    if not covered:
        highest = max(spans[-1][1] if spans else 0, _kept(connection, gateway, journal))
        return Traced("still coming", journal) if seq < highest else None
    done = through(spans)
    named = [span for span in spans if span[0] > done][:ALSO_LIMIT]
    receipted = seq <= done or any(first <= seq <= last for first, last in named)
    key = (gateway, journal, seq)
    row_id = report_keys.row_ids(connection, [key]).get(key)
    if row_id is not None:
        return _stored(connection, row_id, receipted)
    lost = select(lost_reports.c.found_at).where(
        lost_reports.c.gateway == gateway,
        lost_reports.c.journal == journal,
        lost_reports.c.first_seq <= seq,
        lost_reports.c.last_seq >= seq,
    )
    missing = connection.execute(lost).scalar_one_or_none() is not None
    return Traced("lost" if missing else "declared dropped", journal, receipted=receipted)


def _kept(connection: Connection, gateway: str, journal: str) -> int:
    """The oldest number that the gateway says it keeps: those before it were given out."""
    query = select(presence.c.oldest_kept).where(
        presence.c.gateway == gateway, presence.c.journal == journal
    )
    return connection.execute(query).scalar_one_or_none() or 0


def _stored(connection: Connection, row_id: int, receipted: bool) -> Traced:
    row = connection.execute(
        select(report, vehicle.c.unit, vehicle.c.vin)
        .outerjoin(vehicle, vehicle.c.id == report.c.vehicle_id)
        .where(report.c.id == row_id)
    ).one()
    message = contract.decode_report(bytes(row.body))
    differs = None
    if row.vin is not None and isinstance(message.vin, str) and message.vin != row.vin:
        differs = message.vin
    return Traced(
        "stored",
        row.journal,
        received_at=row.received_at,
        taken_at=row.taken_at,
        observed_at=row.observed_at,
        reason=row.reason,
        digest=contract.digest(row.body),
        receipted=receipted,
        unit=row.unit,
        folded=row.vehicle_id is not None and _folded(connection, row),
        vin_differs=differs,
        events=_events(connection, row) if row.vehicle_id is not None else (),
    )


def _folded(connection: Connection, row: Row[Any]) -> bool:
    query = select(vehicle_state).where(vehicle_state.c.vehicle_id == row.vehicle_id)
    state = connection.execute(query).one_or_none()
    if state is None:
        return False
    last = (state.last_fitted_from, state.last_created_at, state.last_journal, state.last_seq)
    return (row.fitted_from, row.journal_created_at, row.journal, row.seq) <= last


def _events(connection: Connection, row: Row[Any]) -> tuple[TracedEvent, ...]:
    began = and_(episode.c.start_journal == row.journal, episode.c.start_seq == row.seq)
    ended = and_(episode.c.end_journal == row.journal, episode.c.end_seq == row.seq)
    query = (
        select(episode, alert.c.id.label("alert_id"), alert.c.state)
        .outerjoin(alert, alert.c.episode_id == episode.c.id)
        .where(episode.c.vehicle_id == row.vehicle_id, or_(began, ended))
        .order_by(episode.c.id, alert.c.id)
    )
    return tuple(
        TracedEvent(
            one.kind, one.subject, (one.start_journal, one.start_seq) == (row.journal, row.seq),
            one.withdrawn_reason, one.alert_id, one.state,
        )
        for one in connection.execute(query)
    )  # fmt: skip


def _bears(seq: int) -> re.Pattern[bytes]:
    """Finds the number in bytes that may be no JSON at all."""
    return re.compile(rb'"seq"\s*:\s*%d(?![\d.eE])' % seq)


def _aside(connection: Connection, gateway: str, seq: int) -> list[Traced]:
    query = select(dead_letter).where(dead_letter.c.gateway == gateway).order_by(dead_letter.c.id)
    return [
        Traced(
            "set aside",
            None,
            received_at=row.received_at,
            digest=row.digest,
            receipted=row.replayed_at is None,
            faults=tuple(json.loads(row.reasons)),
            times_seen=row.times_seen,
        )
        for row in connection.execute(query)
        if _bears(seq).search(row.body)
    ]


def _held(connection: Connection, gateway: str, seq: int) -> list[Traced]:
    query = select(held_back).where(held_back.c.gateway == gateway).order_by(held_back.c.id)
    return [
        Traced("held back", None, received_at=row.received_at, digest=contract.digest(row.body))
        for row in connection.execute(query)
        if _bears(seq).search(row.body)
    ]
