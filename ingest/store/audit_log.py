"""Who changed what: one row for each command, in the transaction of the change itself."""

from __future__ import annotations

from sqlalchemy import Connection, insert, select

from ingest.store.schema import audit


class RequestReused(ValueError):
    """A request id came again with another command or other content."""


def earlier_result(
    connection: Connection, request_id: str, command: str, payload: str
) -> str | None:
    """The result (JSON) of the same request made before; None when it is new."""
    query = select(audit).where(audit.c.request_id == request_id)
    row = connection.execute(query).one_or_none()
    if row is None:
        return None
    if (row.command, row.payload) != (command, payload):
        raise RequestReused(f"request {request_id!r} was used for another {row.command!r} before")
    return str(row.result)


def note(
    connection: Connection,
    *,
    at: int,
    actor: str,
    request_id: str,
    command: str,
    payload: str,
    result: str,
) -> None:
    """Write the audit row of a command."""
    row = {
        "at": at,
        "actor": actor,
        "request_id": request_id,
        "command": command,
        "payload": payload,
        "result": result,
    }
    connection.execute(insert(audit), [row])
