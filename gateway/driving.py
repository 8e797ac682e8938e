"""The vehicle with its ignition on: one driving cycle under way, sampled and read as it falls due.

While the gateway keeps silent the cycle goes on as long as others are heard on the bus. A bus
that falls silent for `KEY_OFF_S` ends it, at the time when it was last heard. What is done at the
key while the gateway is silent and the bus stays awake cannot be told by listening: the cycle
then says how many of its seconds nobody observed (`contract.DrivingCycle.unobserved_s`).
"""

from __future__ import annotations

from dataclasses import dataclass

from gateway import contract
from gateway.bus_port import Bus
from gateway.driving_cycle import CycleTotals, Sampler, completed, general_denominators, moved
from gateway.interrupted import KEEP_EVERY_S, Interrupted, heard_at, written
from gateway.link import BusQuiet
from gateway.parking import LowVoltage
from gateway.protocol.session import ReadResult
from gateway.readings import Readings
from gateway.sampling import Extras, Moment

KEY_OFF_S = 10.0
"""No answer for this long counts as ignition off (common practice, no source)."""
TRIES_S = (0.0, 2.0, 4.0, 7.0, KEY_OFF_S)
"""When to ask again after an unanswered sample: an engine start may silence an ECU for seconds."""
SPARED_S = 600.0
"""How long nothing is asked at low voltage before one sample looks whether it is back."""
_WATCHED = (b"\x01\x01", b"\x07")  # lamp, count and monitors; pending codes
_COUNTERS = (0x08, 0x0B)  # in-use counters, spark and compression (SAE J1979; B)


@dataclass(frozen=True, slots=True)
class Rhythm:
    """How often, in seconds, and the voltage below which the battery is spared."""

    periodic_s: float = 900.0
    change_check_s: float = 60.0
    sample_s: float = 1.0
    parked_check_s: float = 10.0
    stop_below_v: float = 11.5


class Driving:
    """One driving cycle from the first answer on. Times are monotonic seconds that count sleep."""

    def __init__(
        self,
        bus: Bus,
        readings: Readings,
        rhythm: Rhythm,
        totals: CycleTotals,
        soak_s: float | None,
        now_s: float,
        before: Interrupted | None = None,
    ) -> None:
        """Begin with the reading that `readings` has just taken; nothing is asked yet.

        `before` is the same cycle as it stood before a restart of the gateway.
        """
        known = readings.last or ReadResult()
        self._bus, self._readings, self._rhythm = bus, readings, rhythm
        self._totals, self._soak_s, self._known = totals, soak_s, known
        self._start = known.ecus if before is None else before.start
        self._sampler = Sampler(bus.ask, frozenset().union(*known.support.values()))
        self._voltage = LowVoltage(rhythm.stop_below_v)
        self._spared_until_s: float | None = None
        self._misses = 0
        self._anew = False
        self._put_off(now_s)
        self._watched: dict[tuple[bytes, str], bytes] | None = None
        self._counted: dict[str, int] = {} if before is None else before.counted
        self._counted_last: dict[str, int] = {}
        self._keep_s = now_s
        self.heard_s = now_s
        """When the vehicle answered last, or was heard while nothing might be asked."""

    @property
    def spared(self) -> bool:
        """Whether the battery is low, so that next to nothing is asked."""
        return self._spared_until_s is not None

    def spared_s(self, now_s: float) -> float:
        """For how many seconds from now nothing at all is asked at low voltage."""
        return 0.0 if self._spared_until_s is None else max(0.0, self._spared_until_s - now_s)

    def overhear(self, traffic: bool, now_s: float) -> bool:
        """Take what was heard without asking; False once the bus says that the ignition is off.

        What stands afterwards is read anew: others may have cleared, repaired or reprogrammed.
        """
        self._anew = True
        if traffic:
            self.heard_s, self._misses = now_s, 0
        return now_s - self.heard_s < KEY_OFF_S

    def look(self, now_s: float) -> bool:
        """Ask what is due; False once the vehicle is silent and so its ignition off."""
        if self._misses and now_s < self.heard_s + TRIES_S[min(self._misses, len(TRIES_S) - 1)]:
            return True
        if not self._sampled(now_s):
            self._misses += 1
            return now_s - self.heard_s < KEY_OFF_S
        if not self.spared:
            self._read_if_due(now_s)
        if now_s >= self._keep_s:
            self._keep_s = now_s + KEEP_EVERY_S
            self.keep()
        return True

    def keep(self) -> None:
        """Keep the cycle as it stands, for a gateway that is stopped or loses its supply."""
        moment = self._readings.moment()
        if moment.taken_at is None:
            return  # without a wall clock nobody could say when it was
        last = self._readings.last or ReadResult()
        stands = Interrupted(
            heard_at=heard_at(moment.taken_at, moment.uptime_ms / 1000 - self.heard_s),
            heard_s=self.heard_s,
            totals=self._totals,
            soak_s=self._soak_s,
            start=dict(self._start),
            monitors_completed=completed(self._start, last.ecus),
            counted=self._counted,
            counted_last=self._counted_last,
        )
        self._readings.keep_cycle(written(stands))

    def end(self) -> None:
        """Report the ignition off: the last word was at `heard_s`, and the cycle ended there."""
        moment = self._readings.moment()
        extras = Extras(driving_cycle=self._summary(moment, split=False))
        self._readings.tell("key_off", extras, moment)

    # -- samples ------------------------------------------------------------------------------

    def _sampled(self, now_s: float) -> bool:
        try:
            sample = self._sampler.sample(now_s)
        except BusQuiet as error:
            if error.reason != "no_traffic":
                raise
            return False
        if sample is None:
            return False
        self.heard_s, self._misses = now_s, 0
        self._totals.add(sample)
        low = self._voltage.note(sample.module_v, now_s)
        self._spared_until_s = now_s + SPARED_S if low else None
        return True

    # -- readings -----------------------------------------------------------------------------

    def _put_off(self, now_s: float) -> None:
        """The next periodic reading and the next look for changes, counted from now."""
        self._periodic_s = now_s + self._rhythm.periodic_s
        self._check_s = now_s + self._rhythm.change_check_s

    def _read_if_due(self, now_s: float) -> None:
        if self._watched is None:
            self._counted_last = self._count(self._known)
            self._counted = self._counted_last | self._counted
            self._watched = self._watch()
        elif self._totals.split_due(now_s):
            self._split(now_s)
            self._anew = False
        elif self._anew or now_s >= self._periodic_s:
            self._put_off(now_s)
            self._readings.take("periodic", anew=self._anew)
            self._anew = False
            self._watched = self._watch()
        elif now_s >= self._check_s:
            self._check_s = now_s + self._rhythm.change_check_s
            self._check(self._watched)

    def _check(self, before: dict[tuple[bytes, str], bytes]) -> None:
        watched = self._watch()
        # An ECU that stays silent once is no change: silence says nothing.
        changed = any(before.get(key) != answer for key, answer in watched.items())
        if self._readings.full_due:
            self._readings.take("full")
        elif changed:
            self._readings.take("change")
        self._watched = before | watched
        if self._readings.last is not None:
            self._counted_last = self._counted_last | self._count(self._readings.last)

    def _split(self, now_s: float) -> None:
        moment = self._readings.moment()
        result, fresh = self._readings.read(anew=self._anew)
        self._counted_last = self._counted_last | self._count(result)
        extras = Extras(driving_cycle=self._summary(moment, split=True))
        self._readings.keep(result, "change" if fresh else "periodic", moment, extras)
        self._totals = CycleTotals(now_s, self._totals.ignition)
        self._start, self._counted = (self._readings.last or result).ecus, self._counted_last
        self._soak_s = 0.0
        self._put_off(now_s)

    def _summary(self, moment: Moment, *, split: bool) -> contract.DrivingCycle | None:
        """None without a wall clock: a cycle then has no times to state."""
        if moment.taken_at is None:
            return None
        end = self._readings.last or ReadResult()
        return self._totals.finish(
            self.heard_s,
            heard_at(moment.taken_at, moment.uptime_ms / 1000 - self.heard_s),
            self._soak_s,
            monitors_completed=completed(self._start, end.ecus),
            denominator_moved=moved(self._counted, self._counted_last),
            split=split,
        )

    # -- what is asked between readings -------------------------------------------------------

    def _watch(self) -> dict[tuple[bytes, str], bytes]:
        return {(ask, ecu): said for ask in _WATCHED for ecu, said in self._bus.ask(ask).items()}

    def _count(self, known: ReadResult) -> dict[str, int]:
        """The general denominators, asked only where an ECU says that it counts."""
        found: dict[str, int] = {}
        for kind in _COUNTERS:
            if any(kind in types for types in known.info_support.values()):
                found |= general_denominators(self._bus.ask(bytes((0x09, kind))))
        return found
