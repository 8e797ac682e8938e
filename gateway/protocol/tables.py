"""The tables every decoder reads: services, PIDs, monitor bits and negative response codes.

Each row carries its source. SAE J1979 stands for the edition of 2002 as quoted in public notes
and as tabulated by an encyclopedia. Tags: A text of a rule, B two secondary sources agree, C one
secondary source, M from memory.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType

from gateway.facts import Ignition, Monitor


class FrameError(ValueError):
    """An answer breaks its own layout; nothing of it can be trusted."""


POSITIVE = 0x40
"""Answer service = request service + 0x40 (SAE J1979; B)."""
NEGATIVE = 0x7F
"""First byte of a negative response, then service and reason (SAE J1979; B)."""
RESPONSE_PENDING = 0x78
"""Reason "response pending": keep waiting, never ask again (SAE J1979 table 10; C)."""

CURRENT_DATA, CONFIRMED, PENDING, VEHICLE_INFO, PERMANENT = 0x01, 0x03, 0x07, 0x09, 0x0A
"""Services read by every reading (SAE J1979; B)."""
CODE_SERVICES = (CONFIRMED, PENDING, PERMANENT)

BITMAPS = (0x00, 0x20, 0x40, 0x60, 0x80, 0xA0, 0xC0, 0xE0)
"""Ids whose four bytes say which of the next 32 ids are supported (SAE J1979; B)."""

READINESS, READINESS_THIS_CYCLE, OBD_TYPE = 0x01, 0x41, 0x1C
"""PIDs of the monitors since clear, of this driving cycle, and of the OBD type (J1979; B)."""

VIN, CALIBRATION_IDS, CALIBRATION_NUMBERS = 0x02, 0x04, 0x06
"""Info types of service 09 (SAE J1979; B)."""
CALIBRATION_ID_BYTES, CALIBRATION_NUMBER_BYTES = 16, 4
"""Width of one item of info types 04 and 06 (SAE J1979; B)."""
MAX_CALIBRATIONS = 16
"""Most calibrations a report holds (gateway.contract)."""


@dataclass(frozen=True, slots=True)
class Scale:
    """value = raw * times / over + plus, raw being the big-endian number of the data bytes."""

    times: int = 1
    over: int = 1
    plus: int = 0

    def apply(self, raw: int) -> float | int:
        """Return the value in the unit of the PID; an int where nothing is divided."""
        if self.over == 1:
            return raw * self.times + self.plus
        return raw * self.times / self.over + self.plus


@dataclass(frozen=True, slots=True)
class Pid:
    """A service 01 value. `field` is its name in `contract.Report`, `width` its data bytes."""

    name: str
    field: str
    width: int
    scale: Scale


_TEMPERATURE = Scale(plus=-40)
_PERCENT = Scale(times=100, over=255)

PIDS: Mapping[int, Pid] = MappingProxyType(
    {
        # SAE J1979, PID table, B: A-40, degC
        0x05: Pid("coolant temperature", "coolant_c", 1, _TEMPERATURE),
        # SAE J1979, PID table, B: (256A+B)/4, rpm
        0x0C: Pid("engine speed", "engine_speed_rpm", 2, Scale(over=4)),
        # SAE J1979, PID table, B: A, km/h
        0x0D: Pid("vehicle speed", "vehicle_speed_kmh", 1, Scale()),
        # SAE J1979, PID table, B: A-40, degC
        0x0F: Pid("intake air temperature", "intake_air_c", 1, _TEMPERATURE),
        # SAE J1979, PID table, B: 256A+B, s
        0x1F: Pid("time since engine start", "engine_run_s", 2, Scale()),
        # SAE J1979, PID table, B: 256A+B, km
        0x21: Pid("distance with the lamp on", "distance_with_mil_km", 2, Scale()),
        # SAE J1979, PID table, B: A*100/255, %
        0x2F: Pid("fuel level", "fuel_level_pct", 1, _PERCENT),
        # SAE J1979, PID table, B: A; stops at 255 (M)
        0x30: Pid("warm-ups since codes were cleared", "warm_ups_since_clear", 1, Scale()),
        # SAE J1979, PID table, B: 256A+B, km; stops at 65535 (M)
        0x31: Pid("distance since codes were cleared", "distance_since_clear_km", 2, Scale()),
        # SAE J1979, PID table, B: A, kPa
        0x33: Pid("barometric pressure", "barometric_kpa", 1, Scale()),
        # SAE J1979, PID table, B: (256A+B)/1000, V
        0x42: Pid("control module voltage", "module_v", 2, Scale(over=1000)),
        # SAE J1979, PID table, B: A-40, degC
        0x46: Pid("ambient temperature", "ambient_c", 1, _TEMPERATURE),
        # SAE J1979, PID table, B: 256A+B, min
        0x4D: Pid("time with the lamp on", "minutes_with_mil_min", 2, Scale()),
        # SAE J1979, PID table, B: 256A+B, min of engine running (C)
        0x4E: Pid("time since codes were cleared", "minutes_since_clear_min", 2, Scale()),
        # SAE J1979, PID table, B: number of a list of fuels
        0x51: Pid("fuel type", "fuel_type", 1, Scale()),
        # SAE J1979, PID table, B; required from model year 2019 in California (C)
        0xA6: Pid("odometer", "odometer_km", 4, Scale(over=10)),
    }
)
"""Values of the vehicle as a whole: the first ECU that answers speaks for it."""

OBD_TYPE_PID = Pid("OBD requirement type", "obd_type", 1, Scale())
"""PID 1C, kept for each ECU (SAE J1979, PID table; B)."""

COMPRESSION_BIT = 0x08
"""Byte B bit 3: 0 = spark ignition, 1 = compression ignition (SAE J1979 PID 01; B)."""
MIL_BIT = 0x80
"""Byte A bit 7: lamp commanded on; the other seven bits count codes (SAE J1979 PID 01; B)."""

CONTINUOUS_BITS: tuple[tuple[Monitor, int, int], ...] = (
    # monitor, supported and not complete in byte B (SAE J1979 PID 01; B)
    (Monitor.MISFIRE, 0x01, 0x10),
    (Monitor.FUEL_SYSTEM, 0x02, 0x20),
    (Monitor.COMPONENTS, 0x04, 0x40),
)

_SPARK_BITS = (
    # monitor, its bit in byte C (supported) and D (not complete) (SAE J1979 PID 01; B)
    (Monitor.CATALYST, 0x01),
    (Monitor.HEATED_CATALYST, 0x02),
    (Monitor.EVAPORATIVE_SYSTEM, 0x04),
    (Monitor.SECONDARY_AIR, 0x08),
    # Old tables print the air conditioner's refrigerant here; newer editions this filter (B).
    (Monitor.GASOLINE_PARTICULATE_FILTER, 0x10),
    (Monitor.OXYGEN_SENSOR, 0x20),
    (Monitor.OXYGEN_SENSOR_HEATER, 0x40),
    (Monitor.EGR_VVT, 0x80),
)

_COMPRESSION_BITS = (
    # Bits 2 and 4 are reserved (SAE J1979 PID 01; B)
    (Monitor.NMHC_CATALYST, 0x01),
    (Monitor.NOX_AFTERTREATMENT, 0x02),
    (Monitor.BOOST_PRESSURE, 0x08),
    (Monitor.EXHAUST_GAS_SENSOR, 0x20),
    (Monitor.PM_FILTER, 0x40),
    (Monitor.EGR_VVT, 0x80),
)

MONITOR_BITS: Mapping[Ignition, tuple[tuple[Monitor, int], ...]] = MappingProxyType(
    {Ignition.SPARK: _SPARK_BITS, Ignition.COMPRESSION: _COMPRESSION_BITS}
)
