"""One driving cycle, summed up from samples taken about once a second (pure).

It starts and ends with the ignition or propulsion system, not with the engine: a hybrid's day of
stop and go is one cycle. It is split at 4 h of continuous operation (13 CCR 1968.2, from memory).

What the in-use conditions need (13 CCR 1968.2(d)(4), from memory: M) and where it comes from;
PIDs as in SAE J1979 (B; 5A from memory: M):

| Figure of the cycle | General denominator | Evap start conditions | From |
|---|---|---|---|
| `engine_on_s` | >= 600 s (M) | the same (M) | PID 0C |
| `propulsion_on_s` | >= 600 s on a hybrid (M) | the same (M) | the samples |
| `seconds_at_or_above_40_kmh` | >= 300 s at >= 25 mph (M) | the same (M) | PID 0D |
| `longest_idle_s` | >= 30 s, <= 1 mph, pedal released (M) | the same (M) | PID 0D, 5A |
| `ambient_c` | >= -7 degC, 20 degF (M) | 4 to 35 degC, 40 to 95 degF (M) | PID 46 |
| `barometric_kpa` | for < 2,440 m, 8,000 ft (M) | the same (M) | PID 33 |
| `coolant_start_c` | not needed | 4 to 35 degC, at most 7 above ambient (M) | PID 05 |
| `soak_s` | not needed | a cold start; many makers' own limit (M) | last key-off |
| `fuel_start_pct`, `fuel_end_pct` | not needed | makers' own window (M) | PID 2F |
| `denominator_moved` | the ECU's own judgement (B) | not told apart | service 09, 08 or 0B |

What a vehicle does not tell is named in `not_given`: a CNG vehicle has no fuel level in per cent,
and a plug-in on an electric day no coolant that warms and no engine time. `accelerator_pedal` there
means that idle was judged by vehicle speed alone.

Seconds without samples, such as those of a silence on the bus, count in `propulsion_on_s` and stand
in `unobserved_s`; so do those before a restart of the gateway, as far as the ECU counts them (PID
1F). No other figure counts them: distance and the other times are then at least so much. A cycle
whose beginning nobody observed has no figures of its start.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime, timedelta
from typing import Any

from msgspec import UNSET

from gateway import contract
from gateway.facts import Ignition, Monitor
from gateway.protocol.decode import decode_value
from gateway.protocol.tables import PIDS, Pid, Scale

ENGINE_ON_RPM = 400.0
"""At or above it the engine runs on its own (common practice, no source)."""
IDLE_KMH = 1.6
"""Vehicle speed of idle: at most 1 mph (13 CCR 1968.2(d)(4), from memory)."""
PEDAL_RELEASED_PCT = 2.0
"""Relative pedal position up to which it counts as released (common practice, no source)."""
BRISK_KMH = 40.0
"""25 mph in round metric numbers (13 CCR 1968.2(d)(4), from memory)."""
SPLIT_S = 4 * 3600.0
"""A driving cycle ends here at the latest, and the next begins (13 CCR 1968.2, from memory)."""
WARM_UP_RISE_C = 22.0
"""Coolant rise of a warm-up cycle, 40 degF (workshop manual definition; B)."""
WARM_UP_REACHES_C = {Ignition.SPARK: 71.0, Ignition.COMPRESSION: 60.0}
"""Coolant that a warm-up cycle must reach: 160 degF (B); diesel 140 degF (from memory)."""
LONGEST_GAP_S = 5.0
"""Two samples further apart say nothing of the time between (common practice, no source)."""
SLOW_EVERY_S = 60.0
"""Ambient, barometric and fuel level are asked this often (common practice, no source)."""

Ask = Callable[[bytes], Mapping[str, bytes]]


@dataclass(frozen=True, slots=True)
class Sample:
    """What was read at `at_s` (monotonic seconds); None = not answered. rpm, km/h, degC, V, %."""

    at_s: float
    engine_rpm: float | None = None
    speed_kmh: float | None = None
    coolant_c: float | None = None
    ambient_c: float | None = None
    barometric_kpa: float | None = None
    fuel_pct: float | None = None
    module_v: float | None = None
    pedal_pct: float | None = None


_FIELDS = {
    0x0C: "engine_rpm",
    0x0D: "speed_kmh",
    0x05: "coolant_c",
    0x42: "module_v",
    0x5A: "pedal_pct",
    0x46: "ambient_c",
    0x2F: "fuel_pct",
    0x33: "barometric_kpa",
}
_FAST, _SLOW, _FEWEST = (0x0C, 0x0D, 0x05, 0x42, 0x5A), (0x46, 0x2F, 0x33), (0x0C, 0x0D, 0x05)
# PID 5A, relative accelerator pedal position: A*100/255 % (SAE J1979, from memory)
_PEDAL = Pid("relative accelerator pedal position", "pedal_pct", 1, Scale(times=100, over=255))
_ROWS = {pid: PIDS.get(pid, _PEDAL) for pid in _FIELDS}


class Sampler:
    """Asks one vehicle for samples, as few requests as it allows.

    Up to six PIDs go into one request on CAN (SAE J1979; from memory). Some ECUs refuse that:
    then engine speed, vehicle speed and coolant are asked one by one, to stay within a second.
    """

    def __init__(self, ask: Ask, supported: Collection[int] = ()) -> None:
        """`supported` are the PIDs of the vehicle; without them all are asked."""
        self._ask = ask
        self._fast = bytes(pid for pid in _FAST if not supported or pid in supported)
        self._slow = bytes(pid for pid in _SLOW if not supported or pid in supported)
        self._together: bool | None = None
        self._slow_due_s = float("-inf")

    def sample(self, at_s: float) -> Sample | None:
        """Ask for one sample at `at_s`; None when no ECU answered at all."""
        answers = self._fast_answers()
        if not answers:
            return None
        if self._slow and at_s >= self._slow_due_s:
            self._slow_due_s = at_s + SLOW_EVERY_S
            answers += self._round((self._slow,) if self._together else _singles(self._slow))
        values: dict[str, float] = {}
        for answer in answers:
            for pid, data in _split(answer).items():
                values.setdefault(_FIELDS[pid], float(decode_value(_ROWS[pid], data)))
        return Sample(at_s, **values)

    def _fast_answers(self) -> list[bytes]:
        if self._together is not False:
            answers = self._round((self._fast or bytes(_FEWEST),))
            if answers or self._together:
                self._together = True
                return answers
        # A vehicle that is silent to everything is not known to refuse.
        answers = self._round(_singles(_FEWEST))
        if answers:
            self._together = False
        return answers

    def _round(self, groups: Iterable[bytes]) -> list[bytes]:
        return [a for pids in groups for a in self._ask(b"\x01" + pids).values()]


def _singles(pids: Iterable[int]) -> Iterable[bytes]:
    return (bytes((pid,)) for pid in pids)


def _split(answer: bytes) -> dict[int, bytes]:
    """`41 (<pid> <data>)...`: from a PID on that was not asked for, nothing is believed."""
    found: dict[int, bytes] = {}
    at = 1
    while answer[:1] == b"\x41" and at < len(answer) and answer[at] in _FIELDS:
        pid, width = answer[at], _ROWS[answer[at]].width
        data = answer[at + 1 : at + 1 + width]
        if len(data) < width:
            break
        found[pid] = data
        at += 1 + width
    return found


@dataclass(slots=True)
class CycleTotals:
    """The running sums of one driving cycle that began at `started_s` (monotonic seconds).

    `start_seen` is False where the ignition may have been on for some time before `started_s`;
    of that, `before_s` is known from the ECU.
    """

    started_s: float
    ignition: Ignition = Ignition.SPARK
    start_seen: bool = True
    before_s: float = 0.0
    unobserved_s: float = 0.0
    last: Sample | None = None
    active_s: float | None = None
    engine_s: float = 0.0
    engine_known: bool = False
    km: float | None = None
    brisk_s: float | None = None
    idle_s: float = 0.0
    longest_idle_s: float | None = None
    pedal_known: bool = False
    seen: dict[str, float] = field(default_factory=dict)

    def add(self, sample: Sample) -> None:
        """Take one sample; raises ValueError when time runs backwards."""
        gap = sample.at_s - (self.started_s if self.last is None else self.last.at_s)
        if gap < 0:
            raise ValueError(f"sample: at {sample.at_s} s, expected not before the last one")
        if self.active_s is None and (_running(sample) or (sample.speed_kmh or 0) > IDLE_KMH):
            self.active_s = sample.at_s
        # The state of the earlier sample holds until this one, unless the gap is too long.
        if gap > LONGEST_GAP_S:
            self.unobserved_s += gap
            self.idle_s = 0.0
        elif self.last is not None:
            self._add_interval(self.last, sample, gap)
        self._note(sample)
        self.last = sample

    def shifted(self, by_s: float) -> CycleTotals:
        """The same sums on a clock that shows so many seconds more."""
        last = None if self.last is None else replace(self.last, at_s=self.last.at_s + by_s)
        active_s = None if self.active_s is None else self.active_s + by_s
        return replace(self, started_s=self.started_s + by_s, active_s=active_s, last=last)

    def split_due(self, now_s: float) -> bool:
        """Whether 4 h have passed since the engine or propulsion first worked in this cycle.

        An engine that a hybrid stops in between does not start the four hours again; a vehicle
        left with the ignition on and nothing running is not split.
        """
        return self.active_s is not None and now_s - self.active_s >= SPLIT_S

    def _add_interval(self, before: Sample, after: Sample, gap: float) -> None:
        self.engine_s += gap if _running(before) else 0.0
        if before.speed_kmh is None:
            self.idle_s = 0.0
            return
        ended_at = before.speed_kmh if after.speed_kmh is None else after.speed_kmh
        self.km = (self.km or 0.0) + (before.speed_kmh + ended_at) / 2 * gap / 3600
        self.brisk_s = (self.brisk_s or 0.0) + (gap if before.speed_kmh >= BRISK_KMH else 0.0)
        self.idle_s = self.idle_s + gap if self._idles(before) else 0.0
        self.longest_idle_s = max(self.longest_idle_s or 0.0, self.idle_s)

    def _idles(self, sample: Sample) -> bool:
        """Standing, pedal released; with the engine stopped only once the vehicle was under way.

        So a hybrid at a red light idles, and an ignition switched on without a start does not.
        """
        under_way = self.active_s is not None and sample.at_s >= self.active_s
        released = sample.pedal_pct is None or sample.pedal_pct <= PEDAL_RELEASED_PCT
        stands = sample.speed_kmh is not None and sample.speed_kmh <= IDLE_KMH
        return under_way and released and stands

    def _note(self, sample: Sample) -> None:
        seen = self.seen
        self.engine_known = self.engine_known or sample.engine_rpm is not None
        self.pedal_known = self.pedal_known or sample.pedal_pct is not None
        if sample.coolant_c is not None:
            seen.setdefault("coolant_start_c", sample.coolant_c)
            seen["coolant_peak_c"] = max(seen.get("coolant_peak_c", -1e9), sample.coolant_c)
        if sample.ambient_c is not None:
            seen.setdefault("ambient_c", sample.ambient_c)
        if sample.barometric_kpa is not None:
            seen.setdefault("barometric_kpa", sample.barometric_kpa)
        if sample.fuel_pct is not None:
            seen.setdefault("fuel_start_pct", sample.fuel_pct)
            seen["fuel_end_pct"] = sample.fuel_pct
        if sample.module_v is not None:
            seen["lowest_v"] = min(seen.get("lowest_v", 1e9), sample.module_v)

    def finish(
        self,
        ended_s: float,
        ended_at: datetime,
        soak_s: float | None = None,
        *,
        monitors_completed: Sequence[Monitor] | None = None,
        denominator_moved: bool | None = None,
        split: bool = False,
    ) -> contract.DrivingCycle:
        """The summary, ended at `ended_s` (monotonic) which was `ended_at` by the wall clock.

        `soak_s` is the time the vehicle stood before this cycle, `monitors_completed` and
        `denominator_moved` compare its end with its start; None when unknown. Values that no
        sample held are left out and named in `not_given`.
        """
        length = self.before_s + max(0.0, ended_s - self.started_s)
        known: dict[str, Any] = {
            "distance_km": self.km,
            "seconds_at_or_above_40_kmh": self.brisk_s,
            "longest_idle_s": self.longest_idle_s,
            "warm_up": self._warm_up(),
            "soak_s": soak_s,
            "denominator_moved": denominator_moved,
            **self.seen,
        }
        if not self.start_seen:
            known = {name: value for name, value in known.items() if name not in _OF_START}
        held: dict[str, Any] = {k: _tidy(v) for k, v in known.items() if v is not None}
        if monitors_completed is not None:
            held["monitors_completed"] = list(monitors_completed)
        return contract.DrivingCycle(
            started_at=contract.format_time(ended_at - timedelta(seconds=length)),
            ended_at=contract.format_time(ended_at),
            propulsion_on_s=round(length, 3),
            engine_on_s=round(self.engine_s, 3),
            unobserved_s=self._unobserved(ended_s) or UNSET,
            split=split or UNSET,
            not_given=self._not_given(held) or UNSET,
            **held,
        )

    def _unobserved(self, ended_s: float) -> float:
        tail = ended_s - (self.started_s if self.last is None else self.last.at_s)
        return round(self.before_s + self.unobserved_s + (tail if tail > LONGEST_GAP_S else 0.0), 3)

    def _not_given(self, held: Collection[str]) -> list[str]:
        missing = [name for name in _FIGURES if name not in held]
        if not self.engine_known:
            missing.append("engine_on_s")  # the contract wants a number: 0 that nobody said
        if not self.pedal_known:
            missing.append("accelerator_pedal")
        return missing

    def _warm_up(self) -> bool | None:
        if "coolant_start_c" not in self.seen:
            return None
        peak = self.seen["coolant_peak_c"]
        rise = peak - self.seen["coolant_start_c"]
        return rise >= WARM_UP_RISE_C and peak >= WARM_UP_REACHES_C[self.ignition]


_FIGURES = (
    "distance_km", "seconds_at_or_above_40_kmh", "longest_idle_s", "coolant_start_c",
    "coolant_peak_c", "warm_up", "soak_s", "ambient_c", "barometric_kpa", "fuel_start_pct",
    "fuel_end_pct", "lowest_v", "monitors_completed", "denominator_moved",
)  # fmt: skip
_OF_START = frozenset({"coolant_start_c", "fuel_start_pct", "soak_s", "warm_up"})
"""What only the beginning of a cycle can tell."""


def completed(
    start: Mapping[str, contract.EcuReading], end: Mapping[str, contract.EcuReading]
) -> list[Monitor] | None:
    """The monitors not complete at the start and complete at the end; None when untold.

    A monitor of several ECUs is complete once every one of them says so (SAE J1979; B).
    """
    before, after = _readiness(start), _readiness(end)
    if not before or not after:
        return None
    return [one for one in Monitor if before.get(one) is False and after.get(one) is True]


def _readiness(ecus: Mapping[str, contract.EcuReading]) -> dict[Monitor, bool]:
    found: dict[Monitor, bool] = {}
    for ecu in ecus.values():
        if ecu.monitors is not UNSET:
            for monitor, done in ecu.monitors.items():
                found[monitor] = found.get(monitor, True) and done
    return found


def general_denominators(answers: Mapping[str, bytes]) -> dict[str, int]:
    """The general denominator of each ECU: the first counter of service 09, 08 and 0B (B).

    Layout `49 08|0B <count> <2 bytes>...` (SAE J1979; B); other answers are left out.
    """
    return {
        ecu: int.from_bytes(answer[3:5], "big")
        for ecu, answer in answers.items()
        if len(answer) >= 5 and answer[0] == 0x49 and answer[1] in (0x08, 0x0B) and answer[2] > 0
    }


def moved(start: Mapping[str, int], end: Mapping[str, int]) -> bool | None:
    """Whether a counter of an ECU told at both ends changed; it rolls over to 0 (M)."""
    both = start.keys() & end.keys()
    return any(start[ecu] != end[ecu] for ecu in both) if both else None


def _running(sample: Sample) -> bool:
    return sample.engine_rpm is not None and sample.engine_rpm >= ENGINE_ON_RPM


def _tidy(value: float | bool) -> float | bool:
    return value if isinstance(value, bool) else round(value, 3)
