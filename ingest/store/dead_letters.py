"""What could not be read, kept as raw bytes with topic, time and reasons; and security events."""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import dataclass

from sqlalchemy import Connection, insert, select, update

from gateway import contract
from ingest.store.schema import dead_letter, security_event

ASIDE_LIMIT = 256
REASON_LENGTH = 300


@dataclass(frozen=True, slots=True)
class DeadLetter:
    """One payload that is set aside. `gateway` is the topic's, None when that is unreadable."""

    topic: str
    body: bytes
    gateway: str | None
    reasons: tuple[str, ...]
    received_at: int


def set_aside(connection: Connection, letter: DeadLetter) -> bool:
    """Store a payload, or count it where the same bytes came on the same topic before.

    Returns whether it is new.
    """
    topic_digest = contract.digest(letter.topic.encode("utf-8", "surrogatepass"))
    digest = contract.digest(letter.body)
    same = (dead_letter.c.topic_digest == topic_digest) & (dead_letter.c.digest == digest)
    seen = connection.execute(
        update(dead_letter)
        .where(same)
        .values(
            times_seen=dead_letter.c.times_seen + 1,
            last_seen_at=letter.received_at,
            replayed_at=None,
        )
    )
    if seen.rowcount:
        return False
    row = {
        "topic": storable(letter.topic),
        "topic_digest": topic_digest,
        "gateway": letter.gateway,
        "digest": digest,
        "body": letter.body,
        "reasons": json.dumps([storable(reason) for reason in letter.reasons]),
        "received_at": letter.received_at,
        "last_seen_at": letter.received_at,
        "times_seen": 1,
    }
    connection.execute(insert(dead_letter), [row])
    return True


def storable(text: str) -> str:
    """Text that both databases take: PostgreSQL refuses NUL and lone surrogates."""
    return text.replace("\0", "\\0").encode("utf-8", "backslashreplace").decode("utf-8")


def note_security(
    connection: Connection, at: int, kind: str, gateway: str | None, detail: str
) -> None:
    """Record something that a well-behaved gateway never does."""
    row = {"at": at, "kind": kind, "gateway": gateway, "detail": storable(detail)}
    connection.execute(insert(security_event), [row])


def asides(connection: Connection, gateway: str) -> list[contract.SetAside]:
    """The payloads of a gateway that were set aside last, as many as a receipt may name."""
    query = (
        select(dead_letter.c.digest, dead_letter.c.reasons)
        .where(dead_letter.c.gateway == gateway, dead_letter.c.replayed_at.is_(None))
        .order_by(dead_letter.c.last_seen_at.desc(), dead_letter.c.id.desc())
        .limit(ASIDE_LIMIT)
    )
    return [
        contract.SetAside(
            digest=row.digest, reason="; ".join(json.loads(row.reasons))[:REASON_LENGTH]
        )
        for row in connection.execute(query)
    ]


def waiting(connection: Connection) -> list[tuple[int, str, bytes]]:
    """Id, topic and bytes of every dead letter that was not replayed, oldest first."""
    query = (
        select(dead_letter.c.id, dead_letter.c.topic, dead_letter.c.body)
        .where(dead_letter.c.replayed_at.is_(None))
        .order_by(dead_letter.c.id)
    )
    return [(row.id, row.topic, row.body) for row in connection.execute(query)]


def mark_replayed(connection: Connection, ids: Sequence[int], at: int) -> None:
    """Note that these were read after all; they stay as a record."""
    connection.execute(update(dead_letter).where(dead_letter.c.id.in_(ids)).values(replayed_at=at))
