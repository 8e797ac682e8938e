"""One simulated controller: requests in bytes, answers in bytes.

Written from SAE J1979 as secondary sources print it (B unless noted), apart from the gateway's
own decoder. It knows services 01, 02, 03, 06, 07, 09 and 0A; everything else meets silence, as
an unsupported functional request does (C). Nothing on the bus can clear it: `clear` stands for
what a person does with a tool of their own.
"""

from __future__ import annotations

import random
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field

from fleet_demo import freeze_frame, results
from fleet_demo.faults import COMPRESSION, Fault, code_bytes
from fleet_demo.freeze_frame import FrozenFrame
from fleet_demo.in_use import InUse
from fleet_demo.lamp import CodeMemory
from fleet_demo.monitors import Conditions, Monitor
from fleet_demo.results import BoardResults
from fleet_demo.sensors import (
    ONE_BYTE,
    TWO_BYTES,
    Live,
    Reader,
    engine_sensors,
    plain_sensors,
    sensors_present,
    whole,
)

GASOLINE, DIESEL = 1, 4
"""PID 51 (B)."""
OBD_II = 1
"""PID 1C: OBD II as California certifies it (B)."""
ENGINE_NAME, TRANSMISSION_NAME = b"ECM\0-EngineControl", b"TCM\0-TransmisCtrl"
"""Infotype 0A: four characters, a dash, fifteen more (from memory)."""
PENDING_EVERY = 3
"""A controller busy with its engine asks for patience every third time (assumption)."""
MAX_PIDS = 6
"""Most PIDs one service 01 request may ask on CAN (from memory)."""
_COMPRESSION_BIT = 0x08


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


@dataclass(slots=True)
class Ecu:
    """A controller: its identity, its monitors, its codes and its counters.

    `engine` False = a controller without engine sensors, such as a transmission's; `banks` is 1
    or 2; `late` = its edition of the standard has the later in-use counters; `busy` = it now and
    then answers service 09 with "response pending" first while the engine runs.
    """

    vin: str
    ignition: str
    monitors: tuple[Monitor, ...]
    calibrations: tuple[Calibration, ...]
    rng: random.Random
    engine: bool = True
    tells_odometer: bool = False
    banks: int = 1
    late: bool = True
    busy: bool = False
    memory: CodeMemory = field(default_factory=CodeMemory)
    live: Live = field(default_factory=Live)
    counters: Counters = field(default_factory=Counters)
    faults: dict[str, Fault] = field(default_factory=dict)
    complete: set[str] = field(default_factory=set)
    enabled: set[str] = field(default_factory=set)
    ran: set[str] = field(default_factory=set)
    frame: FrozenFrame = field(default_factory=FrozenFrame)
    results: BoardResults = field(init=False)
    in_use: InUse | None = field(init=False, default=None)
    _slow_asks: int = field(init=False, default=0)
    _sensors: dict[int, Reader] = field(init=False, default_factory=dict)
    _fixed: dict[bytes, bytes] = field(init=False, default_factory=dict)
    _pids: dict[int, Callable[[], bytes]] = field(init=False, default_factory=dict)

    def __post_init__(self) -> None:
        """Lay out what never changes, once."""
        fitted = {monitor.name for monitor in self.monitors}
        if self.engine:
            self._sensors = engine_sensors(self.ignition, self.banks)
            self.in_use = InUse(self.ignition, fitted, self.banks, self.late)
        else:
            self._sensors = plain_sensors()
        tests = results.tests_of(self.ignition, fitted, self.banks) if self.engine else ()
        # Dice of its own: what a test measures must not decide whether a monitor runs.
        self.results = BoardResults(tests, random.Random(f"{self.vin}/{self.engine}/results"))
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
        if service == 2:
            return self.frame.answer(request, self._fixed)
        if size != 1:
            return self._by_identifier(service, request[1]) if size == 2 else None
        if service == 3:
            return self._codes(0x43, self.memory.confirmed())
        if service == 7:
            return self._codes(0x47, self.memory.pending())
        if service == 0x0A and self.memory.keeps_permanent:
            return self._codes(0x4A, list(self.memory.permanent))
        return None

    def answers(self, request: bytes) -> list[bytes]:
        """Return all that goes on the bus for one request, in order; empty = silence.

        Two answers only from a busy controller: 7F 09 78 asks for patience (C), the other one
        follows after a pause.
        """
        answer = self.answer(request)
        if answer is None:
            return []
        if self.busy and request[0] == 9 and self.live.rpm:
            self._slow_asks += 1
            if self._slow_asks % PENDING_EVERY == 1:
                return [b"\x7f\x09\x78", answer]
        return [answer]

    def _by_identifier(self, service: int, identifier: int) -> bytes | None:
        if service == 6:
            return self.results.answer(identifier)
        if service == 9 and self.in_use is not None and identifier == self.in_use.infotype:
            return self.in_use.answer()
        return None

    def _current_data(self, request: bytes) -> bytes | None:
        parts = [b"\x41"]
        for pid in request[1:]:
            read = self._pids.get(pid)
            if read is not None:
                parts += (bytes((pid,)), read())
                continue
            fixed = self._fixed.get(bytes((1, pid)))
            if fixed is not None:
                parts.append(fixed[1:])
        return b"".join(parts) if len(parts) > 1 else None

    @staticmethod
    def _codes(service: int, codes: Sequence[str]) -> bytes:
        held = codes[:ONE_BYTE]
        return bytes((service, len(held))) + b"".join(code_bytes(code) for code in held)

    def _lay_out_bitmaps(self) -> None:
        fixed = ([0x13] if self._mixes() else []) + ([0x1C, 0x51] if self.engine else [])
        self._bitmaps(b"\x01", [*self._pids, *fixed])
        self._bitmaps(b"\x02", freeze_frame.identifiers(self._sensors), frame=b"\0")
        if self.results.tests:
            self._bitmaps(b"\x06", self.results.identifiers())
        if self._mixes():
            self._fixed[b"\x01\x13"] = b"\x41\x13" + sensors_present(self.banks)
        if self.engine:
            self._fixed[b"\x01\x1c"] = bytes((0x41, 0x1C, OBD_II))
            fuel = DIESEL if self.ignition == COMPRESSION else GASOLINE
            self._fixed[b"\x01\x51"] = bytes((0x41, 0x51, fuel))

    def _mixes(self) -> bool:
        """True for an engine whose mixture follows oxygen sensors."""
        return self.engine and self.ignition != COMPRESSION

    def _bitmaps(self, service: bytes, identifiers: Sequence[int], frame: bytes = b"") -> None:
        """Lay out every support bitmap up to the last identifier; `frame` = of service 02."""
        last = max(identifiers)
        for base in range(0x00, 0x100, 0x20):
            if base == 0 or last > base:
                head = bytes((base,)) + frame
                positive = bytes((service[0] | 0x40,))
                self._fixed[service + head] = positive + head + _bitmap(identifiers, base)

    def _lay_out_identity(self) -> None:
        count = bytes((len(self.calibrations),))
        names = b"".join(c.name.encode("ascii").ljust(16, b"\0")[:16] for c in self.calibrations)
        numbers = b"".join(calibration.verification for calibration in self.calibrations)
        items = [0x04, 0x06, 0x0A]
        if self.engine:
            items.insert(0, 0x02)
            self._fixed[b"\x09\x02"] = b"\x49\x02\x01" + self.vin.encode("ascii")
        if self.in_use is not None:
            items.append(self.in_use.infotype)
        self._bitmaps(b"\x09", items)
        self._fixed[b"\x09\x04"] = b"\x49\x04" + count + names
        self._fixed[b"\x09\x06"] = b"\x49\x06" + count + numbers
        name = ENGINE_NAME if self.engine else TRANSMISSION_NAME
        self._fixed[b"\x09\x0a"] = b"\x49\x0a\x01" + name.ljust(20, b"\0")

    def _plain_pids(self) -> dict[int, Callable[[], bytes]]:
        return {
            0x01: self._since_clear,
            0x41: self._this_cycle,
            **{pid: self._sensed(read) for pid, read in self._sensors.items()},
        }

    def _engine_pids(self) -> dict[int, Callable[[], bytes]]:
        pids: dict[int, Callable[[], bytes]] = {
            **self._plain_pids(),
            0x21: lambda: whole(self.counters.lamp_km, TWO_BYTES).to_bytes(2, "big"),
            0x30: lambda: bytes((whole(self.counters.warm_ups, ONE_BYTE),)),
            0x31: lambda: whole(self.counters.distance_km, TWO_BYTES).to_bytes(2, "big"),
            0x4D: lambda: whole(self.counters.lamp_minutes, TWO_BYTES).to_bytes(2, "big"),
            0x4E: lambda: whole(self.counters.minutes, TWO_BYTES).to_bytes(2, "big"),
        }
        if self.tells_odometer:
            pids[0xA6] = lambda: int(self.live.odometer_km * 10).to_bytes(4, "big")
        return pids

    def _sensed(self, read: Reader) -> Callable[[], bytes]:
        return lambda: read(self.live, self.faults)

    def _capture(self) -> dict[int, bytes]:
        """Read every sensor for a freeze frame."""
        return {pid: read(self.live, self.faults) for pid, read in self._sensors.items()}

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
        """Key off: run the monitors, then results, codes and lamp, frame and counters.

        The sensors still read as they did on the road: a freeze frame is taken from them.
        """
        lamp_before = self.memory.lamp_on()
        blocked, before = self._blocked(), set(self.memory.codes)
        self.ran = {m.name for m in self.monitors if self._runs(m, end.conditions)}
        self.complete |= self.ran
        self.memory.end_cycle(
            {m.name: m.continuous for m in self.monitors if m.name in self.ran},
            [(f.code, f.monitor) for f in self.faults.values() if f.monitor in self.ran],
            warm_up=end.warm_up,
            counted=end.conditions.counted(),
        )
        self.results.end_cycle(self.ran, self.faults.keys())
        if self.in_use is not None:
            self.in_use.end_cycle(end.conditions, self.ran, blocked)
        if before or self.memory.codes:
            codes = {state.code: state.monitor for state in self.memory.codes.values()}
            self.frame.settle(codes, [c for c in codes if c not in before], self._capture)
        self._count(end, lamp_before=lamp_before)

    def clear(self) -> None:
        """What a tool's clear or a lost battery does: readiness, codes and counters go (C).

        So do the freeze frame and the test results (C); the in-use counters stay (from memory).
        """
        self.memory.clear()
        self.frame.clear()
        self.results.clear()
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
