"""What gateways were asked, by whom and why; and what is known of those heard lately."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from sqlalchemy import Connection, func, insert, literal_column, select, update

from gateway.contract import ASK_LIFE_S
from ingest.domain.asking import Heard
from ingest.store.intake_schema import ask
from ingest.store.report_keys import newest_row_id
from ingest.store.schema import gateway_journal, lost_reports, report, vehicle

LIFE_MS = ASK_LIFE_S * 1000


@dataclass(frozen=True, slots=True)
class Wish:
    """One ask; `asked_at` in epoch ms. It is void `ASK_LIFE_S` later."""

    ask_id: str
    gateway: str
    want: str
    why: str
    asked_by: str
    asked_at: int


def gateway_of(connection: Connection, vehicle_id: int) -> str | None:
    """The gateway that sits in a vehicle now."""
    query = select(vehicle.c.gateway).where(vehicle.c.id == vehicle_id)
    return connection.execute(query).scalar_one_or_none()


def add(connection: Connection, wish: Wish) -> None:
    """Keep an ask; it is sent at the next look."""
    row = {name: getattr(wish, name) for name in Wish.__slots__}
    connection.execute(insert(ask), [row])


def last_full_ask(connection: Connection, gateway: str) -> int | None:
    """When a full reading of a gateway was last asked for."""
    query = select(func.max(ask.c.asked_at))
    full = query.where(ask.c.gateway == gateway, ask.c.want == "full")
    found: int | None = connection.execute(full).scalar_one()
    return found


def take_unsent(connection: Connection, now: int) -> list[Wish]:
    """The asks that are not void and were not sent; they count as sent from here on."""
    query = (
        select(ask)
        .where(ask.c.sent_at.is_(None), ask.c.asked_at > now - LIFE_MS)
        .order_by(ask.c.asked_at)
        .with_for_update()
    )
    found = [
        Wish(row.ask_id, row.gateway, row.want, row.why, row.asked_by, row.asked_at)
        for row in connection.execute(query)
    ]
    ids = [one.ask_id for one in found]
    connection.execute(update(ask).where(ask.c.ask_id.in_(ids)).values(sent_at=now))
    return found


def heard_since(connection: Connection, since: int) -> Iterator[tuple[str, Heard]]:
    """Every gateway that sent something new since a moment, with what is known of its journal."""
    pairs = select(gateway_journal.c.gateway, gateway_journal.c.journal)
    for row in connection.execute(pairs.where(gateway_journal.c.updated_at >= since)).all():
        heard = _heard(connection, row.gateway, row.journal)
        if heard is not None:
            yield row.gateway, heard


def _heard(connection: Connection, gateway: str, journal: str) -> Heard | None:
    row_id = newest_row_id(connection, gateway, journal)
    query = select(report.c.reason, report.c.vehicle_id).where(report.c.id == row_id)
    newest = connection.execute(query).one_or_none()
    if newest is None or newest.vehicle_id is None:
        return None  # whoever is not in the vehicle list has no picture to fill
    full = select(func.max(report.c.received_at)).where(
        report.c.gateway == gateway,
        report.c.journal == journal,
        report.c.vehicle_id == newest.vehicle_id,
        literal_column("reason = 'full'"),  # as plain text, so that the index of these is taken
    )
    lost = select(func.max(lost_reports.c.found_at)).where(
        lost_reports.c.gateway == gateway, lost_reports.c.journal == journal
    )
    return Heard(
        newest.reason, connection.execute(full).scalar_one(), connection.execute(lost).scalar_one()
    )


def asks_of(connection: Connection, gateways: Sequence[str]) -> list[Wish]:
    """Every ask of some gateways, oldest first."""
    query = select(ask).where(ask.c.gateway.in_(gateways)).order_by(ask.c.asked_at)
    return [
        Wish(row.ask_id, row.gateway, row.want, row.why, row.asked_by, row.asked_at)
        for row in connection.execute(query)
    ]
