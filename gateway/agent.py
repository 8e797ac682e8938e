"""One gateway at work: notices ignition on and off, reads the vehicle, fills the outbox.

The agent never opens a way to the bus of its own: `Bus` is `gateway.link`, which listens first,
falls silent before another tester and lets nothing but reads pass.
"""

from __future__ import annotations

import logging
import threading
from collections import deque
from collections.abc import Callable
from dataclasses import dataclass, field, replace
from datetime import timedelta

from gateway import contract
from gateway.bus_port import Bus, LampNews
from gateway.driving_cycle import CycleTotals, Sampler, completed, general_denominators, moved
from gateway.facts import Ignition
from gateway.keeping import Keeper
from gateway.link import BusQuiet
from gateway.outbox import Outbox
from gateway.parking import LowVoltage, Parking
from gateway.protocol.guard import IDENTIFY
from gateway.protocol.plausibility import STUCK_READINGS, implausible
from gateway.protocol.session import Depth, ReadResult, read_vehicle
from gateway.publisher import Publisher
from gateway.sampling import Extras, Moment, NoReading, Reading, Sender, build_reports, news
from gateway.wall_clock import Clock, ClockWatch

KEY_OFF_S = 10.0
"""No answer for this long counts as ignition off (common practice, no source)."""
TRIES_S = (0.0, 2.0, 4.0, 7.0, KEY_OFF_S)
"""When to ask again after an unanswered sample: an engine start may silence an ECU for seconds."""
FULL_EVERY_S = 86_400.0
"""How often everything is read: freeze frames, test results, in-use counters."""
LISTEN_S = 0.5
"""How long one look at a parked vehicle's bus listens."""
SPARED_S = 600.0
"""How long nothing is asked at low voltage before one sample looks whether it is back."""
_AWAKE = b"\x01\x00"  # every ECU of J1979 answers it (SAE J1979; B)
_WATCHED = (b"\x01\x01", b"\x07")  # lamp, count and monitors; pending codes
_COUNTERS = (0x08, 0x0B)  # in-use counters, spark and compression (SAE J1979; B)

log = logging.getLogger(__name__)


@dataclass(frozen=True, slots=True)
class Rhythm:
    """How often, in seconds, and the voltage below which the battery is spared."""

    periodic_s: float = 900.0
    change_check_s: float = 60.0
    sample_s: float = 1.0
    parked_check_s: float = 10.0
    stop_below_v: float = 11.5


@dataclass(slots=True)
class _Cycle:
    """What the agent holds while the ignition is on; `start` is the reading at its begin."""

    totals: CycleTotals
    sampler: Sampler
    start: ReadResult
    voltage: LowVoltage
    heard_s: float
    soak_s: float | None
    periodic_s: float = 0.0
    check_s: float = 0.0
    misses: int = 0
    spared_until_s: float | None = None
    raw: dict[tuple[bytes, str], bytes] = field(default_factory=dict)
    counted: dict[str, int] = field(default_factory=dict)
    counted_last: dict[str, int] = field(default_factory=dict)
    earlier: deque[dict[str, float]] = field(default_factory=lambda: deque(maxlen=STUCK_READINGS))

    def put_off(self, now_s: float, rhythm: Rhythm) -> None:
        """The next periodic reading and the next look for changes, counted from now."""
        self.periodic_s = now_s + rhythm.periodic_s
        self.check_s = now_s + rhythm.change_check_s


class Agent:
    """Joins one bus, one outbox and one publisher. `step` and `run` in one thread."""

    def __init__(
        self,
        gateway_id: str,
        bus: Bus,
        outbox: Outbox,
        publisher: Publisher | None,
        clock: Clock,
        rhythm: Rhythm | None = None,
        ignition: Ignition = Ignition.SPARK,
        first_fitting: Callable[[], bool] = lambda: False,
    ) -> None:
        """`first_fitting` is True once in the life of a fitting: then, and only while no ECU has
        ever answered, the one identification request of the newer protocol may be sent."""
        self._bus, self._keeper, self._publisher = bus, Keeper(outbox), publisher
        self._clock, self._rhythm, self._ignition = clock, rhythm or Rhythm(), ignition
        self._sender = Sender(gateway_id, outbox.journal, outbox.journal_created_at, outbox.boot_no)
        self._first_fitting = first_fitting
        self._asks: deque[contract.Ask] = deque(maxlen=16)
        self._cycle: _Cycle | None = None
        self._parking, self._watch = Parking(), ClockWatch()
        self._lamps = LampNews()
        self._heard_told: contract.Heard = "nothing"
        self._off_since_s: float | None = None
        self._next_s = self._full_due_s = float("-inf")
        self._last: ReadResult | None = None
        self._quiet: contract.Quiet | None = None

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
        result, fresh = self._read("full" if reason == "full" else "usual", reason == "key_on")
        if fresh and reason in ("periodic", "ask"):
            reason = "change"
        return self._store(result, reason, moment, self._judged(result, Extras(ask_id=ask_id)))

    def _read(self, depth: Depth, anew: bool = False) -> tuple[ReadResult, bool]:
        """Return what the vehicle answers, and whether it is news."""
        full = depth == "full"
        static = None if full or anew else self._last
        result = read_vehicle(self._bus.ask, want_evidence=full, static=static, depth=depth)
        for fault in result.faults:
            log.warning("vehicle: %s", fault)
        fresh = self._last is not None and news(self._last, result)
        if result.ecus:
            self._last = result
        if full:
            self._full_due_s = self._clock.seconds() + FULL_EVERY_S
        return result, fresh

    def _judged(self, result: ReadResult, extras: Extras) -> Extras:
        """Add what makes no sense in a reading, and what speaks on the bus."""
        values: dict[str, float] = {**result.values, **result.live}
        cycle = self._cycle
        soak_s = self._soak_s(self._clock.seconds()) if cycle is None else cycle.soak_s
        odd = implausible(values, () if cycle is None else tuple(cycle.earlier), soak_s)
        if cycle is not None:
            cycle.earlier.append(values)
        return replace(extras, heard=self._bus.heard, implausible=odd[:64])

    def _store(
        self, reading: Reading, reason: contract.Reason, moment: Moment, extras: Extras
    ) -> list[int]:
        lamps = self._lamps.news()
        extras = replace(extras, lamp_broadcasts=lamps)

        def build(seq: int, dropped: list[list[int]]) -> list[contract.Report]:
            return build_reports(self._sender, reading, reason, moment, seq, dropped, extras)

        seqs = self._keeper.keep(build, reason)
        self._lamps.told(lamps)
        return seqs

    def _moment(self) -> Moment:
        offset = None if self._publisher is None else self._publisher.clock_offset_ms
        return self._watch.judge(self._clock.moment(), offset)

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
            self._guarded(self._answer, self._asks.popleft())
        self._guarded(self._keeper.retry)
        if self._publisher is not None:
            self._guarded(self._publisher.flush)

    @staticmethod
    def _guarded(step: Callable[..., object], *args: object) -> None:
        try:
            step(*args)
        except BusQuiet as error:
            log.info("%s", error)
        except Exception:
            log.exception("step failed, carrying on")

    def _look(self, now_s: float) -> None:
        self._lamps.hear(self._bus.take_broadcasts())
        if self._lamps.news():  # reported though nothing was asked, and nothing need be
            extras = Extras(heard=self._bus.heard)
            self._store(NoReading(), "change", self._moment(), extras)
        silence = self._bus.quiet
        if silence is not None and silence[0] != "no_traffic":
            self._keep_quiet(*silence)
            return
        spared = self._cycle is not None and self._cycle.spared_until_s is not None
        self._quiet = "low_voltage" if spared else None
        if self._cycle is None:
            self._look_parked(now_s)
        else:
            self._look_driving(self._cycle, now_s)

    def _keep_quiet(self, reason: contract.Quiet, left_s: float) -> None:
        """Report a silence once, when it begins; nothing is sent on the bus for that."""
        if reason == self._quiet:
            return
        moment = self._moment()
        until = None
        if moment.taken_at is not None and 0 < left_s < FULL_EVERY_S * 366:
            until = moment.taken_at + timedelta(seconds=left_s)
        vin = None if self._last is None else self._last.vin
        extras = Extras(quiet=reason, quiet_until=until)
        self._store(NoReading(vin=vin), "change", moment, extras)
        self._quiet = reason

    # -- the vehicle parked -------------------------------------------------------------------

    def _look_parked(self, now_s: float) -> None:
        if not self._parking.may_ask(self._bus.listen(LISTEN_S), now_s):
            return
        if self._bus.ask(_AWAKE):
            self._first_fitting()  # J1979 it is: the other question is never asked
            self._key_on(now_s)
            return
        if self._last is None and self._parking.tries > 2 and self._first_fitting():
            self._bus.ask(IDENTIFY)
        heard = self._bus.heard
        if heard not in ("answers", "nothing", self._heard_told):
            self._store(NoReading(), "change", self._moment(), Extras(heard=heard))
            self._heard_told = heard

    def _soak_s(self, now_s: float) -> float | None:
        return None if self._off_since_s is None else now_s - self._off_since_s

    # -- the ignition on ----------------------------------------------------------------------

    def _key_on(self, now_s: float) -> None:
        self.take_reading("key_on")  # first: a reading that fails is tried again as key on
        known = self._last or ReadResult()
        cycle = _Cycle(
            totals=CycleTotals(now_s, self._ignition),
            sampler=Sampler(self._bus.ask, frozenset().union(*known.support.values())),
            start=known,
            voltage=LowVoltage(self._rhythm.stop_below_v),
            heard_s=now_s,
            soak_s=self._soak_s(now_s),
            raw=self._raw(),
        )
        cycle.put_off(now_s, self._rhythm)
        cycle.counted = cycle.counted_last = self._counted(known)
        self._cycle = cycle

    def _look_driving(self, cycle: _Cycle, now_s: float) -> None:
        if cycle.spared_until_s is not None and now_s < cycle.spared_until_s:
            if self._bus.listen(LISTEN_S):
                cycle.heard_s = now_s
            elif now_s - cycle.heard_s >= KEY_OFF_S:
                self._key_off(cycle, now_s)
            return
        if cycle.misses and now_s < cycle.heard_s + TRIES_S[min(cycle.misses, len(TRIES_S) - 1)]:
            return
        if not self._sampled(cycle, now_s):
            cycle.misses += 1
            if now_s - cycle.heard_s >= KEY_OFF_S:
                self._key_off(cycle, now_s)
        elif cycle.spared_until_s is None:
            self._read_if_due(cycle, now_s)

    def _sampled(self, cycle: _Cycle, now_s: float) -> bool:
        try:
            sample = cycle.sampler.sample(now_s)
        except BusQuiet as error:
            if error.reason != "no_traffic":
                raise
            return False
        if sample is None:
            return False
        cycle.heard_s, cycle.misses = now_s, 0
        cycle.totals.add(sample)
        if cycle.voltage.note(sample.module_v, now_s):
            cycle.spared_until_s = now_s + SPARED_S
            self._keep_quiet("low_voltage", SPARED_S)
        else:
            cycle.spared_until_s = None
        return True

    def _key_off(self, cycle: _Cycle, now_s: float) -> None:
        """The vehicle is silent: its last word was at `heard_s`, and the cycle ended there."""
        self._cycle = None
        self._off_since_s = cycle.heard_s
        self._parking.key_off(now_s)
        moment = self._moment()
        vin = None if self._last is None else self._last.vin
        extras = Extras(driving_cycle=self._summary(cycle, moment, split=False))
        self._store(NoReading(vin=vin), "key_off", moment, extras)

    def _summary(self, cycle: _Cycle, moment: Moment, split: bool) -> contract.DrivingCycle | None:
        """None without a wall clock: a cycle then has no times to state."""
        if moment.taken_at is None:
            return None
        silent = timedelta(seconds=self._clock.seconds() - cycle.heard_s)
        end = self._last or ReadResult()
        return cycle.totals.finish(
            cycle.heard_s,
            moment.taken_at - silent,
            cycle.soak_s,
            monitors_completed=completed(cycle.start.ecus, end.ecus),
            denominator_moved=moved(cycle.counted, cycle.counted_last),
            split=split,
        )

    def _read_if_due(self, cycle: _Cycle, now_s: float) -> None:
        if cycle.totals.split_due(now_s):
            self._split(cycle, now_s)
        elif now_s >= cycle.periodic_s:
            cycle.put_off(now_s, self._rhythm)
            self.take_reading("periodic")
            cycle.raw = self._raw()
        elif now_s >= cycle.check_s:
            cycle.check_s = now_s + self._rhythm.change_check_s
            self._check(cycle, now_s)

    def _check(self, cycle: _Cycle, now_s: float) -> None:
        raw = self._raw()
        # An ECU that stays silent once is no change: silence says nothing.
        changed = any(cycle.raw.get(key) != answer for key, answer in raw.items())
        if now_s >= self._full_due_s:
            self.take_reading("full")
        elif changed:
            self.take_reading("change")
        cycle.raw.update(raw)
        if self._last is not None:
            cycle.counted_last = {**cycle.counted_last, **self._counted(self._last)}

    def _split(self, cycle: _Cycle, now_s: float) -> None:
        moment = self._moment()
        result, _ = self._read("usual")
        cycle.counted_last = {**cycle.counted_last, **self._counted(result)}
        extras = Extras(driving_cycle=self._summary(cycle, moment, split=True))
        self._store(result, "periodic", moment, self._judged(result, extras))
        cycle.totals = CycleTotals(now_s, self._ignition)
        cycle.start, cycle.counted, cycle.soak_s = self._last or result, cycle.counted_last, 0.0
        cycle.put_off(now_s, self._rhythm)

    def _raw(self) -> dict[tuple[bytes, str], bytes]:
        return {(ask, ecu): said for ask in _WATCHED for ecu, said in self._bus.ask(ask).items()}

    def _counted(self, known: ReadResult) -> dict[str, int]:
        """The general denominators, asked only where an ECU says that it counts."""
        found: dict[str, int] = {}
        for kind in _COUNTERS:
            if any(kind in types for types in known.info_support.values()):
                found |= general_denominators(self._bus.ask(bytes((0x09, kind))))
        return found

    # -- asks ---------------------------------------------------------------------------------

    def _answer(self, ask: contract.Ask) -> None:
        now = self._clock.moment().taken_at
        if now is None or contract.parse_time(ask.expires_at) <= now:
            log.info("ask %s ignored: void since %s", ask.ask_id, ask.expires_at)
        elif self._quiet is not None or self._cycle is None:
            self._answer_without(ask)
        else:
            try:
                self.take_reading("full" if ask.want == "full" else "ask", ask.ask_id)
            except BusQuiet as error:
                self._keep_quiet(error.reason, error.left_s)
                self._answer_without(ask)

    def _answer_without(self, ask: contract.Ask) -> None:
        extras = Extras(ask_id=ask.ask_id, declined=self._cycle is None, quiet=self._quiet)
        self._store(NoReading(), "ask", self._moment(), extras)
