"""Messages above a gateway's allowance: kept as they came, stored when there is time for them.

They are committed here before they are acknowledged, so nothing is lost; they are not receipted
until they are stored, so the gateway keeps its own copy meanwhile.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass

from sqlalchemy import Connection, delete, select

from gateway import contract
from ingest.store import bulk
from ingest.store.intake_schema import held_back


@dataclass(frozen=True, slots=True)
class Held:
    """One message that waits; `received_at` in epoch ms, `row_id` its place in the line."""

    gateway: str
    shard: int
    topic: str
    body: bytes
    retained: bool
    received_at: int
    row_id: int = 0


def hold_back(connection: Connection, items: Sequence[Held]) -> int:
    """Keep messages, each once, and return how many are new.

    What is sent again while it waits is known by its digest.
    """
    rows: dict[str, dict[str, object]] = {}
    for one in items:
        digest = contract.digest(one.topic.encode() + b"\0" + one.body)
        row = {
            "gateway": one.gateway,
            "shard": one.shard,
            "topic": one.topic,
            "digest": digest,
            "body": one.body,
            "retained": one.retained,
            "received_at": one.received_at,
        }
        rows.setdefault(digest, row)
    table = held_back.c
    for (digest,) in bulk.select_in(connection, (table.digest,), table.digest, rows):
        del rows[digest]
    # Another process may be giving up this lane just now, and hold the same message.
    bulk.insert_or_ignore(connection, held_back, list(rows.values()))
    return len(rows)


def waiting_of(connection: Connection, has: Callable[[int], bool]) -> set[str]:
    """The gateways of which messages wait, in the shards that `has` accepts."""
    query = select(held_back.c.gateway, held_back.c.shard).distinct()
    return {row.gateway for row in connection.execute(query) if has(row.shard)}


def oldest_of(connection: Connection, gateways: Iterable[str], share: int) -> list[Held]:
    """The messages of some gateways that wait longest, at most `share` of each."""
    found: list[Held] = []
    for gateway in gateways:
        query = (
            select(held_back)
            .where(held_back.c.gateway == gateway)
            .order_by(held_back.c.id)
            .limit(share)
        )
        found += [
            Held(
                row.gateway, row.shard, row.topic, bytes(row.body), row.retained,
                row.received_at, row.id,
            )
            for row in connection.execute(query)
        ]  # fmt: skip
    return found


def let_go(connection: Connection, items: Sequence[Held]) -> None:
    """Forget messages that are stored or in the dead letters now."""
    ids = [one.row_id for one in items]
    connection.execute(delete(held_back).where(held_back.c.id.in_(ids)))
