"""One gateway at work: notices ignition on and off, reads the vehicle, fills the outbox."""

from __future__ import annotations

import logging
import threading
import time
from collections import deque
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Protocol

from gateway import contract
from gateway.driving_cycle import CycleTotals, read_sample
from gateway.facts import Ignition
from gateway.link import BusTaken
from gateway.outbox import Outbox
from gateway.protocol.session import ReadResult, read_vehicle
from gateway.publisher import Publisher
from gateway.sampling import Extras, Moment, NoReading, Reading, Sender, build_reports, news

KEY_OFF_S = 10.0
"""Silence on the bus that counts as ignition off (common practice, no source)."""
_CLOCK_SET_SINCE = datetime(2024, 1, 1, tzinfo=UTC)
_SYNCED_MARK = Path("/run/systemd/timesync/synchronized")
_READINESS = b"\x01\x01"

Ask = Callable[[bytes], Mapping[str, bytes]]
log = logging.getLogger(__name__)


class Clock(Protocol):
    """Where the agent gets its time from."""

    def moment(self) -> Moment:
        """The wall clock, how far to trust it, and the uptime."""

    def seconds(self) -> float:
        """Monotonic seconds that count sleep."""


class SystemClock:
    """The clock of the machine. A wall clock before 2024 has never been set."""

    def now(self) -> datetime | None:
        """The wall clock in UTC, None while it is unset."""
        now = datetime.now(UTC)
        return now if now >= _CLOCK_SET_SINCE else None

    def moment(self) -> Moment:
        """See `Clock`."""
        now = self.now()
        uptime_ms = int(self.seconds() * 1000)
        if now is None:
            return Moment(None, "unset", uptime_ms)
        return Moment(now, "synced" if _SYNCED_MARK.exists() else "held", uptime_ms)

    def seconds(self) -> float:
        """See `Clock`."""
        return time.clock_gettime(time.CLOCK_BOOTTIME)


@dataclass(frozen=True, slots=True)
class Rhythm:
    """How often, in seconds."""

    periodic_s: float = 900.0
    change_check_s: float = 60.0
    sample_s: float = 1.0
    parked_check_s: float = 10.0


@dataclass(slots=True)
class _Cycle:
    """What the agent holds while the ignition is on."""

    totals: CycleTotals
    heard_s: float
    periodic_s: float
    check_s: float
    soak_s: float | None


class Agent:
    """Joins one vehicle's bus, one outbox and one publisher. `step` and `run` in one thread."""

    def __init__(
        self,
        gateway_id: str,
        ask: Ask,
        outbox: Outbox,
        publisher: Publisher | None,
        clock: Clock,
        rhythm: Rhythm | None = None,
        ignition: Ignition = Ignition.SPARK,
    ) -> None:
        self._ask, self._outbox, self._publisher = ask, outbox, publisher
        self._clock, self._rhythm, self._ignition = clock, rhythm or Rhythm(), ignition
        self._sender = Sender(gateway_id, outbox.journal, outbox.journal_created_at, outbox.boot_no)
        self._asks: deque[contract.Ask] = deque(maxlen=16)
        self._cycle: _Cycle | None = None
        self._off_since_s: float | None = None
        self._next_s = float("-inf")
        self._last: ReadResult | None = None
        self._raw: dict[str, bytes] = {}

    @property
    def ignition_on(self) -> bool:
        """Whether the vehicle answers."""
        return self._cycle is not None

    def on_ask(self, ask: contract.Ask) -> None:
        """Note an ask; the next step answers it. Safe to call from the publisher's thread."""
        self._asks.append(ask)

    # -- readings -----------------------------------------------------------------------------

    def take_reading(self, reason: contract.Reason, ask_id: str | None = None) -> list[int]:
        """Read the vehicle now and store the reports; return their seqs.

        A periodic or asked reading that shows a lamp, code, monitor or clear anew is reported
        as `change`, which a full outbox never drops.
        """
        moment = self._moment()
        full = reason in ("key_on", "full")
        result = read_vehicle(
            self._ask, want_evidence=reason == "full", static=None if full else self._last
        )
        for fault in result.faults:
            log.warning("vehicle: %s", fault)
        fresh = self._last is not None and news(self._last, result)
        if fresh and reason in ("periodic", "ask"):
            reason = "change"
        if result.ecus:
            self._last = result
        return self._store(result, reason, moment, Extras(ask_id=ask_id))

    def _store(
        self, reading: Reading, reason: contract.Reason, moment: Moment, extras: Extras
    ) -> list[int]:
        def build(seq: int, dropped: list[list[int]]) -> list[contract.Report]:
            return build_reports(self._sender, reading, reason, moment, seq, dropped, extras)

        return self._outbox.append(build)

    def _moment(self) -> Moment:
        moment = self._clock.moment()
        offset = None if self._publisher is None else self._publisher.clock_offset_ms
        return Moment(moment.taken_at, moment.clock, moment.uptime_ms, offset)

    # -- the loop -----------------------------------------------------------------------------

    def run(self, stop: threading.Event) -> None:
        """Work until `stop` is set. Trouble on the bus or disk is logged, never the end."""
        while not stop.is_set():
            self.step()
            stop.wait(max(0.05, self._next_s - self._clock.seconds()))

    def step(self) -> None:
        """Do what is due now; whatever bus or disk throw is logged and tried again."""
        now_s = self._clock.seconds()
        if now_s >= self._next_s:
            self._guarded(lambda: self._look(now_s))
            pause = self._rhythm.sample_s if self.ignition_on else self._rhythm.parked_check_s
            self._next_s = now_s + pause
        while self._asks:
            ask = self._asks.popleft()
            self._guarded(lambda: self._answer(ask))  # noqa: B023 - called before the next turn
        if self._publisher is not None:
            self._guarded(self._publisher.flush)

    @staticmethod
    def _guarded(step: Callable[[], object]) -> None:
        try:
            step()
        except BusTaken:
            log.info("another tester speaks on the bus: keeping silent")
        except Exception:
            log.exception("step failed, carrying on")

    def _look(self, now_s: float) -> None:
        sample = read_sample(self._ask, now_s)
        if self._cycle is None:
            if sample is None:
                return
            self._key_on(now_s)
        cycle = self._cycle
        assert cycle is not None
        if sample is not None:
            cycle.heard_s = now_s
            cycle.totals.add(sample)
            self._read_if_due(cycle, now_s)
        elif now_s - cycle.heard_s >= KEY_OFF_S:
            self._key_off(cycle)

    def _key_on(self, now_s: float) -> None:
        self.take_reading("key_on")  # first: a reading that fails is tried again as key on
        self._raw = dict(self._ask(_READINESS))
        off = self._off_since_s
        self._cycle = _Cycle(
            totals=CycleTotals(now_s, self._ignition),
            heard_s=now_s,
            periodic_s=now_s + self._rhythm.periodic_s,
            check_s=now_s + self._rhythm.change_check_s,
            soak_s=None if off is None else now_s - off,
        )

    def _key_off(self, cycle: _Cycle) -> None:
        """The vehicle is silent: its last word was at `heard_s`, and the cycle ended there."""
        self._cycle = None
        self._off_since_s = cycle.heard_s
        moment = self._moment()
        summary = None
        if moment.taken_at is not None:  # a cycle without a wall clock has no times to state
            silent = timedelta(seconds=self._clock.seconds() - cycle.heard_s)
            ended_at = moment.taken_at - silent
            summary = cycle.totals.finish(cycle.heard_s, ended_at, cycle.soak_s)
        vin = None if self._last is None else self._last.vin
        self._store(NoReading(vin=vin), "key_off", moment, Extras(driving_cycle=summary))

    def _read_if_due(self, cycle: _Cycle, now_s: float) -> None:
        if now_s >= cycle.periodic_s:
            cycle.periodic_s = now_s + self._rhythm.periodic_s
            cycle.check_s = now_s + self._rhythm.change_check_s
            self.take_reading("periodic")
            self._raw = dict(self._ask(_READINESS))
        elif now_s >= cycle.check_s:
            cycle.check_s = now_s + self._rhythm.change_check_s
            raw = dict(self._ask(_READINESS))
            # An ECU that stays silent once is no change: silence says nothing.
            if any(self._raw.get(ecu) != answer for ecu, answer in raw.items()):
                self.take_reading("change")
            self._raw.update(raw)

    def _answer(self, ask: contract.Ask) -> None:
        now = self._clock.moment().taken_at
        if now is None or contract.parse_time(ask.expires_at) <= now:
            log.info("ask %s ignored: void since %s", ask.ask_id, ask.expires_at)
        elif self._cycle is None:
            extras = Extras(ask_id=ask.ask_id, declined=True)
            self._store(NoReading(), "ask", self._moment(), extras)
        else:
            self.take_reading("full" if ask.want == "full" else "ask", ask.ask_id)
