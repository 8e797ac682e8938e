"""Asks to gateways: those of people, and those that ingest makes where a full reading is wanted.

An ask is a row first and is sent after it is committed, so that no restart asks twice.
"""

from __future__ import annotations

from collections.abc import Callable
from datetime import datetime, timedelta
from typing import TYPE_CHECKING, Literal

from gateway import contract
from ingest.domain.asking import full_again_at, why_full
from ingest.once import CommandRefused, once
from ingest.store import ask_log
from ingest.store.ask_log import LIFE_MS, Wish
from ingest.store.database import read, write
from ingest.store.times import from_ms, to_ms

if TYPE_CHECKING:
    from sqlalchemy import Connection, Engine

INGEST = "ingest"


def ask_reading(
    engine: Engine,
    vehicle_id: int,
    want: Literal["fresh", "full"],
    *,
    actor: str,
    now: datetime,
    request_id: str,
) -> datetime:
    """Ask the vehicle's gateway for a reading; return when the ask is void.

    A running service sends it within seconds. Raises `CommandRefused` where there is no gateway, or
    a full reading was asked for less than ten minutes ago.
    """

    def work(connection: Connection) -> int:
        gateway = ask_log.gateway_of(connection, vehicle_id)
        if gateway is None:
            raise CommandRefused(f"vehicle {vehicle_id}: no gateway is fitted, nobody to ask")
        again = full_again_at(ask_log.last_full_ask(connection, gateway))
        if want == "full" and to_ms(now) < again:
            raise CommandRefused(
                f"full: asked for less than 10 min ago, expected not before "
                f"{from_ms(again):%H:%M:%S} UTC"
            )
        ask_log.add(connection, Wish(request_id, gateway, want, "asked", actor, to_ms(now)))
        return to_ms(now) + LIFE_MS

    payload = {"vehicle_id": vehicle_id, "want": want}
    void = once(
        engine, "ask_reading", payload, work, int, actor=actor, now=now, request_id=request_id
    )
    return from_ms(void)


def ask_where_wanted(
    engine: Engine, since: datetime, now: datetime, new_id: Callable[[], str]
) -> int:
    """Note an ask for each gateway heard since a moment that leaves something open; how many."""
    with read(engine) as connection:
        wanted = {
            gateway: why
            for gateway, heard in ask_log.heard_since(connection, to_ms(since))
            if (why := why_full(heard)) is not None
        }
    count = 0
    for gateway, why in wanted.items():
        with write(engine) as connection:
            if full_again_at(ask_log.last_full_ask(connection, gateway)) <= to_ms(now):
                wish = Wish(new_id(), gateway, "full", why, INGEST, to_ms(now))
                ask_log.add(connection, wish)
                count += 1
    return count


def take_asks(engine: Engine, now: datetime) -> list[contract.Ask]:
    """The asks to send now; each is given once."""
    with write(engine) as connection:
        wishes = ask_log.take_unsent(connection, to_ms(now))
    life = timedelta(seconds=contract.ASK_LIFE_S)
    return [
        contract.Ask(
            schema="ask/1",
            gateway=one.gateway,
            ask_id=one.ask_id,
            want="full" if one.want == "full" else "fresh",
            expires_at=contract.format_time(from_ms(one.asked_at) + life),
        )
        for one in wishes
    ]
