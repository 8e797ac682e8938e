"""Asks: a full reading where something is left open, once in 10 min; and those of a technician."""

from __future__ import annotations

import threading
import time
from collections.abc import Iterator
from datetime import datetime, timedelta
from pathlib import Path

import pytest
from sqlalchemy import Engine

from gateway import contract
from gateway.outbox import Outbox
from gateway.publisher import Publisher
from ingest import handlers, queries
from ingest.__main__ import main
from ingest.asking import ask_reading, ask_where_wanted, take_asks
from ingest.clock import SystemClock
from ingest.config import Site, parse_broker
from ingest.domain.asking import FULL_EVERY_MS, Heard, full_again_at, why_full
from ingest.handlers import store_batch
from ingest.once import CommandRefused
from ingest.service import Service
from ingest.store.ask_log import asks_of
from ingest.store.database import read
from tests.support.reports import NOW, gateway_name, incoming, journal_of, load, opened, vehicle
from tests.support.reports import report as make
from tests.support.services import RunningBroker

TEN_MIN = timedelta(minutes=10)
NONE_YET = "no full reading of this vehicle by this gateway yet"
LOST = "readings were lost since the last full one"


@pytest.fixture
def engine(store_url_of_either: str) -> Iterator[Engine]:
    with opened(store_url_of_either) as store:
        load(store, *(vehicle(number) for number in range(1, 4)))
        yield store


class Asker:
    """Looks as the service does; a new one knows what a restarted service knows."""

    def __init__(self, engine: Engine) -> None:
        self._engine, self._ids = engine, iter(range(10_000))

    def look(self, at: datetime = NOW) -> list[contract.Ask]:
        new_id = f"{at:%d%H%M%S}-"
        ask_where_wanted(
            self._engine, at - timedelta(minutes=2), at, lambda: new_id + str(next(self._ids))
        )
        return take_asks(self._engine, at)


def _send(
    engine: Engine, *messages: contract.Report | contract.Presence, at: datetime = NOW
) -> None:
    store_batch(engine, [incoming(one, at) for one in messages])


def _presence(oldest_kept: int) -> contract.Presence:
    return contract.Presence(
        schema="presence/1", gateway=gateway_name(1), state="online", journal=journal_of(1),
        boot_no=1, connection_no=1, oldest_kept=oldest_kept, at=None,
    )  # fmt: skip


@pytest.mark.parametrize(
    ("heard", "why"),
    [
        (Heard("periodic", None, None), NONE_YET),
        (Heard("key_on", None, 5), NONE_YET),
        (Heard("key_off", None, 5), None),
        (Heard("ask", None, 5), None),
        (Heard("full", 10, 5), None),
        (Heard("change", 10, None), None),
        (Heard("change", 10, 9), None),
        (Heard("change", 10, 10), None),
        (Heard("change", 10, 11), LOST),
        (Heard("key_off", 10, 11), None),
    ],
)
def test_a_full_reading_is_wanted_where_something_is_open_and_the_vehicle_is_awake(
    heard: Heard, why: str | None
) -> None:
    assert why_full(heard) == why


@pytest.mark.parametrize(("asked_at", "again"), [(None, 0), (1000, 1000 + FULL_EVERY_MS)])
def test_it_is_asked_for_again_after_ten_minutes(asked_at: int | None, again: int) -> None:
    assert full_again_at(asked_at) == again


def test_a_new_journal_is_asked_once_for_a_full_reading_void_after_five_minutes(
    engine: Engine,
) -> None:
    _send(engine, make(1, 1, reason="key_on"))

    (ask,) = Asker(engine).look()

    assert (ask.gateway, ask.want) == ("gw-0001", "full")
    assert ask.expires_at == contract.format_time(NOW + timedelta(seconds=300))
    assert contract.decode_ask(contract.encode(ask)) == ask
    with read(engine) as connection:
        (kept,) = asks_of(connection, ["gw-0001"])
    assert (kept.why, kept.asked_by) == (NONE_YET, "ingest")


def test_it_is_asked_at_most_once_in_ten_minutes_also_across_a_restart(engine: Engine) -> None:
    asked_at = []
    for minute in range(31):
        at = NOW + timedelta(minutes=minute)
        _send(engine, make(1, minute + 1), at=at)
        if Asker(engine).look(at):  # a new one each time: nothing is remembered but the store
            asked_at.append(minute)

    assert asked_at == [0, 10, 20, 30]


def test_a_full_reading_ends_the_asking_until_readings_are_lost(engine: Engine) -> None:
    _send(engine, make(1, 1, reason="full"), make(1, 2))
    assert Asker(engine).look() == []

    later = NOW + timedelta(hours=1)
    _send(engine, make(1, 9), _presence(oldest_kept=3), at=later)
    assert Asker(engine).look(later) == []  # 3 to 8 are still coming

    _send(engine, make(1, 10, dropped=[[3, 4]]), _presence(oldest_kept=5), at=later)
    assert Asker(engine).look(later) == []  # declared as dropped

    _send(engine, _presence(oldest_kept=9), make(1, 11), at=later)
    assert [one.want for one in Asker(engine).look(later)] == ["full"]
    with read(engine) as connection:
        assert asks_of(connection, ["gw-0001"])[-1].why == LOST

    after = later + TEN_MIN
    _send(engine, make(1, 12, reason="full"), make(1, 13), at=after)
    assert Asker(engine).look(after) == []


def test_a_gateway_in_another_vehicle_is_asked_anew_and_an_unlisted_one_is_not(
    engine: Engine,
) -> None:
    _send(engine, make(1, 1, reason="full"), make(1, 2), make(9, 1))
    assert Asker(engine).look() == []

    taken_out = vehicle(1, gateway=None, fitted_from=(NOW - timedelta(days=2)).date())
    put_in = vehicle(2, gateway="gw-0001", fitted_from=(NOW - timedelta(days=1)).date())
    load(engine, taken_out, put_in, request_id="2")
    now = contract.format_time(NOW)
    _send(engine, make(1, 3, taken_at=now, vin=put_in.vin))

    assert [one.gateway for one in Asker(engine).look()] == ["gw-0001"]


def test_a_technician_asks_and_the_rule_of_ten_minutes_holds_for_full_ones(engine: Engine) -> None:
    def ask(want: str, at: datetime, request_id: str) -> datetime:
        return ask_reading(
            engine, 1, want,  # type: ignore[arg-type]
            actor="T. Reyes", now=at, request_id=request_id,
        )  # fmt: skip

    assert ask("full", NOW, "a") == NOW + timedelta(seconds=300)
    assert ask("full", NOW, "a") == NOW + timedelta(seconds=300)  # the same request
    ask("fresh", NOW, "b")
    ask("fresh", NOW, "c")
    with pytest.raises(CommandRefused, match=r"not before 12:10:00 UTC"):
        ask("full", NOW + timedelta(minutes=9, seconds=59), "d")
    sent = [(one.want, one.ask_id) for one in take_asks(engine, NOW)]
    assert sorted(sent) == [("fresh", "b"), ("fresh", "c"), ("full", "a")]
    assert take_asks(engine, NOW) == []
    ask("full", NOW + TEN_MIN, "e")

    # Nobody sent it within its life: it is void, and is not sent.
    assert take_asks(engine, NOW + TEN_MIN + timedelta(seconds=300)) == []


def test_without_a_gateway_or_a_name_nobody_is_asked(engine: Engine) -> None:
    load(engine, vehicle(3, gateway=None), request_id="2")
    with pytest.raises(CommandRefused, match="no gateway is fitted"):
        ask_reading(engine, 3, "fresh", actor="T. Reyes", now=NOW, request_id="a")
    with pytest.raises(CommandRefused, match="expected a name"):
        ask_reading(engine, 1, "fresh", actor=" ", now=NOW, request_id="b")


@pytest.mark.services
def test_an_ask_from_the_terminal_reaches_the_gateway_through_the_running_service(
    tmp_path: Path, mosquitto: RunningBroker, capsys: pytest.CaptureFixture[str]
) -> None:
    data = tmp_path / "data"
    data.mkdir()
    with opened(f"sqlite:///{data}/fleet.sqlite3") as engine:
        load(engine, vehicle(1))
        heard: list[contract.Ask] = []
        came = threading.Event()

        def on_ask(ask: contract.Ask) -> None:
            heard.append(ask)
            came.set()

        outbox = Outbox(tmp_path / "outbox", SystemClock().now)
        publisher = Publisher(outbox, "gw-0001", mosquitto.host, mosquitto.port, on_ask=on_ask)
        publisher.start()
        service = Service(engine, parse_broker(mosquitto.url), SystemClock(), Site())
        service.start()
        try:
            assert service.subscriber.ready.wait(15)
            until = time.monotonic() + 15
            while not queries.presences(engine) and time.monotonic() < until:
                time.sleep(0.02)
            where = ["--data", str(data)]
            assert main(["ask", "u001", "--full", "--by", "T. Reyes", *where]) == 0
            assert main(["ask", "u001", "--full", "--by", "T. Reyes", *where]) == 3
            assert service.ask() == 1
            assert came.wait(15)
        finally:
            service.stop()
            publisher.stop()
            outbox.close()
    assert [(one.gateway, one.want) for one in heard] == [("gw-0001", "full")]
    told = capsys.readouterr()
    assert "unit U001: a full reading is asked for" in told.out
    assert "asked for less than 10 min ago" in told.err


def test_asks_change_nothing_of_the_history(engine: Engine) -> None:
    _send(engine, make(1, 1))
    Asker(engine).look()
    assert handlers.rebuild(engine, check=True, now=NOW).differences == ()
