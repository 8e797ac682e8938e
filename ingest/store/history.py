"""What was received: report keys, reports as sent, the journals of gateways, presence."""

from __future__ import annotations

import json
from collections import defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Any

from msgspec import UNSET
from sqlalchemy import (
    BindParameter,
    Connection,
    Row,
    bindparam,
    delete,
    insert,
    select,
    tuple_,
    update,
)

from gateway import contract
from ingest.store.database import insert_or_ignore, upsert
from ingest.store.schema import (
    gateway_journal,
    lost_reports,
    presence,
    report,
    report_key,
)
from ingest.store.spans import Span, gaps_below, merge, through
from ingest.store.times import text_to_ms

Key = tuple[str, str, int]
"""(gateway, journal, seq): the identity of a report."""
CHUNK = 300
"""Keys asked for in one statement: SQLite bounds the depth of an OR and the number of values."""
ALSO_LIMIT = 256


@dataclass(frozen=True, slots=True)
class Received:
    """A good report with what came with it. `received_at` in epoch ms."""

    report: contract.Report
    body: bytes
    digest: str
    received_at: int

    @property
    def key(self) -> Key:
        """The identity of the report."""
        return (self.report.gateway, self.report.journal, self.report.seq)


def known_digests(connection: Connection, keys: Iterable[Key]) -> dict[Key, str]:
    """The digests of those keys that are stored already."""
    wanted = list(keys)
    found: dict[Key, str] = {}
    columns = (report_key.c.gateway, report_key.c.journal, report_key.c.seq)
    for start in range(0, len(wanted), CHUNK):
        asked: BindParameter[list[Key]] = bindparam(
            "keys", wanted[start : start + CHUNK], expanding=True
        )
        query = select(*columns, report_key.c.digest).where(tuple_(*columns).in_(asked))
        for row in connection.execute(query):
            found[row.gateway, row.journal, row.seq] = row.digest
    return found


def add_keys(connection: Connection, items: Sequence[Received]) -> None:
    """Store the keys of new reports; `report_key` is the only judge of duplicates."""
    rows = [
        {
            "gateway": item.report.gateway,
            "journal": item.report.journal,
            "seq": item.report.seq,
            "digest": item.digest,
            "received_at": item.received_at,
        }
        for item in items
    ]
    insert_or_ignore(connection, report_key, rows)


def add_reports(connection: Connection, rows: Sequence[dict[str, Any]]) -> None:
    """Store reports, each as one row with the bytes as received (see `report_row`)."""
    if rows:
        connection.execute(insert(report), list(rows))


def report_row(
    item: Received, vehicle_id: int | None, fitted_from: int | None, observed_at: int | None
) -> dict[str, Any]:
    """The row of one report."""
    message = item.report
    return {
        "gateway": message.gateway,
        "journal": message.journal,
        "seq": message.seq,
        "vehicle_id": vehicle_id,
        "fitted_from": fitted_from,
        "journal_created_at": text_to_ms(message.journal_created_at),
        "taken_at": None if message.taken_at is None else text_to_ms(message.taken_at),
        "observed_at": observed_at,
        "received_at": item.received_at,
        "reason": message.reason,
        "body": item.body,
    }


def add_to_journals(connection: Connection, items: Sequence[Received], now: int) -> None:
    """Note which sequence numbers are committed, and which a gateway declared dropped."""
    spans: dict[tuple[str, str], list[Span]] = defaultdict(list)
    created: dict[tuple[str, str], int] = {}
    for item in items:
        message = item.report
        pair = (message.gateway, message.journal)
        spans[pair].append((message.seq, message.seq))
        if message.dropped is not UNSET:
            spans[pair] += [(first, last) for first, last in message.dropped]
        created[pair] = text_to_ms(message.journal_created_at)
    stored = journal_spans(connection, spans)
    rows = []
    for pair, fresh in spans.items():
        before = stored.get(pair, [])
        after = merge([*before, *fresh])
        if after != before:
            rows.append(_journal_row(pair, created[pair], after, now))
    upsert(connection, gateway_journal, rows)


def _journal_row(
    pair: tuple[str, str], created_at: int, spans: list[Span], now: int
) -> dict[str, Any]:
    return {
        "gateway": pair[0],
        "journal": pair[1],
        "created_at": created_at,
        "spans": json.dumps(spans),
        "updated_at": now,
    }


def journal_spans(
    connection: Connection, pairs: Iterable[tuple[str, str]]
) -> dict[tuple[str, str], list[Span]]:
    """The spans of some journals, by (gateway, journal)."""
    wanted = set(pairs)
    gateways = sorted({gateway for gateway, _ in wanted})
    found: dict[tuple[str, str], list[Span]] = {}
    for start in range(0, len(gateways), CHUNK):
        query = select(gateway_journal).where(
            gateway_journal.c.gateway.in_(gateways[start : start + CHUNK])
        )
        for row in connection.execute(query):
            if (row.gateway, row.journal) in wanted:
                found[row.gateway, row.journal] = [(a, b) for a, b in json.loads(row.spans)]
    return found


@dataclass(frozen=True, slots=True)
class JournalStand:
    """How far one journal is committed: `through`, and at most 256 ranges above it."""

    journal: str
    through: int
    also: list[Span]


def latest_stands(connection: Connection, gateways: Sequence[str]) -> dict[str, JournalStand]:
    """How far the journal written last stands, by gateway."""
    query = (
        select(gateway_journal)
        .where(gateway_journal.c.gateway.in_(gateways))
        .order_by(gateway_journal.c.updated_at, gateway_journal.c.created_at)
    )
    stands = {}
    for row in connection.execute(query):
        spans = [(first, last) for first, last in json.loads(row.spans)]
        done = through(spans)
        also = [span for span in spans if span[0] > done][:ALSO_LIMIT]
        stands[row.gateway] = JournalStand(row.journal, done, also)
    return stands


def store_presence(connection: Connection, message: contract.Presence, now: int) -> bool:
    """Keep a presence; False when it is older than the one known and therefore ignored.

    An offline whose (journal, boot_no, connection_no) is not the latest seen comes from a
    connection that is over.
    """
    known = connection.execute(
        select(presence).where(presence.c.gateway == message.gateway)
    ).one_or_none()
    if known is not None:
        same_journal = known.journal == message.journal
        newer = (message.boot_no, message.connection_no) >= (known.boot_no, known.connection_no)
        if (same_journal and not newer) or (not same_journal and message.state == "offline"):
            return False
    again = known is not None and (
        (known.journal, known.boot_no, known.connection_no, known.state)
        == (message.journal, message.boot_no, message.connection_no, message.state)
    )
    row = {
        "gateway": message.gateway,
        "state": message.state,
        "journal": message.journal,
        "boot_no": message.boot_no,
        "connection_no": message.connection_no,
        "oldest_kept": message.oldest_kept,
        "at": None if message.at is None else text_to_ms(message.at),
        "wake_by": None if message.wake_by is UNSET else text_to_ms(message.wake_by),
        # A retained copy tells nothing new: the state is as old as when it was first heard of.
        "received_at": known.received_at if known is not None and again else now,
    }
    upsert(connection, presence, [row])
    _note_lost(connection, message, now)
    return True


def _note_lost(connection: Connection, message: contract.Presence, now: int) -> None:
    """What the gateway no longer keeps and never declared dropped is lost: say so, go on.

    Also of a journal of which no report is here yet: they may all be late.
    """
    pair = (message.gateway, message.journal)
    spans = journal_spans(connection, [pair]).get(pair)
    gaps = gaps_below(spans or [], message.oldest_kept)
    if not gaps:
        return
    rows = [
        {
            "gateway": message.gateway,
            "journal": message.journal,
            "first_seq": first,
            "last_seq": last,
            "found_at": now,
        }
        for first, last in gaps
    ]
    insert_or_ignore(connection, lost_reports, rows)
    if spans is None:  # when it was made stands in its first report
        upsert(connection, gateway_journal, [_journal_row(pair, now, gaps, now)])
        return
    connection.execute(
        update(gateway_journal)
        .where(gateway_journal.c.gateway == pair[0], gateway_journal.c.journal == pair[1])
        .values(spans=json.dumps(merge([*spans, *gaps])), updated_at=now)
    )


def forget_lost(connection: Connection, items: Sequence[Received]) -> None:
    """Reports taken for lost came after all, or were dropped knowingly: keep what is missing."""
    came: dict[tuple[str, str], list[Span]] = defaultdict(list)
    for item in items:
        message = item.report
        spans = came[message.gateway, message.journal]
        spans.append((message.seq, message.seq))
        if message.dropped is not UNSET:
            spans += [(first, last) for first, last in message.dropped]
    gateways = sorted({gateway for gateway, _ in came})
    table = lost_reports.c
    for start in range(0, len(gateways), CHUNK):
        chosen = select(lost_reports).where(table.gateway.in_(gateways[start : start + CHUNK]))
        for row in connection.execute(chosen).all():
            inside = [
                (max(first, row.first_seq), min(last, row.last_seq))
                for first, last in came[row.gateway, row.journal]
                if first <= row.last_seq and last >= row.first_seq
            ]
            if inside:
                _keep_missing(connection, row, inside)


def _keep_missing(connection: Connection, row: Row[Any], inside: list[Span]) -> None:
    offset, length = row.first_seq - 1, row.last_seq - row.first_seq + 1
    still = gaps_below(merge((a - offset, b - offset) for a, b in inside), length + 1)
    connection.execute(
        delete(lost_reports).where(
            lost_reports.c.gateway == row.gateway,
            lost_reports.c.journal == row.journal,
            lost_reports.c.first_seq == row.first_seq,
        )
    )
    rest = [
        {**row._mapping, "first_seq": first + offset, "last_seq": last + offset}
        for first, last in still
    ]
    insert_or_ignore(connection, lost_reports, rest)
