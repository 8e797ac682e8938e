"""The ingest service: one subscriber thread, the timed sweep and the notices, over one store."""

from __future__ import annotations

import logging
import socket
import threading
import time
from collections.abc import Callable, Sequence
from datetime import datetime
from typing import TYPE_CHECKING

from gateway import contract
from ingest import commands, queries
from ingest.clock import Clock
from ingest.config import BrokerAddress, Site
from ingest.handlers import (
    Incoming,
    SweepResult,
    bring_up_to_date,
    receipts_for,
    store_batch,
    sweep,
)
from ingest.jobs import schedule
from ingest.metrics import Metrics
from ingest.notify import Channel, LogChannel, MailChannel, Notice
from ingest.queries import Alert, DatabaseTrouble
from ingest.subscriber import Arrival, BrokerNotThere, Outgoing, StoreTrouble, Subscriber
from ingest.watchdog import Watchdog

if TYPE_CHECKING:
    from apscheduler.schedulers.background import BackgroundScheduler
    from sqlalchemy import Engine

log = logging.getLogger(__name__)

CONNECT_S = 5.0
STORE_WAIT_S = 15.0
"""How long a batch waits for the one before; longer than the database's own wait for a lock."""
CAUTION = (
    "Advisory reading from on-board data. Not an official emissions inspection. "
    "The inspection station decides."
)


def probe(broker: BrokerAddress) -> None:
    """Raise `BrokerNotThere` when nothing listens at the broker's address."""
    try:
        socket.create_connection((broker.host, broker.port), CONNECT_S).close()
    except OSError as error:
        raise BrokerNotThere(
            f"--broker: nothing answers at {broker.host}:{broker.port} "
            f"({error.strerror or error}), expected an MQTT broker"
        ) from error


class Service:
    """Everything that runs between the broker and the database.

    `start()` subscribes; `start_jobs()` adds the timed work. Whoever writes a past at a fast
    clock calls `sweep()` and `send_notices()` itself, with that clock.
    """

    def __init__(
        self,
        engine: Engine,
        broker: BrokerAddress,
        clock: Clock,
        site: Site,
        *,
        on_session_lost: Callable[[], None] = lambda: None,
    ) -> None:
        """`on_session_lost` is called when the broker forgot our session while we were away."""
        self._engine, self._clock, self._site = engine, clock, site
        self._broker, self._on_session_lost = broker, on_session_lost
        self._stop = threading.Event()
        self._scheduler: BackgroundScheduler | None = None
        self._mail: list[Channel] = [MailChannel(site.mail)] if site.mail else []
        self._log = LogChannel()
        self.metrics = Metrics()
        self._storing = threading.Lock()
        self._programs = queries.load_programs(site.programs_dir)
        self.subscriber = self._subscriber(had_session=False)
        self._watchdog = Watchdog(self._next_loop, self._prepare)

    @property
    def restarts(self) -> int:
        """How often the loop was found dead or stuck and was replaced."""
        return self._watchdog.restarts

    def start(self) -> None:
        """Begin to receive."""
        self._watchdog.start()

    def start_jobs(self) -> None:
        """Begin the timed work: sweep and notices."""
        self._scheduler = schedule(
            {
                "sweep": (lambda: self._log_sweep(self.sweep()), self._site.sweep_every_s),
                "notices": (
                    lambda: self._log_sent(self.send_notices()),
                    self._site.notices_every_s,
                ),
            }
        )

    def stop(self) -> None:
        """Finish the batch at hand and leave; what is not committed stays with the broker."""
        self._stop.set()
        if self._scheduler is not None:
            self._scheduler.shutdown()
        self._watchdog.stop()

    def wait(self, timeout_s: float | None = None) -> None:
        """Wait until the service is stopped."""
        self._stop.wait(timeout_s)

    def sweep(self, *, announce: bool = True) -> SweepResult:
        """Look over the fleet as at the clock's present moment."""
        return sweep(self._engine, self._clock.now(), announce=announce, programs=self._programs)

    def send_notices(self, *, past: bool = False) -> int:
        """Send what was not said yet; return how many went out.

        A notice of the past goes to the log only; the mail channel is told that it was left out.
        """
        now = self._clock.now()
        sent = self._send(self._log, now)
        for channel in self._mail:
            if past:
                self._skip(channel, now)
            else:
                sent += self._send(channel, now)
        return sent

    def _send(self, channel: Channel, now: datetime) -> int:
        sent = 0
        for alert in queries.pending_notices(self._engine, channel.name, now):
            try:
                channel.send(notice_of(alert))
            except OSError as error:
                log.warning("notice of alert %d by %s waits: %s", alert.id, channel.name, error)
                break
            commands.record_notice(self._engine, alert.id, channel.name, "sent", now=now)
            sent += 1
        return sent

    def _skip(self, channel: Channel, now: datetime) -> None:
        for alert in queries.pending_notices(self._engine, channel.name, now):
            commands.record_notice(self._engine, alert.id, channel.name, "past, not sent", now=now)

    def _log_sweep(self, result: SweepResult) -> None:
        if result.raised or result.returned:
            log.info("sweep: %d alerts raised, %d over", result.raised, result.returned)

    def _log_sent(self, count: int) -> None:
        if count:
            log.info("%d notices sent", count)

    def _subscriber(self, *, had_session: bool) -> Subscriber:
        return Subscriber(
            self._broker,
            self._store,
            self._clock.now,
            tls=self._site.broker_tls,
            had_session=had_session,
            on_session_lost=self._session_lost,
        )

    def _session_lost(self) -> None:
        self.metrics.session_lost()
        self._on_session_lost()

    def _next_loop(self, had_session: bool) -> Subscriber:
        """The first loop is there already; after a failure another one takes its place."""
        if had_session or self.subscriber.abandoned:
            self.subscriber = self._subscriber(had_session=had_session)
        return self.subscriber

    def _prepare(self) -> None:
        again = bring_up_to_date(self._engine, now=self._clock.now())
        if again:
            log.info("%d vehicles were of another edition and are folded again", again)

    def _store(self, batch: Sequence[Arrival]) -> Sequence[Outgoing]:
        # A write that is stuck is never doubled: whoever took over waits for its end.
        if not self._storing.acquire(timeout=STORE_WAIT_S):
            raise StoreTrouble("the batch before is not stored yet")
        try:
            return self._store_one_batch(batch)
        finally:
            self._storing.release()

    def _store_one_batch(self, batch: Sequence[Arrival]) -> Sequence[Outgoing]:
        items = [Incoming(one.topic, one.body, one.received_at, one.retained) for one in batch]
        begun = time.monotonic()
        try:
            outcomes = store_batch(self._engine, items)
            committed, seconds = self._clock.now(), time.monotonic() - begun
            gateways = {o.gateway for o in outcomes if o.gateway and o.status != "presence"}
            receipts = receipts_for(self._engine, gateways, self._clock.now())
        except DatabaseTrouble as error:
            self.metrics.database_trouble(str(error))
            raise StoreTrouble(str(error)) from error
        statuses, arrived = [o.status for o in outcomes], [one.received_at for one in batch]
        self.metrics.committed(statuses, arrived, committed, seconds, len(receipts))
        return [
            (contract.topic(receipt.gateway, "receipt"), contract.encode(receipt))
            for receipt in receipts
        ]


def notice_of(alert: Alert) -> Notice:
    """The words of one alert's notice: what is so, since when, what to tell the driver."""
    since = alert.since.strftime("%Y-%m-%d %H:%M UTC")
    return Notice(
        alert_id=alert.id,
        subject=f"{alert.priority}: unit {alert.unit}, {alert.depot}: {alert.text}",
        text=(
            f"Unit {alert.unit}, {alert.depot}\n{alert.text}\nSince {since}\n\n"
            f"For the driver: {alert.instruction}\n\n{CAUTION}\n"
        ),
    )
