"""The ingest service: one subscriber thread, the timed sweep and the notices, over one store."""

from __future__ import annotations

import logging
import socket
import threading
from collections.abc import Sequence
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
from ingest.notify import Channel, LogChannel, MailChannel, Notice
from ingest.queries import Alert, DatabaseTrouble
from ingest.subscriber import Arrival, BrokerNotThere, Outgoing, StoreTrouble, Subscriber

if TYPE_CHECKING:
    from apscheduler.schedulers.background import BackgroundScheduler
    from sqlalchemy import Engine

log = logging.getLogger(__name__)

CONNECT_S = 5.0
RESTART_S = 5.0
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

    def __init__(self, engine: Engine, broker: BrokerAddress, clock: Clock, site: Site) -> None:
        self._engine, self._clock, self._site = engine, clock, site
        self._stop = threading.Event()
        self._scheduler: BackgroundScheduler | None = None
        self._mail: list[Channel] = [MailChannel(site.mail)] if site.mail else []
        self._log = LogChannel()
        self.subscriber = Subscriber(broker, self._store, clock.now, tls=site.broker_tls)
        self._thread = threading.Thread(target=self._keep_running, name="ingest", daemon=True)

    def start(self) -> None:
        """Begin to receive."""
        self._thread.start()

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
        if self._thread.is_alive():
            self._thread.join()

    def wait(self, timeout_s: float | None = None) -> None:
        """Wait until the service is stopped."""
        self._stop.wait(timeout_s)

    def sweep(self, *, announce: bool = True) -> SweepResult:
        """Look over the fleet as at the clock's present moment."""
        return sweep(self._engine, self._clock.now(), announce=announce)

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

    def _keep_running(self) -> None:
        """Run the subscriber; an error of ours must not end the service in silence."""
        while not self._stop.is_set():
            try:
                again = bring_up_to_date(self._engine, now=self._clock.now())
                if again:
                    log.info("%d vehicles were of another edition and are folded again", again)
                self.subscriber.run(self._stop)
            except Exception:
                log.exception("the subscriber stopped by an error and is started again")
                self._stop.wait(RESTART_S)

    def _store(self, batch: Sequence[Arrival]) -> Sequence[Outgoing]:
        items = [Incoming(one.topic, one.body, one.received_at, one.retained) for one in batch]
        try:
            outcomes = store_batch(self._engine, items)
            gateways = {o.gateway for o in outcomes if o.gateway and o.status != "presence"}
            receipts = receipts_for(self._engine, gateways, self._clock.now())
        except DatabaseTrouble as error:
            raise StoreTrouble(str(error)) from error
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
