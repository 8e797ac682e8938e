"""One gateway at work: notices ignition on and off, keeps silent where it must, answers asks.

The agent never opens a way to the bus of its own: `Bus` is `gateway.link`, which listens first,
falls silent before another tester and lets nothing but reads pass.
"""

from __future__ import annotations

import logging
import threading
from collections import deque
from collections.abc import Callable
from datetime import timedelta

from gateway import contract
from gateway.bus_port import Bus
from gateway.driving import Driving, Rhythm
from gateway.driving_cycle import CycleTotals
from gateway.facts import Ignition
from gateway.fitting import Fitting
from gateway.interrupted import Interrupted, read
from gateway.link import BusQuiet
from gateway.outbox import Outbox
from gateway.parking import Parking
from gateway.protocol.guard import IDENTIFY
from gateway.publisher import Publisher
from gateway.readings import Readings
from gateway.sampling import Extras
from gateway.wall_clock import Clock

LISTEN_S = 0.5
"""How long one look at a bus that may not be asked listens."""
SHORT_REST_S = 30.0
"""The rest of a silence that is not worth another report (engineering choice)."""
JUST_STARTED_S = 60.0
"""An engine that runs for longer was started before anybody looked (engineering choice)."""
LONGEST_QUIET_S = 366 * 86_400.0
"""A silence that lasts longer has no end worth telling."""
_AWAKE = b"\x01\x00"  # every ECU of J1979 answers it (SAE J1979; B)
_OTHERS: frozenset[contract.Heard] = frozenset({"j1939", "newer_protocol"})

log = logging.getLogger(__name__)


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
        fitting: Fitting | None = None,
    ) -> None:
        """`fitting` remembers which protocol the vehicle speaks; without it nobody is asked."""
        self._bus, self._publisher, self._clock = bus, publisher, clock
        self._rhythm, self._ignition, self._fitting = rhythm or Rhythm(), ignition, fitting
        self._readings = Readings(gateway_id, bus, outbox, clock, self._offset_ms)
        self._asks: deque[contract.Ask] = deque(maxlen=16)
        self._driving: Driving | None = None
        self._interrupted = read(outbox.interrupted)
        self._parking = Parking()
        self._heard_told: contract.Heard = "nothing"
        self._next_s = float("-inf")
        self._quiet: contract.Quiet | None = None
        self._quiet_until_s = float("-inf")

    @property
    def ignition_on(self) -> bool:
        """Whether the vehicle answers, or did when it was last asked and has been heard since."""
        return self._driving is not None

    def on_ask(self, ask: contract.Ask) -> None:
        """Note an ask; the next step answers it. Safe to call from the publisher's thread."""
        self._asks.append(ask)

    def take_reading(self, reason: contract.Reason) -> list[int]:
        """Read the vehicle now and store the reports; return their seqs."""
        return self._readings.take(reason)

    def _offset_ms(self) -> int | None:
        return None if self._publisher is None else self._publisher.clock_offset_ms

    # -- the loop -----------------------------------------------------------------------------

    def run(self, stop: threading.Event) -> None:
        """Work until `stop` is set. Trouble on the bus or disk is logged, never the end."""
        while not stop.is_set():
            self.step()
            stop.wait(max(0.05, self._next_s - self._clock.seconds()))
        if self._driving is not None:
            self._guarded(self._driving.keep)

    def step(self) -> None:
        """Do what is due now; whatever bus or disk throw is logged and tried again."""
        now_s = self._clock.seconds()
        if now_s >= self._next_s:
            self._guarded(lambda: self._look(now_s))
            pause = self._rhythm.sample_s if self.ignition_on else self._rhythm.parked_check_s
            self._next_s = now_s + pause
        while self._asks:
            self._guarded(self._answer, self._asks.popleft())
        self._guarded(self._readings.retry)
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
        self._readings.overhear_lamps()
        self._end_interrupted()
        silence = self._silence(now_s)
        if silence is not None:
            self._keep_quiet(*silence)
            self._overhear(now_s)
            return
        if self._driving is None:
            self._quiet = None
            self._look_parked(now_s)
            return
        if not self._driving.spared:
            self._quiet = None
        if not self._driving.look(now_s):
            self._key_off(self._driving, now_s)

    # -- keeping silent -----------------------------------------------------------------------

    def _silence(self, now_s: float) -> tuple[contract.Quiet, float] | None:
        """Why nothing may be asked now and the seconds left; a bus that sleeps is no silence."""
        silence = self._bus.quiet
        if silence is not None and silence[0] != "no_traffic":
            return silence
        spared_s = 0.0 if self._driving is None else self._driving.spared_s(now_s)
        return ("low_voltage", spared_s) if spared_s else None

    def _keep_quiet(self, reason: contract.Quiet, left_s: float) -> None:
        """Report a silence when it begins, and again where it outlasts the end that was told."""
        now_s = self._clock.seconds()
        if reason == self._quiet and (now_s < self._quiet_until_s or left_s < SHORT_REST_S):
            return
        moment = self._readings.moment()
        until = None
        if moment.taken_at is not None and 0 < left_s < LONGEST_QUIET_S:
            until = moment.taken_at + timedelta(seconds=left_s)
        self._readings.tell("change", Extras(quiet=reason, quiet_until=until), moment)
        self._quiet, self._quiet_until_s = reason, now_s + left_s if left_s else float("inf")

    def _overhear(self, now_s: float) -> None:
        traffic = self._bus.listen(LISTEN_S)
        if self._driving is None:
            self._parking.overhear(traffic, now_s)
        elif not self._driving.overhear(traffic, now_s):
            self._key_off(self._driving, now_s)

    # -- ignition on and off ------------------------------------------------------------------

    def _look_parked(self, now_s: float) -> None:
        heard = self._heard
        traffic = self._bus.listen(LISTEN_S)
        if not self._parking.may_ask(traffic, now_s, in_vain=heard in _OTHERS):
            return
        if self._bus.ask(_AWAKE):
            self._key_on(now_s)
            return
        self._parking.unanswered()
        if self._readings.last is None and self._parking.tries > 2:
            self._identify()
        heard = self._heard
        if heard not in ("answers", "nothing", self._heard_told):
            self._readings.tell("change", Extras(heard=heard))
            self._heard_told = heard

    @property
    def _heard(self) -> contract.Heard:
        """What speaks on the bus, as heard now or known of this fitting from earlier."""
        heard = self._bus.heard
        known = self._fitting is not None and self._fitting.newer_protocol
        return "newer_protocol" if known and heard in ("nothing", "j1939") else heard

    def _identify(self) -> None:
        """Ask once in the life of a fitting whether the newer protocol is spoken."""
        fitting = self._fitting
        if fitting is not None and fitting.first() and self._bus.ask(IDENTIFY):
            fitting.keep_newer_protocol()

    def _end_interrupted(self) -> None:
        """Report a cycle that a restart interrupted, once it cannot go on any more."""
        before, moment = self._interrupted, self._readings.moment()
        if before is not None and before.gap_s(moment.taken_at) is None:
            self._interrupted = None
            self._readings.tell("key_off", Extras(driving_cycle=before.summary()), moment)

    def _go_on(self, before: Interrupted, now_s: float, gap_s: float) -> None:
        """The vehicle answers soon after a restart of the gateway: the same cycle goes on."""
        self._readings.begin_cycle(before.soak_s)
        self._readings.take("change", anew=True)  # nobody knows what was news before
        totals = before.resumed(now_s, gap_s)
        self._interrupted = None
        self._driving = Driving(
            self._bus, self._readings, self._rhythm, totals, before.soak_s, now_s, before
        )

    def _key_on(self, now_s: float) -> None:
        if self._fitting is not None:
            self._fitting.first()  # J1979 it is: the other question is never asked
        before = self._interrupted
        gap_s = None if before is None else before.gap_s(self._readings.moment().taken_at)
        if before is not None and gap_s is not None:
            self._go_on(before, now_s, gap_s)
            return
        soak_s = self._parking.soak_s(now_s)
        self._readings.begin_cycle(soak_s)
        # First of all: a reading that fails is tried again as key on.
        self._readings.take("key_on", anew=True)
        run_s = self._run_before_s()
        seen = self._parking.start_seen and not run_s
        totals = CycleTotals(now_s, self._ignition, seen, run_s)
        self._driving = Driving(self._bus, self._readings, self._rhythm, totals, soak_s, now_s)

    def _run_before_s(self) -> float:
        """For how long the engine has run while the gateway was silent, off or asleep."""
        last = self._readings.last
        run_s = 0.0 if last is None else last.values.get("engine_run_s", 0.0)
        return run_s if run_s > JUST_STARTED_S else 0.0

    def _key_off(self, driving: Driving, now_s: float) -> None:
        self._driving = None
        self._parking.key_off(now_s, driving.heard_s)
        driving.end()

    # -- asks ---------------------------------------------------------------------------------

    def _answer(self, ask: contract.Ask) -> None:
        now = self._clock.moment().taken_at
        if now is None or contract.parse_time(ask.expires_at) <= now:
            log.info("ask %s ignored: void since %s", ask.ask_id, ask.expires_at)
        elif self._quiet is not None or self._driving is None:
            self._answer_without(ask)
        else:
            try:
                self._readings.take("full" if ask.want == "full" else "ask", ask.ask_id)
            except BusQuiet as error:
                self._keep_quiet(error.reason, error.left_s)
                self._answer_without(ask)

    def _answer_without(self, ask: contract.Ask) -> None:
        """Say why there is no reading: a silence, another protocol, or a vehicle that is parked."""
        heard = self._heard
        other = heard if heard in _OTHERS else None
        parked = self._driving is None and other is None
        extras = Extras(ask_id=ask.ask_id, declined=parked, quiet=self._quiet, heard=other)
        self._readings.tell("ask", extras)
