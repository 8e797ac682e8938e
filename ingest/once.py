"""A command done once: what it changes and its audit row in one transaction.

A repeat of `request_id` gives the result of the first time and changes nothing.
"""

from __future__ import annotations

from collections.abc import Callable
from datetime import datetime
from typing import TYPE_CHECKING, Any, TypeVar

import msgspec

from ingest.store import audit_log
from ingest.store.database import write
from ingest.store.times import to_ms

if TYPE_CHECKING:
    from sqlalchemy import Connection, Engine

T = TypeVar("T")
MAX_NAME = 64
"""Characters of the name of who does something."""


class CommandRefused(ValueError):
    """A command that cannot be done as asked; the message says why."""


def once(
    engine: Engine,
    command: str,
    payload: dict[str, Any],
    work: Callable[[Connection], T],
    result_type: type[T],
    *,
    actor: str,
    now: datetime,
    request_id: str,
) -> T:
    """Do `work` once for a request id, with its audit row in the same transaction."""
    if not actor.strip() or len(actor) > MAX_NAME:
        raise CommandRefused(f"by: {actor!r}, expected a name of at most {MAX_NAME} characters")
    text = msgspec.json.encode(payload, order="sorted").decode()
    with write(engine) as connection:
        earlier = audit_log.earlier_result(connection, request_id, command, text)
        if earlier is not None:
            return msgspec.json.decode(earlier, type=result_type)
        result = work(connection)
        audit_log.note(
            connection,
            at=to_ms(now),
            actor=actor,
            request_id=request_id,
            command=command,
            payload=text,
            result=msgspec.json.encode(result).decode(),
        )
        return result
