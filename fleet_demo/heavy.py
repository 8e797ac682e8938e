"""The controller of a simulated heavy truck: it broadcasts, and answers no request.

SAE J1939-73 DM1 (A, an older edition quoted in public), transport protocol BAM (C); the groups of
engine speed, road speed and coolant from memory. Nothing here is asked for: a listener hears it.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field

from fleet_demo.sensors import Live, whole
from fleet_demo.traffic import Broadcast

DM1, BAM_CONTROL, BAM_DATA = 0xFECA, 0xECFF, 0xEBFF
"""Parameter group numbers; the last two with the global address FF in place."""
ENGINE_SPEED, ROAD_SPEED, COOLANT = 0xF004, 0xFEF1, 0xFEEE
BAM_GAP_S = 0.06
"""Between packets 50 to 200 ms (C)."""
BAM, PACKET_BYTES, FILLER = 0x20, 7, 0xFF
LAMPS = {"protect": 0, "warning": 2, "stop": 4, "malfunction": 6}
"""Lowest bit of each lamp's pair; 01 = on (A)."""
NO_FLASH = 0xFF
"""Second byte: 11 everywhere = do not flash, or not available (C)."""


@dataclass(frozen=True, slots=True)
class SpnFault:
    """One active code: SPN, FMI, and the lamps it asks for."""

    spn: int
    fmi: int
    lamps: tuple[str, ...]


SPN_FAULTS: dict[str, SpnFault] = {
    "3251/2": SpnFault(3251, 2, ("malfunction", "warning")),  # particulate filter pressure
    "100/17": SpnFault(100, 17, ("warning",)),  # engine oil pressure a little low
    "110/16": SpnFault(110, 16, ("warning",)),  # engine coolant too hot
}
"""Meanings from memory of SAE J1939; which lamp they ask for is invented."""


@dataclass(slots=True)
class HeavyController:
    """An engine controller at `source`. `active` maps a fault's name to its occurrence count."""

    source: int = 0x00
    active: dict[str, int] = field(default_factory=dict)

    def fail(self, name: str) -> None:
        """The part behind SPN/FMI `name` is faulty from now on. Unknown: KeyError."""
        SPN_FAULTS[name]
        self.active[name] = min(126, self.active.get(name, 0) + 1)

    def repair(self, name: str) -> None:
        """The part is good again: the code is active no more."""
        self.active.pop(name, None)

    def lamp_on(self) -> bool:
        """True while an active code asks for the malfunction lamp."""
        return any("malfunction" in SPN_FAULTS[name].lamps for name in self.active)

    def dm1(self) -> bytes:
        """Return the lamps and the active codes, 8 bytes or, from the second code on, more."""
        lamps = 0
        for name in self.active:
            for lamp in SPN_FAULTS[name].lamps:
                lamps |= 1 << LAMPS[lamp]
        # No code: SPN 0 FMI 0 (from memory)
        codes = b"".join(self._code(name) for name in self.active) or bytes(4)
        return (bytes((lamps, NO_FLASH)) + codes).ljust(8, bytes((FILLER,)))

    def _code(self, name: str) -> bytes:
        fault = SPN_FAULTS[name]
        high = (fault.spn >> 16) << 5 | fault.fmi
        return bytes((fault.spn & 0xFF, fault.spn >> 8 & 0xFF, high, self.active[name]))

    def beat(self, live: Live) -> Iterator[Broadcast]:
        """Yield what is sent within one second, in order of time.

        DM1 comes once a second while a code is active (A); this one sends it always.
        """
        speed = whole(live.rpm * 8, 0xFAFF).to_bytes(2, "little")
        road = whole(live.speed_kmh * 256, 0xFAFF).to_bytes(2, "little")
        coolant = bytes((whole(live.coolant_c + 40, 0xFA),))
        yield Broadcast(0.0, self._id(3, ENGINE_SPEED), b"\xff\xff\xff" + speed + b"\xff" * 3)
        yield Broadcast(0.02, self._id(6, ROAD_SPEED), b"\xff" + road + b"\xff" * 5)
        yield Broadcast(0.04, self._id(6, COOLANT), coolant + b"\xff" * 7)
        yield from self._diagnostic(0.1)
        yield Broadcast(0.5, self._id(3, ENGINE_SPEED), b"\xff\xff\xff" + speed + b"\xff" * 3)

    def _diagnostic(self, at: float) -> Iterator[Broadcast]:
        payload = self.dm1()
        if len(payload) <= 8:
            yield Broadcast(at, self._id(6, DM1), payload)
            return
        packets = -(-len(payload) // PACKET_BYTES)
        head = bytes((BAM,)) + len(payload).to_bytes(2, "little") + bytes((packets, FILLER))
        yield Broadcast(at, self._id(6, BAM_CONTROL), head + DM1.to_bytes(3, "little"))
        for number in range(1, packets + 1):
            part = payload[PACKET_BYTES * (number - 1) : PACKET_BYTES * number]
            data = bytes((number,)) + part.ljust(PACKET_BYTES, bytes((FILLER,)))
            yield Broadcast(at + BAM_GAP_S * number, self._id(6, BAM_DATA), data)

    def _id(self, priority: int, group: int) -> int:
        return priority << 26 | group << 8 | self.source
