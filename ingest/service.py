"""The ingest service: one subscriber thread, the timed sweep and the notices, over one store."""

from __future__ import annotations

import logging
import socket
import threading
import uuid
from collections.abc import Callable
from datetime import datetime, timedelta
from typing import TYPE_CHECKING

from gateway import contract
from ingest import commands, queries
from ingest.asking import ask_where_wanted, take_asks
from ingest.clock import Clock
from ingest.config import BrokerAddress, Site
from ingest.domain.rate_limit import RateLimit
from ingest.handlers import SweepResult, bring_up_to_date, sweep
from ingest.intake import Intake
from ingest.jobs import schedule
from ingest.lanes import ONE_LANE, Lane
from ingest.learning import Lessons, learn_when_due
from ingest.metrics import Metrics
from ingest.notify import Channel, LogChannel, MailChannel, Notice
from ingest.queries import Alert
from ingest.store.lane_record import LanesDiffer, refuse_other_lanes
from ingest.subscriber import BrokerNotThere, Subscriber
from ingest.watchdog import Watchdog

if TYPE_CHECKING:
    from apscheduler.schedulers.background import BackgroundScheduler
    from sqlalchemy import Engine

log = logging.getLogger(__name__)

CONNECT_S = 5.0
ASKS_EVERY_S = 5
LEARNING_LOOK_EVERY_S = 3600
"""How often it is looked whether the last lesson is of an earlier day: a restart puts none off."""
LOOK_BACK = timedelta(minutes=2)
"""Reports heard so long before the look before are looked at once more."""
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
        lane: Lane = ONE_LANE,
        limit: RateLimit | None = None,
        on_session_lost: Callable[[], None] = lambda: None,
    ) -> None:
        """`limit` is what one gateway may send before its reports wait, our own where None.

        `on_session_lost` is called when the broker forgot our session while we were away.

        Raises `LanesDiffer` where the database says that there is no such lane.
        """
        refuse_other_lanes(engine, lane)
        self._engine, self._clock, self._site = engine, clock, site
        self._broker, self._on_session_lost = broker, on_session_lost
        self._lane = lane
        self._lane_in_doubt = False
        self._stop = threading.Event()
        self._asked_at = clock.now()
        self._scheduler: BackgroundScheduler | None = None
        self._mail: list[Channel] = [MailChannel(site.mail)] if site.mail else []
        self._log = LogChannel()
        self.metrics = Metrics()
        self._intake = Intake(
            engine, clock, self.metrics, lane=lane, limit=limit, on_stuck=self._give_up
        )
        self.gave_up = False
        """Whether it stopped because only another process can go on."""
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
        """Begin the timed work: sweep, learning, asks, notices. The first lane does it for all."""
        if self._lane.number:
            return
        self._scheduler = schedule(
            {
                "sweep": (lambda: self._log_sweep(self.sweep()), self._site.sweep_every_s),
                "learning": (lambda: self._log_learned(self.learn()), LEARNING_LOOK_EVERY_S),
                "asks": (lambda: self._log_asked(self.ask()), ASKS_EVERY_S),
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

    def learn(self) -> Lessons | None:
        """Look back over the fleet for the forecasts to come, once a day; None when not due."""
        return learn_when_due(self._engine, self._clock.now(), self._programs)

    def ask(self) -> int:
        """Send the asks of people, and those that are wanted; return how many went out."""
        now = self._clock.now()
        # A report is committed a while after it was received.
        wanted_since, self._asked_at = self._asked_at - LOOK_BACK, now
        ask_where_wanted(self._engine, wanted_since, now, lambda: str(uuid.uuid4()))
        if not self.subscriber.ready.is_set():
            return 0
        asks = take_asks(self._engine, now)
        for one in asks:
            self.subscriber.say(contract.topic(one.gateway, "ask"), contract.encode(one))
        return len(asks)

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
            self._note(channel, alert, "sent", now)
            sent += 1
        return sent

    def _skip(self, channel: Channel, now: datetime) -> None:
        for alert in queries.pending_notices(self._engine, channel.name, now):
            self._note(channel, alert, "past, not sent", now)

    def _note(self, channel: Channel, alert: Alert, outcome: str, now: datetime) -> None:
        commands.record_notice(
            self._engine, alert.id, alert.announcement, channel.name, outcome, now=now
        )

    def _log_sweep(self, result: SweepResult) -> None:
        if result.raised or result.returned:
            log.info("sweep: %d alerts raised, %d over", result.raised, result.returned)

    def _log_learned(self, lessons: Lessons | None) -> None:
        if lessons is not None:
            log.info(
                "learned from %d vehicles: %d start values; %d forecasts kept, %d held against "
                "what came", lessons.vehicles, lessons.priors, lessons.kept, lessons.scored,
            )  # fmt: skip

    def _log_asked(self, count: int) -> None:
        if count:
            log.info("%d gateways asked for a reading", count)

    def _log_sent(self, count: int) -> None:
        if count:
            log.info("%d notices sent", count)

    def _subscriber(self, *, had_session: bool) -> Subscriber:
        return Subscriber(
            self._broker,
            self._intake.store,
            self._clock.now,
            tls=self._site.tls_of(self._lane),
            lane=self._lane,
            catch_up=self._intake.catch_up,
            had_session=had_session,
            on_session_lost=self._session_lost,
            before_subscribing=self._confirm_lane,
        )

    def _give_up(self, why: str) -> None:
        """A thread cannot be ended from outside, a process can: nothing acknowledged is lost."""
        log.error("ingest ends, to be started again: %s", why)
        self.gave_up = True
        self._stop.set()

    def _session_lost(self) -> None:
        self.metrics.session_lost()
        self._on_session_lost()
        self._lane_in_doubt = True

    def _confirm_lane(self) -> None:
        """A lost session may have been ended by a change of lanes: look before making another."""
        if not self._lane_in_doubt:
            return
        try:
            self._intake.confirm_lane()
        except LanesDiffer as error:  # they were changed while this one was cut off
            log.error("ingest ends: %s", error)
            self.subscriber.abandon()
            self._stop.set()
        self._lane_in_doubt = False

    def _next_loop(self, had_session: bool) -> Subscriber:
        """The first loop is there already; after a failure another one takes its place."""
        if had_session or self.subscriber.abandoned:
            self.subscriber = self._subscriber(had_session=had_session)
        return self.subscriber

    def _prepare(self) -> None:
        again = bring_up_to_date(self._engine, now=self._clock.now())
        if again:
            log.info("%d vehicles were of another edition and are folded again", again)


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
