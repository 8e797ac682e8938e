"""One simulated controller: requests in bytes, answers in bytes.

Written from SAE J1979 as secondary sources print it (B unless noted), apart from the gateway's
own decoder. It knows services 01, 03, 07, 09 and 0A; everything else meets silence, as an
unsupported functional request does (C). Nothing on the bus can clear it: `clear` stands for
what a person does with a tool of their own.
"""

from __future__ import annotations

import random
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field

from fleet_demo.faults import COMPRESSION, Fault, code_bytes
from fleet_demo.lamp import CodeMemory
from fleet_demo.monitors import Conditions, Monitor

GASOLINE, DIESEL = 1, 4
"""PID 51 (B)."""
OBD_II = 1
"""PID 1C: OBD II as California certifies it (B)."""
ONE_BYTE, TWO_BYTES = 0xFF, 0xFFFF
MAX_PIDS = 6
"""Most PIDs one service 01 request may ask on CAN (from memory)."""
_COMPRESSION_BIT = 0x08


@dataclass(slots=True)
class Live:
    """What the sensors read while the key is on. km/h, rpm, degC, s, %, kPa, V, km."""

    rpm: float = 0.0
    speed_kmh: float = 0.0
    coolant_c: float = 20.0
    intake_c: float = 20.0
    ambient_c: float = 20.0
    run_s: float = 0.0
    fuel_pct: float = 60.0
    baro_kpa: float = 101.0
    module_v: float = 12.4
    odometer_km: float = 0.0


@dataclass(slots=True)
class Counters:
    """Since the last clear, and with the lamp on. They saturate when read (from memory)."""

    warm_ups: int = 0
    distance_km: float = 0.0
    minutes: float = 0.0
    lamp_km: float = 0.0
    lamp_minutes: float = 0.0


@dataclass(frozen=True, slots=True)
class Calibration:
    """Software of one controller: up to 16 characters, and its four-byte verification number."""

    name: str
    verification: bytes


@dataclass(frozen=True, slots=True)
class CycleEnd:
    """What a controller learns at key off. `warm_up` as the engine controller judges it."""

    conditions: Conditions
    distance_km: float
    warm_up: bool


def _bitmap(identifiers: Sequence[int], base: int) -> bytes:
    """Four support bytes: the first identifier after `base` is the highest bit (B)."""
    word = 0
    for identifier in identifiers:
        if base < identifier <= base + 32:
            word |= 1 << (32 - (identifier - base))
    if any(identifier > base + 32 for identifier in identifiers):
        word |= 1
    return word.to_bytes(4, "big")


def _whole(value: float, top: int) -> int:
    return max(0, min(top, int(value)))


@dataclass(slots=True)
class Ecu:
    """A controller: its identity, its monitors, its codes and its counters.

    `engine` False = a controller without engine sensors, such as a transmission's.
    """

    vin: str
    ignition: str
    monitors: tuple[Monitor, ...]
    calibrations: tuple[Calibration, ...]
    rng: random.Random
    engine: bool = True
    tells_odometer: bool = False
    memory: CodeMemory = field(default_factory=CodeMemory)
    live: Live = field(default_factory=Live)
    counters: Counters = field(default_factory=Counters)
    faults: dict[str, Fault] = field(default_factory=dict)
    complete: set[str] = field(default_factory=set)
    enabled: set[str] = field(default_factory=set)
    ran: set[str] = field(default_factory=set)
    _fixed: dict[bytes, bytes] = field(init=False, default_factory=dict)
    _pids: dict[int, Callable[[], bytes]] = field(init=False, default_factory=dict)

    def __post_init__(self) -> None:
        """Lay out what never changes, once."""
        self._pids = self._engine_pids() if self.engine else self._plain_pids()
        self._lay_out_bitmaps()
        self._lay_out_identity()

    # ------------------------------------------------------------------------------ the bus

    def answer(self, request: bytes) -> bytes | None:
        """Answer one request without its transport bytes; None = silence."""
        fixed = self._fixed.get(request)
        if fixed is not None:
            return fixed
        size = len(request)
        if size == 0:
            return None
        service = request[0]
        if service == 1 and 1 < size <= 1 + MAX_PIDS:
            return self._current_data(request)
        if size != 1:
            return None
        if service == 3:
            return self._codes(0x43, self.memory.confirmed())
        if service == 7:
            return self._codes(0x47, self.memory.pending())
        if service == 0x0A and self.memory.keeps_permanent:
            return self._codes(0x4A, list(self.memory.permanent))
        return None

    def _current_data(self, request: bytes) -> bytes | None:
        parts = [b"\x41"]
        for pid in request[1:]:
            fixed = self._fixed.get(bytes((1, pid)))
            if fixed is not None:
                parts.append(fixed[1:])
                continue
            read = self._pids.get(pid)
            if read is not None:
                parts += (bytes((pid,)), read())
        return b"".join(parts) if len(parts) > 1 else None

    @staticmethod
    def _codes(service: int, codes: Sequence[str]) -> bytes:
        held = codes[:ONE_BYTE]
        return bytes((service, len(held))) + b"".join(code_bytes(code) for code in held)

    def _lay_out_bitmaps(self) -> None:
        pids = sorted([*self._pids, *([0x1C, 0x51] if self.engine else [])])
        for base in (0x00, 0x20, 0x40, 0x60, 0x80, 0xA0):
            if base == 0 or pids[-1] > base:
                self._fixed[bytes((1, base))] = bytes((0x41, base)) + _bitmap(pids, base)
        if self.engine:
            self._fixed[b"\x01\x1c"] = bytes((0x41, 0x1C, OBD_II))
            fuel = DIESEL if self.ignition == COMPRESSION else GASOLINE
            self._fixed[b"\x01\x51"] = bytes((0x41, 0x51, fuel))

    def _lay_out_identity(self) -> None:
        count = bytes((len(self.calibrations),))
        names = b"".join(c.name.encode("ascii").ljust(16, b"\0")[:16] for c in self.calibrations)
        numbers = b"".join(calibration.verification for calibration in self.calibrations)
        items = [0x04, 0x06]
        if self.engine:
            items.insert(0, 0x02)
            self._fixed[b"\x09\x02"] = b"\x49\x02\x01" + self.vin.encode("ascii")
        self._fixed[b"\x09\x00"] = b"\x49\x00" + _bitmap(items, 0)
        self._fixed[b"\x09\x04"] = b"\x49\x04" + count + names
        self._fixed[b"\x09\x06"] = b"\x49\x06" + count + numbers

    def _plain_pids(self) -> dict[int, Callable[[], bytes]]:
        return {0x01: self._since_clear, 0x41: self._this_cycle, 0x42: self._module_v}

    def _engine_pids(self) -> dict[int, Callable[[], bytes]]:
        pids: dict[int, Callable[[], bytes]] = {
            **self._plain_pids(),
            0x05: lambda: self._degrees(self.live.coolant_c),
            0x0C: lambda: _whole(self.live.rpm * 4, TWO_BYTES).to_bytes(2, "big"),
            0x0D: lambda: bytes((_whole(self.live.speed_kmh, ONE_BYTE),)),
            0x0F: lambda: self._degrees(self.live.intake_c),
            0x1F: lambda: _whole(self.live.run_s, TWO_BYTES).to_bytes(2, "big"),
            0x21: lambda: _whole(self.counters.lamp_km, TWO_BYTES).to_bytes(2, "big"),
            0x2F: lambda: bytes((_whole(self.live.fuel_pct * 255 / 100 + 0.5, ONE_BYTE),)),
            0x30: lambda: bytes((_whole(self.counters.warm_ups, ONE_BYTE),)),
            0x31: lambda: _whole(self.counters.distance_km, TWO_BYTES).to_bytes(2, "big"),
            0x33: lambda: bytes((_whole(self.live.baro_kpa, ONE_BYTE),)),
            0x46: lambda: self._degrees(self.live.ambient_c),
            0x4D: lambda: _whole(self.counters.lamp_minutes, TWO_BYTES).to_bytes(2, "big"),
            0x4E: lambda: _whole(self.counters.minutes, TWO_BYTES).to_bytes(2, "big"),
        }
        if self.tells_odometer:
            pids[0xA6] = lambda: int(self.live.odometer_km * 10).to_bytes(4, "big")
        return pids

    @staticmethod
    def _degrees(value: float) -> bytes:
        return bytes((_whole(round(value) + 40, ONE_BYTE),))

    def _module_v(self) -> bytes:
        return _whole(round(self.live.module_v * 1000), TWO_BYTES).to_bytes(2, "big")

    def _since_clear(self) -> bytes:
        """PID 01: lamp and count, then support and 1 = not complete."""
        first = min(127, len(self.memory.confirmed())) | (0x80 if self.memory.lamp_on() else 0)
        supported = {monitor.name for monitor in self.monitors}
        return bytes((first,)) + self._bits(supported, self.complete)

    def _this_cycle(self) -> bytes:
        """PID 41: 0, then enabled for the rest of this cycle and 1 = has not run yet (C)."""
        return b"\0" + self._bits(self.enabled | self.ran, self.ran)

    def _bits(self, shown: set[str], done: set[str]) -> bytes:
        middle = _COMPRESSION_BIT if self.ignition == COMPRESSION else 0
        support = missing = 0
        for monitor in self.monitors:
            if monitor.name not in shown:
                continue
            open_bit = monitor.name not in done
            if monitor.byte == "B":
                middle |= 1 << monitor.bit | (0x10 << monitor.bit if open_bit else 0)
            else:
                support |= 1 << monitor.bit
                missing |= 1 << monitor.bit if open_bit else 0
        return bytes((middle, support, missing))

    # ---------------------------------------------------------------------- what happens to it

    def begin_cycle(self, conditions: Conditions) -> None:
        """Key on: which monitors this driving cycle can still run."""
        blocked = self._blocked()
        self.ran = set()
        self.enabled = {
            monitor.name
            for monitor in self.monitors
            if monitor.name not in blocked and monitor.possible(conditions)
        }

    def end_cycle(self, end: CycleEnd) -> None:
        """Key off: run the monitors, then the codes and the lamp, then the counters."""
        lamp_before = self.memory.lamp_on()
        self.ran = {m.name for m in self.monitors if self._runs(m, end.conditions)}
        self.complete |= self.ran
        self.memory.end_cycle(
            {m.name: m.continuous for m in self.monitors if m.name in self.ran},
            [(f.code, f.monitor) for f in self.faults.values() if f.monitor in self.ran],
            warm_up=end.warm_up,
            counted=end.conditions.counted(),
        )
        self._count(end, lamp_before=lamp_before)

    def clear(self) -> None:
        """What a tool's clear or a lost battery does: readiness, codes and counters go (C)."""
        self.memory.clear()
        self.complete = {m.name for m in self.monitors if m.continuous}
        self.ran = set()
        self.counters = Counters()

    def _runs(self, monitor: Monitor, conditions: Conditions) -> bool:
        if monitor.name not in self.enabled or not monitor.qualifies(conditions):
            return False
        # A failing part shows in the first qualifying cycle: a simplification of the demo.
        failing = any(fault.monitor == monitor.name for fault in self.faults.values())
        return failing or self.rng.random() < monitor.chance

    def _blocked(self) -> set[str]:
        standing = self.memory.codes.keys() & self.faults.keys()
        return {name for code in standing for name in self.faults[code].blocks}

    def _count(self, end: CycleEnd, *, lamp_before: bool) -> None:
        counters = self.counters
        minutes = end.conditions.engine_on_s / 60
        counters.warm_ups = min(ONE_BYTE, counters.warm_ups + end.warm_up)
        counters.distance_km += end.distance_km
        counters.minutes += minutes
        if lamp_before:
            counters.lamp_km += end.distance_km
            counters.lamp_minutes += minutes
        elif self.memory.lamp_on():  # counted anew each time the lamp comes on (from memory)
            counters.lamp_km = counters.lamp_minutes = 0.0
