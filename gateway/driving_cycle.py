"""One driving cycle, summed up from samples taken about once a second (pure).

It starts and ends with the ignition or propulsion system, not with the engine.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from typing import Any

from gateway import contract
from gateway.facts import Ignition
from gateway.protocol.decode import decode_value
from gateway.protocol.tables import PIDS

ENGINE_ON_RPM = 400.0
"""At or above it the engine runs on its own (common practice, no source)."""
IDLE_KMH = 1.6
"""Vehicle speed of idle: at most 1 mph (13 CCR 1968.2(d)(4), from memory)."""
BRISK_KMH = 40.0
"""25 mph in round metric numbers (13 CCR 1968.2(d)(4), from memory)."""
WARM_UP_RISE_C = 22.0
"""Coolant rise of a warm-up cycle, 40 degF (workshop manual definition; B)."""
WARM_UP_REACHES_C = {Ignition.SPARK: 71.0, Ignition.COMPRESSION: 60.0}
"""Coolant that a warm-up cycle must reach: 160 degF (B); diesel 140 degF (from memory)."""
LONGEST_GAP_S = 5.0
"""Two samples further apart say nothing of the time between (common practice, no source)."""


@dataclass(frozen=True, slots=True)
class Sample:
    """What was read at `at_s` (monotonic seconds); None = not answered. rpm, km/h, degC, V."""

    at_s: float
    engine_rpm: float | None = None
    speed_kmh: float | None = None
    coolant_c: float | None = None
    ambient_c: float | None = None
    barometric_kpa: float | None = None
    fuel_pct: float | None = None
    module_v: float | None = None


_FIELDS = {
    0x0C: "engine_rpm",
    0x0D: "speed_kmh",
    0x05: "coolant_c",
    0x42: "module_v",
    0x46: "ambient_c",
    0x2F: "fuel_pct",
}
_TOGETHER = bytes((0x01, *_FIELDS))
"""Up to six PIDs in one request on CAN (SAE J1979; from memory)."""


def read_sample(ask: Callable[[bytes], Mapping[str, bytes]], at_s: float) -> Sample | None:
    """Ask for one sample; None when no ECU answered at all.

    An ECU may refuse several PIDs in one request: then engine speed, vehicle speed and coolant
    are asked one by one, to stay within a second.
    """
    answers = list(ask(_TOGETHER).values())
    if not answers:
        for pid in (0x0C, 0x0D, 0x05):
            answers += ask(bytes((0x01, pid))).values()
    if not answers:
        return None
    values: dict[str, float] = {}
    for answer in answers:
        for pid, data in _split(answer).items():
            values.setdefault(_FIELDS[pid], float(decode_value(PIDS[pid], data)))
    return Sample(at_s, **values)


def _split(answer: bytes) -> dict[int, bytes]:
    """`41 (<pid> <data>)...`: from a PID on that was not asked for, nothing is believed."""
    found: dict[int, bytes] = {}
    at = 1
    while answer[:1] == b"\x41" and at < len(answer) and answer[at] in _FIELDS:
        pid, width = answer[at], PIDS[answer[at]].width
        data = answer[at + 1 : at + 1 + width]
        if len(data) < width:
            break
        found[pid] = data
        at += 1 + width
    return found


@dataclass(slots=True)
class CycleTotals:
    """The running sums of one driving cycle that began at `started_s` (monotonic seconds)."""

    started_s: float
    ignition: Ignition = Ignition.SPARK
    _last: Sample | None = None
    _engine_s: float = 0.0
    _km: float | None = None
    _brisk_s: float | None = None
    _idle_s: float = 0.0
    _longest_idle_s: float | None = None
    _seen: dict[str, float] = field(default_factory=dict)

    def add(self, sample: Sample) -> None:
        """Take one sample; raises ValueError when time runs backwards."""
        gap = sample.at_s - (self.started_s if self._last is None else self._last.at_s)
        if gap < 0:
            raise ValueError(f"sample: at {sample.at_s} s, expected not before the last one")
        # The state of the earlier sample holds until this one, unless the gap is too long.
        if self._last is not None and gap <= LONGEST_GAP_S:
            self._add_interval(self._last, sample, gap)
        else:
            self._idle_s = 0.0
        self._note(sample)
        self._last = sample

    def _add_interval(self, before: Sample, after: Sample, gap: float) -> None:
        running = before.engine_rpm is not None and before.engine_rpm >= ENGINE_ON_RPM
        self._engine_s += gap if running else 0.0
        if before.speed_kmh is None:
            self._idle_s = 0.0
            return
        ended_at = before.speed_kmh if after.speed_kmh is None else after.speed_kmh
        self._km = (self._km or 0.0) + (before.speed_kmh + ended_at) / 2 * gap / 3600
        self._brisk_s = (self._brisk_s or 0.0) + (gap if before.speed_kmh >= BRISK_KMH else 0.0)
        self._idle_s = self._idle_s + gap if running and before.speed_kmh <= IDLE_KMH else 0.0
        self._longest_idle_s = max(self._longest_idle_s or 0.0, self._idle_s)

    def _note(self, sample: Sample) -> None:
        seen = self._seen
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
        self, ended_s: float, ended_at: datetime, soak_s: float | None = None
    ) -> contract.DrivingCycle:
        """The summary, ended at `ended_s` (monotonic) which was `ended_at` by the wall clock.

        `soak_s` is the time the vehicle stood before this cycle, None when unknown. Values
        that no sample held are left out.
        """
        length = max(0.0, ended_s - self.started_s)
        known: dict[str, Any] = {
            "distance_km": self._km,
            "seconds_at_or_above_40_kmh": self._brisk_s,
            "longest_idle_s": self._longest_idle_s,
            "warm_up": self._warm_up(),
            "soak_s": soak_s,
            **self._seen,
        }
        held: dict[str, Any] = {k: _tidy(v) for k, v in known.items() if v is not None}
        return contract.DrivingCycle(
            started_at=contract.format_time(ended_at - timedelta(seconds=length)),
            ended_at=contract.format_time(ended_at),
            propulsion_on_s=length,
            engine_on_s=self._engine_s,
            **held,
        )

    def _warm_up(self) -> bool | None:
        if "coolant_start_c" not in self._seen:
            return None
        peak = self._seen["coolant_peak_c"]
        rise = peak - self._seen["coolant_start_c"]
        return rise >= WARM_UP_RISE_C and peak >= WARM_UP_REACHES_C[self.ignition]


def _tidy(value: float | bool) -> float | bool:
    return value if isinstance(value, bool) else round(value, 3)
