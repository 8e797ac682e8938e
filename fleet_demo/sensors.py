"""What the sensors of a simulated engine read, as the bytes of service 01.

Formulas: SAE J1979 as an encyclopedia prints them (B); PIDs 0E, 13 to 19 and 5E from memory. The
readings follow from engine speed, road speed and coolant: assumptions of the demo, so chosen
that a snapshot hangs together, and that a faulty part shows where a person would look for it.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Container
from dataclasses import dataclass

from fleet_demo.faults import COMPRESSION

ONE_BYTE, TWO_BYTES = 0xFF, 0xFFFF
CLOSED_LOOP_C = 55.0
"""Coolant from which the mixture follows the oxygen sensor (assumption of the demo)."""
FULL_FLOW_GS = 0.038
"""Air in g/s per rpm at full load: about four and a half litres (assumption of the demo)."""
Faults = Container[str]
Reader = Callable[["Live", Faults], bytes]


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

    def load(self) -> float:
        """Share of the torque that is there, in percent; 0 with the engine off."""
        return min(95.0, 18.0 + 0.62 * self.speed_kmh) if self.rpm else 0.0


def whole(value: float, top: int) -> int:
    """Return `value` without its fraction, held between 0 and `top`."""
    return max(0, min(top, int(value)))


def _one(value: float) -> bytes:
    return bytes((whole(round(value), ONE_BYTE),))


def _two(value: float) -> bytes:
    return whole(round(value), TWO_BYTES).to_bytes(2, "big")


def _degrees(value: float) -> bytes:
    return _one(round(value) + 40)


def _percent(value: float) -> bytes:
    return _one(value * 255 / 100)


def _trim(value: float) -> bytes:
    return _one((value + 100) * 128 / 100)


def _closed(live: Live, faults: Faults) -> bool:
    return bool(live.rpm) and live.coolant_c >= CLOSED_LOOP_C and "P0135" not in faults


def _fuel_status(live: Live, faults: Faults) -> bytes:
    """0 engine off, 1 open loop and cold, 2 closed loop, 8 open loop for a fault (B)."""
    if not live.rpm:
        return b"\0\0"
    if "P0135" in faults:
        return b"\x08\0"
    return b"\x02\0" if live.coolant_c >= CLOSED_LOOP_C else b"\x01\0"


def _short_trim(live: Live, faults: Faults) -> float:
    return 2.4 * math.sin(live.run_s * 1.7) if _closed(live, faults) else 0.0


def _long_trim(_: Live, faults: Faults) -> float:
    return 22.7 if "P0171" in faults else 1.6


def _manifold_spark(live: Live, _: Faults) -> bytes:
    return _one(live.baro_kpa * (0.22 + 0.0078 * live.load()) if live.rpm else live.baro_kpa)


def _manifold_compression(live: Live, faults: Faults) -> bytes:
    gain = 0.15 if "P0299" in faults else 1.1
    return _one(live.baro_kpa + gain * live.load())


def _air_flow(live: Live, faults: Faults) -> float:
    flow = live.rpm * FULL_FLOW_GS * live.load() / 100 * live.baro_kpa / 101
    return flow * 0.4 if "P0101" in faults else flow


def _throttle(live: Live, _: Faults) -> bytes:
    return _percent(14.0 + 0.32 * live.speed_kmh if live.rpm else 12.0)


def _advance(live: Live, _: Faults) -> bytes:
    """PID 0E: degrees before top dead centre, A/2 - 64."""
    return _one((8.0 + live.rpm / 180 + 64) * 2 if live.rpm else 128)


def _front_sensor(live: Live, faults: Faults) -> bytes:
    """PID 14: volts, and the short trim it drives."""
    pace = 0.3 if "P0133" in faults else 1.7
    swing = 0.35 * math.sin(live.run_s * pace) if _closed(live, faults) else 0.0
    return _one((0.45 + swing) * 200) + _trim(_short_trim(live, faults))


def _rear_sensor(live: Live, faults: Faults) -> bytes:
    """PID 15: steady behind a good catalyst; FF = drives no trim."""
    swing = 0.33 if "P0420" in faults else 0.02
    swing *= math.sin(live.run_s * 1.7) if _closed(live, faults) else 0.0
    return _one((0.62 + swing) * 200) + b"\xff"


def _fuel_rate(live: Live, _: Faults) -> bytes:
    """PID 5E in 0.05 L/h: stoichiometric petrol, near enough for the demo."""
    return _two(live.rpm * FULL_FLOW_GS * live.load() / 100 / 14.7 / 745 * 3600 * 20)


_BOTH: dict[int, Reader] = {
    0x04: lambda live, _: _percent(live.load()),
    0x05: lambda live, _: _degrees(live.coolant_c),
    0x0C: lambda live, _: whole(live.rpm * 4, TWO_BYTES).to_bytes(2, "big"),
    0x0D: lambda live, _: bytes((whole(live.speed_kmh, ONE_BYTE),)),
    0x0F: lambda live, _: _degrees(live.intake_c),
    0x10: lambda live, faults: _two(_air_flow(live, faults) * 100),
    0x11: _throttle,
    0x1F: lambda live, _: whole(live.run_s, TWO_BYTES).to_bytes(2, "big"),
    0x2F: lambda live, _: bytes((whole(live.fuel_pct * 255 / 100 + 0.5, ONE_BYTE),)),
    0x33: lambda live, _: bytes((whole(live.baro_kpa, ONE_BYTE),)),
    0x42: lambda live, _: _two(live.module_v * 1000),
    0x46: lambda live, _: _degrees(live.ambient_c),
    0x5C: lambda live, _: _degrees(live.ambient_c + (live.coolant_c - live.ambient_c) * 1.04),
    0x5E: _fuel_rate,
}
_SPARK: dict[int, Reader] = {
    0x03: _fuel_status,
    0x06: lambda live, faults: _trim(_short_trim(live, faults)),
    0x07: lambda live, faults: _trim(_long_trim(live, faults)),
    0x0B: _manifold_spark,
    0x0E: _advance,
    0x14: _front_sensor,
    0x15: _rear_sensor,
}
_SECOND_BANK: dict[int, Reader] = {
    0x08: lambda live, faults: _trim(-0.8 * _short_trim(live, faults)),
    0x09: lambda live, faults: _trim(_long_trim(live, faults) - 0.8),
    0x18: _front_sensor,
    0x19: lambda live, _: _rear_sensor(live, ()),
}


def engine_sensors(ignition: str, banks: int) -> dict[int, Reader]:
    """Return the readers of an engine controller by PID; `banks` is 1 or 2."""
    if ignition == COMPRESSION:
        return {**_BOTH, 0x0B: _manifold_compression}
    return {**_BOTH, **_SPARK, **(_SECOND_BANK if banks > 1 else {})}


def plain_sensors() -> dict[int, Reader]:
    """Return the readers of a controller without engine sensors."""
    return {0x42: _BOTH[0x42]}


def sensors_present(banks: int) -> bytes:
    """PID 13: two oxygen sensors a bank, bits 0 and 1, 4 and 5 (from memory)."""
    return b"\x33" if banks > 1 else b"\x03"
