"""What was received: report keys, reports as sent, the journals of gateways, presence."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, NamedTuple

import msgspec
from msgspec import UNSET
from sqlalchemy import Connection, Row, delete, select, update

from gateway import contract
from ingest.domain.observed import wakes_at
from ingest.store import bulk, report_keys
from ingest.store.report_keys import Key
from ingest.store.schema import gateway_journal, lost_reports, presence, report
from ingest.store.spans import Span, gaps_below, holds, merge, through

ALSO_LIMIT = 256
_spans = msgspec.json.Decoder(list[Span])


class Received(msgspec.Struct, gc=False, frozen=True):
    """A good report with what came with it. `received_at` in epoch ms."""

    report: contract.Report
    body: bytes
    received_at: int
    key: Key


class Place(NamedTuple):
    """Where a report belongs: its vehicle and fitting, and when it was observed (epoch ms).

    `observed_at` is None until it is folded.
    """

    vehicle_id: int | None
    fitted_from: int | None
    observed_at: int | None


NOWHERE = Place(None, None, None)
"""Of a gateway that no vehicle of the list carries."""

Journals = Mapping[tuple[str, str], list[Span]]
"""What is committed or declared dropped of each journal, by (gateway, journal)."""


def journals_of(connection: Connection, items: Iterable[Received]) -> Journals:
    """The journals that some reports belong to, as they stand."""
    return journal_spans(connection, {item.key[:2] for item in items})


def known_bodies(
    connection: Connection, items: Iterable[Received], journals: Journals
) -> dict[Key, bytes]:
    """The stored bodies of those reports whose key is stored already.

    What is stored stands in its journal, so only a number that its journal has is looked up.
    """
    asked = [item.key for item in items if holds(journals.get(item.key[:2], ()), item.key[2])]
    rows = report_keys.row_ids(connection, asked)
    columns = (report.c.id, report.c.body)
    bodies = dict(bulk.select_in(connection, columns, report.c.id, rows.values()))
    return {key: bytes(bodies[row_id]) for key, row_id in rows.items()}


_REPORT = (
    "id", "gateway", "journal", "seq", "vehicle_id", "fitted_from", "journal_created_at",
    "taken_at", "observed_at", "received_at", "reason", "body",
)  # fmt: skip


def add_reports(connection: Connection, items: Sequence[Received], places: Sequence[Place]) -> None:
    """Store new reports, each as one row with the bytes as received, and their keys.

    The key is the only judge of duplicates: one that another writer stored meanwhile breaks the
    transaction, and the next attempt sees it.
    """
    rows, keys = [], []
    ids = bulk.draw_ids(connection, report, len(items))
    for row_id, item, place in zip(ids, items, places, strict=True):
        message = item.report
        created_at = contract.epoch_ms(message.journal_created_at)
        taken_at = None if message.taken_at is None else contract.epoch_ms(message.taken_at)
        rows.append(
            (
                row_id, *item.key, place.vehicle_id, place.fitted_from, created_at, taken_at,
                place.observed_at, item.received_at, message.reason, item.body,
            )
        )  # fmt: skip
        keys.append((*item.key, row_id))
    bulk.insert_values(connection, report, _REPORT, rows)
    report_keys.add(connection, keys)


def add_to_journals(
    connection: Connection, items: Sequence[Received], journals: Journals, now: int
) -> None:
    """Note in the journals which numbers are committed, and which a gateway declared dropped.

    `journals` are those of the reports as they stand.
    """
    spans: dict[tuple[str, str], list[Span]] = defaultdict(list)
    created: dict[tuple[str, str], str] = {}
    for item in items:
        gateway, journal, seq = item.key
        pair = (gateway, journal)
        spans[pair].append((seq, seq))
        if item.report.dropped is not UNSET:
            spans[pair] += [(first, last) for first, last in item.report.dropped]
        created[pair] = item.report.journal_created_at
    rows = []
    for pair, fresh in spans.items():
        before = journals.get(pair, [])
        after = merge([*before, *fresh])
        if after != before:
            rows.append(_journal_row(pair, contract.epoch_ms(created[pair]), after, now))
    bulk.upsert(connection, gateway_journal, rows)
    _forget_lost(connection, spans)


def _journal_row(
    pair: tuple[str, str], created_at: int, spans: list[Span], now: int
) -> dict[str, Any]:
    return {
        "gateway": pair[0],
        "journal": pair[1],
        "created_at": created_at,
        "spans": _text(spans),
        "updated_at": now,
    }


def journal_spans(
    connection: Connection, pairs: Iterable[tuple[str, str]]
) -> dict[tuple[str, str], list[Span]]:
    """The spans of some journals, by (gateway, journal)."""
    wanted = set(pairs)
    table = gateway_journal.c
    rows = bulk.select_in(
        connection,
        (table.gateway, table.journal, table.spans),
        table.gateway,
        (gateway for gateway, _ in wanted),
    )
    return {
        (gateway, journal): _spans.decode(text)
        for gateway, journal, text in rows
        if (gateway, journal) in wanted
    }


def _text(spans: list[Span]) -> str:
    return msgspec.json.encode(spans).decode()


@dataclass(frozen=True, slots=True)
class JournalStand:
    """How far one journal is committed: `through`, and at most 256 ranges above it."""

    journal: str
    through: int
    also: list[Span]


def latest_stands(connection: Connection, gateways: Sequence[str]) -> dict[str, JournalStand]:
    """How far the journal written last stands, by gateway."""
    table = gateway_journal.c
    columns = (table.gateway, table.updated_at, table.created_at, table.journal, table.spans)
    latest: dict[str, Any] = {}
    for row in bulk.select_in(connection, columns, table.gateway, gateways):
        before = latest.get(row[0])
        if before is None or row[1:3] >= before[1:3]:
            latest[row[0]] = row
    stands = {}
    for gateway, (_, _, _, journal, text) in latest.items():
        spans = _spans.decode(text)
        done = through(spans)
        also = [span for span in spans if span[0] > done][:ALSO_LIMIT]
        stands[gateway] = JournalStand(journal, done, also)
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
    # A retained copy tells nothing new: the state is as old as when it was first heard of.
    heard = known.received_at if known is not None and again else now
    row = {
        "gateway": message.gateway,
        "state": message.state,
        "journal": message.journal,
        "boot_no": message.boot_no,
        "connection_no": message.connection_no,
        "oldest_kept": message.oldest_kept,
        "at": None if message.at is None else contract.epoch_ms(message.at),
        "wake_by": wakes_at(message, heard),
        "received_at": heard,
    }
    bulk.upsert(connection, presence, [row])
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
    bulk.insert_or_ignore(connection, lost_reports, rows)
    if spans is None:  # when it was made stands in its first report
        bulk.upsert(connection, gateway_journal, [_journal_row(pair, now, gaps, now)])
        return
    connection.execute(
        update(gateway_journal)
        .where(gateway_journal.c.gateway == pair[0], gateway_journal.c.journal == pair[1])
        .values(spans=_text(merge([*spans, *gaps])), updated_at=now)
    )


def _forget_lost(connection: Connection, came: Journals) -> None:
    """Reports taken for lost came after all, or were dropped knowingly: keep what is missing."""
    gateways = {gateway for gateway, _ in came}
    table = lost_reports.c
    for row in bulk.select_in(connection, tuple(table), table.gateway, gateways):
        inside = [
            (max(first, row.first_seq), min(last, row.last_seq))
            for first, last in came.get((row.gateway, row.journal), ())
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
    bulk.insert_or_ignore(connection, lost_reports, rest)
