"""What is above a gateway's allowance waits on disk: nothing lost, nothing twice, in order."""

from __future__ import annotations

import time
from collections.abc import Iterator, Sequence
from contextlib import contextmanager

import paho.mqtt.client as mqtt
import pytest
from paho.mqtt.enums import CallbackAPIVersion
from sqlalchemy import Engine, func, select

from gateway import contract
from ingest import handlers, queries
from ingest.arrival import Arrival
from ingest.clock import SystemClock
from ingest.config import Site, parse_broker
from ingest.domain.rate_limit import RateLimit
from ingest.intake import Intake
from ingest.lanes import Lane, all_lanes
from ingest.metrics import Metrics
from ingest.service import Service
from ingest.store.database import read
from ingest.store.figures import figures
from ingest.store.schema import report
from ingest.subscriber import Outgoing
from tests.support.reports import NOW, ecu, gateway_name, load, opened, vehicle
from tests.support.reports import report as make
from tests.support.services import RunningBroker

BURST = 5


class Bench:
    """An intake with a clock turned by hand."""

    def __init__(self, engine: Engine) -> None:
        self.engine, self.now_s = engine, 1000.0
        self.restart()

    def restart(self, lane: Lane | None = None) -> None:
        """What a new process knows: the store alone; a new process has new allowances."""
        self.metrics = Metrics()
        self.intake = Intake(
            self.engine, SystemClock(), self.metrics, lane=lane or Lane(),
            limit=RateLimit(burst=BURST), seconds=lambda: self.now_s,
        )  # fmt: skip

    def send(self, number: int, *seqs: int) -> Sequence[Outgoing]:
        return self.intake.store([_arrival(make(number, seq)) for seq in seqs])

    def catch_up(self) -> list[Outgoing]:
        """Everything, as when nothing else comes."""
        said: list[Outgoing] = []
        for _ in range(100):
            more = self.intake.catch_up()
            if more is None:
                return said
            said += more
        raise AssertionError("it does not end")

    def stored(self, number: int) -> list[int]:
        query = select(report.c.seq).where(report.c.gateway == gateway_name(number))
        with read(self.engine) as connection:
            return list(connection.execute(query.order_by(report.c.id)).scalars())

    def counted(self, outcome: str) -> float:
        """How many messages came to this, by the metrics since the start."""
        name, labels = "fleet_ingest_messages_total", {"outcome": outcome}
        return self.metrics.registry.get_sample_value(name, labels) or 0

    def waiting(self) -> int:
        with read(self.engine) as connection:
            return figures(connection)["messages_held_back"]


def _arrival(message: contract.Report) -> Arrival:
    return Arrival(contract.topic(message.gateway, "report"), contract.encode(message), NOW, False)


def _through(said: Sequence[Outgoing]) -> list[int]:
    return [contract.decode_receipt(body).through for _, body in said]


@pytest.fixture
def bench(store_url_of_either: str) -> Iterator[Bench]:
    with opened(store_url_of_either) as engine:
        load(engine, *(vehicle(number) for number in range(1, 4)))
        yield Bench(engine)


def test_above_the_allowance_is_kept_unreceipted_and_stored_later_in_order(bench: Bench) -> None:
    assert _through(bench.send(1, *range(1, 9))) == [BURST]
    assert (bench.stored(1), bench.waiting()) == ([1, 2, 3, 4, 5], 3)

    assert _through(bench.catch_up())[-1] == 8
    assert (bench.stored(1), bench.waiting()) == ([*range(1, 9)], 0)
    assert bench.intake.catch_up() is None


def test_a_gateway_whose_reports_wait_keeps_its_order_and_others_do_not_wait(bench: Bench) -> None:
    bench.send(1, *range(1, 9))
    waiting = bench.waiting()
    bench.now_s += 0.5

    assert bench.send(1, 9) == []
    assert _through(bench.send(2, 1, 2)) == [2]

    assert bench.waiting() == waiting + 1
    bench.catch_up()
    assert bench.stored(1) == [*range(1, 10)]


def test_however_much_others_send_one_a_second_is_stored(bench: Bench) -> None:
    bench.send(1, *range(1, 12))
    for count in range(1, 4):
        before = len(bench.stored(1))
        bench.now_s += 1
        bench.send(2, count)
        assert len(bench.stored(1)) == before + 1


def test_a_restart_finds_what_waits_and_a_repeat_is_not_kept_twice(bench: Bench) -> None:
    bench.send(1, *range(1, 9))
    bench.restart()

    assert bench.send(1, 7, 8) != []  # the turn of the second
    bench.catch_up()

    assert (bench.stored(1), bench.waiting()) == ([*range(1, 9)], 0)


def test_each_message_is_counted_once_by_what_became_of_it(bench: Bench) -> None:
    bench.send(1, *range(1, 9))
    bench.send(1, 7, 8, 8, 9)
    assert bench.counted("stored") == BURST
    assert (bench.counted("held_back"), bench.counted("duplicate")) == (4, 3)

    bench.catch_up()

    assert (bench.counted("stored"), bench.counted("duplicate")) == (9, 3)


def test_what_was_stored_and_not_yet_let_go_is_a_duplicate_after_a_crash(
    bench: Bench, monkeypatch: pytest.MonkeyPatch
) -> None:
    bench.send(1, *range(1, 9))

    def crash(*_: object) -> None:
        raise KeyboardInterrupt

    with monkeypatch.context() as broken:
        broken.setattr("ingest.intake.let_go", crash)
        with pytest.raises(KeyboardInterrupt):
            bench.catch_up()
    bench.restart()
    bench.catch_up()

    assert (bench.stored(1), bench.waiting()) == ([*range(1, 9)], 0)


def test_poison_that_waited_goes_to_the_dead_letters_and_blocks_nothing(bench: Bench) -> None:
    bench.send(1, *range(1, 7))
    topic = contract.topic(gateway_name(1), "report")
    bench.intake.store([Arrival(topic, b"{", NOW, False), _arrival(make(1, 7))])
    bench.catch_up()

    assert [one.body for one in queries.dead_letters(bench.engine)] == [b"{"]
    assert bench.stored(1) == [*range(1, 8)]


def test_of_several_lanes_each_stores_what_is_its_own(bench: Bench) -> None:
    bench.send(1, *range(1, 9))
    mine = int(contract.shard(gateway_name(1)), 16) % 2
    other, own = all_lanes(2)[1 - mine], all_lanes(2)[mine]

    bench.restart(other)
    bench.catch_up()
    assert bench.waiting() > 0
    bench.restart(own)
    bench.catch_up()
    assert (bench.stored(1), bench.waiting()) == ([*range(1, 9)], 0)


@pytest.mark.services
def test_fifty_quiet_gateways_are_stored_before_the_flood_that_stood_ahead_of_them(
    store_url: str, mosquitto: RunningBroker
) -> None:
    flooding, quiet = 51, range(1, 51)
    with opened(store_url) as engine:
        load(engine, *(vehicle(number) for number in range(1, 52)))
        with _serving(engine, mosquitto):
            pass  # leaves its session: what comes now waits in it
        client = mqtt.Client(CallbackAPIVersion.VERSION2, "sender", protocol=mqtt.MQTTv311)
        client.connect(mosquitto.host, mosquitto.port)
        client.loop_start()
        messages = [make(flooding, seq) for seq in range(1, 601)] + [make(n, 1) for n in quiet]
        for one in messages:
            topic = contract.topic(one.gateway, "report")
            client.publish(topic, contract.encode(one), qos=1).wait_for_publish(15)
        with _serving(engine, mosquitto):
            deadline = time.monotonic() + 30
            while queries.stored_counts(engine)["reports"] < 650 and time.monotonic() < deadline:
                time.sleep(0.05)
        client.disconnect()
        client.loop_stop()
        with read(engine) as connection:
            rows = connection.execute(select(report.c.gateway).order_by(report.c.id)).scalars()
            order = list(rows)

    assert len(order) == 650
    assert order[BURST : BURST + 50] == [gateway_name(number) for number in quiet]


@contextmanager
def _serving(engine: Engine, broker: RunningBroker) -> Iterator[Service]:
    service = Service(
        engine, parse_broker(broker.url), SystemClock(), Site(), limit=RateLimit(burst=BURST)
    )
    service.start()
    try:
        assert service.subscriber.ready.wait(15)
        yield service
    finally:
        service.stop()


def test_all_told_the_history_is_as_if_nothing_had_waited(bench: Bench) -> None:
    lit = {"7E8": ecu(mil=True, confirmed=["P0420"])}
    mixed = [make(1, seq, ecus=lit) if seq > 12 else make(1, seq) for seq in range(1, 20)]
    for start in range(0, 19, 4):
        bench.intake.store([_arrival(one) for one in mixed[start : start + 4]])
        bench.now_s += 0.1
    bench.catch_up()

    assert [one.kind for one in queries.alerts(bench.engine, NOW)] == ["mil_on"]
    assert handlers.rebuild(bench.engine, check=True, now=NOW).differences == ()
    with read(bench.engine) as connection:
        assert connection.execute(select(func.count()).select_from(report)).scalar_one() == 19


def test_what_was_set_aside_is_named_a_while_and_never_more_than_a_receipt_holds(
    bench: Bench,
) -> None:
    """A gateway that sends rubbish by the thousand costs the others no long look at each batch."""
    topic = contract.topic(gateway_name(1), "report")
    for start in range(0, 300, 100):
        bench.now_s += 200
        rubbish = [Arrival(topic, b"rubbish %d" % n, NOW, False) for n in range(start, start + 100)]
        sent = [*bench.intake.store(rubbish), *bench.catch_up()]
    assert len(contract.decode_receipt(sent[-1][1]).aside) == 256
    newest = {contract.digest(one.body) for one in rubbish}
    assert newest <= {one.digest for one in contract.decode_receipt(sent[-1][1]).aside}

    bench.now_s += 30
    (receipt,) = bench.intake.store([_arrival(make(1, 1))])
    assert contract.decode_receipt(receipt[1]).aside
    bench.now_s += 31
    (receipt,) = bench.intake.store([_arrival(make(1, 2))])
    assert contract.decode_receipt(receipt[1]).aside == []
