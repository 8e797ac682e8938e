"""A few real gateways (outbox and publisher) that keep taking readings, and what became of them.

The publisher's waits run on a clock that is `FAST` times as fast, so that its resending is seen
within a test.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import ExitStack, contextmanager
from datetime import UTC, datetime
from pathlib import Path

from sqlalchemy import Engine

from gateway import contract
from gateway.outbox import Outbox
from gateway.publisher import Publisher
from ingest import queries
from ingest.clock import SystemClock
from ingest.config import Site, parse_broker
from ingest.handlers import rebuild
from ingest.service import Service
from tests.support.reports import NOW, gateway_name, load, opened, report, vehicle
from tests.support.toxic import Proxy, Toxic

FAST = 60.0
GATEWAYS = 4


class Yard:
    """A few gateways that keep appending and publishing through one port."""

    def __init__(self, folder: Path, port: int) -> None:
        self.appended = 0
        self._gateways = []
        for number in range(1, GATEWAYS + 1):
            outbox = Outbox(folder / f"{number}.sqlite3", lambda: datetime.now(UTC))
            publisher = Publisher(
                outbox,
                gateway_name(number),
                "127.0.0.1",
                port,
                monotonic=lambda: time.monotonic() * FAST,
            )
            self._gateways.append((number, outbox, publisher))

    def append(self, count: int) -> None:
        """Store `count` more reports, one gateway after the other."""
        for _ in range(count):
            number, outbox, _ = self._gateways[self.appended % GATEWAYS]
            outbox.append(self._build(number, outbox))
            self.appended += 1

    @staticmethod
    def _build(
        number: int, outbox: Outbox
    ) -> Callable[[int, list[list[int]]], Sequence[contract.Report]]:
        def build(seq: int, _dropped: list[list[int]]) -> Sequence[contract.Report]:
            created = outbox.journal_created_at
            one = report(number, seq, journal=outbox.journal, journal_created_at=created)
            return [one]

        return build

    def turn(self, seconds: float) -> None:
        """Let every publisher do what is due."""
        until = time.monotonic() + seconds
        while time.monotonic() < until:
            for _, _, publisher in self._gateways:
                publisher.loop()
            time.sleep(0.005)

    def pending(self) -> int:
        """Reports without a receipt."""
        return sum(outbox.pending() for _, outbox, _ in self._gateways)

    def close(self) -> None:
        """Leave the broker."""
        for _, outbox, publisher in self._gateways:
            publisher.stop(timeout_s=0.2)
            outbox.close()


def drain(yard: Yard, seconds: float = 60) -> None:
    """Turn until every report has its receipt."""
    until = time.monotonic() + seconds
    while yard.pending() and time.monotonic() < until:
        yard.turn(0.1)


def check(yard: Yard, engine: Engine) -> None:
    """Nothing is lost, nothing stands twice, and what is folded is what the reports say."""
    counts = queries.stored_counts(engine)
    assert yard.pending() == 0
    assert counts["reports"] == yard.appended
    assert counts["dead_letters"] == 0
    assert rebuild(engine, check=True, now=NOW).differences == ()


@contextmanager
def world(
    folder: Path, url: str, broker_port: int, gateway_port: int
) -> Iterator[tuple[Yard, Engine]]:
    """A yard whose outboxes lie in `folder`, and a service on the store at `url`, both running."""
    with ExitStack() as stack:
        engine = stack.enter_context(opened(url))
        load(engine, *(vehicle(number) for number in range(1, GATEWAYS + 1)))
        address = parse_broker(f"mqtt://127.0.0.1:{broker_port}")
        service = Service(engine, address, SystemClock(), Site())
        service.start()
        stack.callback(service.stop)
        assert service.subscriber.ready.wait(15)
        yard = Yard(folder, gateway_port)
        stack.callback(yard.close)
        yield yard, engine


def suffer(yard: Yard, proxy: Proxy, toxic: Toxic) -> None:
    """Let readings come while one toxic is on."""
    yard.append(40)
    yard.turn(0.3)
    proxy.toxic = toxic
    for _ in range(10):
        yard.append(8)
        yard.turn(0.25)
    proxy.toxic = "none"
    proxy.cut()  # what a black hole swallowed cannot be mended on the same connection
