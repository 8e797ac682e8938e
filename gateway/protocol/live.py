"""The live values a technician looks at, beside the vehicle-wide ones of `tables.PIDS`.

One row per PID of service 01; service 02 scales the same (SAE J1979; B). Names carry their unit:
`_pct`, `_kpa`, `_pa`, `_c`, `_v`, `_ma`, `_deg`, `_g_s`, `_l_h`, `_nm`, `_km`; `_lambda` is the
air-fuel equivalence ratio, 1 = exactly as much air as the fuel needs.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import lru_cache
from types import MappingProxyType

from gateway.protocol.tables import PIDS, FrameError, Scale

TABLED = "SAE J1979 as tabulated in a public encyclopedia (B)"
MEMORY = "SAE J1979 (from memory)"

SENSORS_BY_BANK_PAIRS = 0x1D
"""An ECU with this PID instead of 13 counts its oxygen sensors two to a bank (from memory)."""


@dataclass(frozen=True, slots=True)
class Part:
    """One number in the data bytes: `size` bytes from `start`; raw `absent` is no value."""

    name: str
    scale: Scale
    start: int = 0
    size: int = 1
    signed: bool = False
    absent: int | None = None


@dataclass(frozen=True, slots=True)
class Row:
    """One PID: its data bytes, the numbers in them, and where the formula comes from."""

    pid: int
    width: int
    parts: tuple[Part, ...]
    source: str


def decode_row(row: Row, data: bytes) -> dict[str, float]:
    """Scale the data bytes of one PID into its named numbers, or raise `FrameError`."""
    if len(data) != row.width:
        raise FrameError(f"PID {row.pid:02X}: {len(data)} data bytes, expected {row.width}")
    numbers: dict[str, float] = {}
    for part in row.parts:
        field = data[part.start : part.start + part.size]
        raw = int.from_bytes(field, "big", signed=part.signed)
        if raw != part.absent:
            numbers[part.name] = float(part.scale.apply(raw))
    return numbers


@lru_cache(maxsize=64)
def rows_for(supported: frozenset[int]) -> Mapping[int, Row]:
    """The live rows among the PIDs one ECU supports, its oxygen sensors counted its own way."""
    sensors = _PAIRED_SENSORS if SENSORS_BY_BANK_PAIRS in supported else _SENSORS
    return {pid: row for pid, row in (_LIVE | sensors).items() if pid in supported}


@lru_cache(maxsize=64)
def all_rows_for(supported: frozenset[int]) -> Mapping[int, Row]:
    """The same with the vehicle-wide values too: what a freeze frame may hold."""
    wide = {pid: row for pid, row in _WIDE.items() if pid in supported}
    return wide | dict(rows_for(supported))


# ------------------------------------------------------------------------------------- the table

_PERCENT = Scale(times=100, over=255)
_TRIM = Scale(times=100, over=128, plus=-100)
_TEMPERATURE = Scale(plus=-40)
_LAMBDA = Scale(times=2, over=65536)


def _one(pid: int, name: str, scale: Scale, source: str = MEMORY, size: int = 1) -> Row:
    return Row(pid, size, (Part(name, scale, size=size),), source)


_PLAIN = (
    # 1 open loop cold, 2 closed loop, 4 open loop by load, 8 open by fault, 16 closed with fault
    Row(
        0x03,
        2,
        (
            Part("fuel_system_1_status", Scale()),
            Part("fuel_system_2_status", Scale(), start=1),
        ),
        TABLED,
    ),
    _one(0x04, "engine_load_pct", _PERCENT, TABLED),
    _one(0x06, "short_term_fuel_trim_bank_1_pct", _TRIM, TABLED),
    _one(0x07, "long_term_fuel_trim_bank_1_pct", _TRIM, TABLED),
    _one(0x08, "short_term_fuel_trim_bank_2_pct", _TRIM, TABLED),
    _one(0x09, "long_term_fuel_trim_bank_2_pct", _TRIM, TABLED),
    _one(0x0A, "fuel_pressure_kpa", Scale(times=3)),
    _one(0x0B, "manifold_pressure_kpa", Scale(), TABLED),
    _one(0x0E, "timing_advance_deg", Scale(over=2, plus=-64)),
    _one(0x10, "mass_air_flow_g_s", Scale(over=100), TABLED, 2),
    _one(0x11, "throttle_pct", _PERCENT, TABLED),
    _one(0x22, "fuel_rail_pressure_over_manifold_kpa", Scale(times=79, over=1000), size=2),
    _one(0x23, "fuel_rail_pressure_kpa", Scale(times=10), size=2),
    _one(0x2C, "commanded_exhaust_gas_recirculation_pct", _PERCENT),
    _one(0x2D, "exhaust_gas_recirculation_error_pct", _TRIM),
    _one(0x2E, "commanded_purge_pct", _PERCENT),
    Row(
        0x32,
        2,
        (Part("evaporative_vapor_pressure_pa", Scale(over=4), size=2, signed=True),),
        MEMORY,
    ),
    _one(0x3C, "catalyst_bank_1_sensor_1_c", Scale(over=10, plus=-40), size=2),
    _one(0x3D, "catalyst_bank_2_sensor_1_c", Scale(over=10, plus=-40), size=2),
    _one(0x3E, "catalyst_bank_1_sensor_2_c", Scale(over=10, plus=-40), size=2),
    _one(0x3F, "catalyst_bank_2_sensor_2_c", Scale(over=10, plus=-40), size=2),
    _one(0x43, "absolute_load_pct", _PERCENT, size=2),
    _one(0x44, "commanded_lambda", _LAMBDA, size=2),
    _one(0x45, "relative_throttle_pct", _PERCENT),
    _one(0x47, "throttle_b_pct", _PERCENT),
    _one(0x48, "throttle_c_pct", _PERCENT),
    _one(0x49, "pedal_d_pct", _PERCENT),
    _one(0x4A, "pedal_e_pct", _PERCENT),
    _one(0x4B, "pedal_f_pct", _PERCENT),
    _one(0x4C, "commanded_throttle_pct", _PERCENT),
    _one(0x52, "ethanol_pct", _PERCENT),
    _one(0x53, "evaporative_absolute_pressure_kpa", Scale(over=200), size=2),
    _one(0x59, "fuel_rail_absolute_pressure_kpa", Scale(times=10), size=2),
    _one(0x5A, "relative_pedal_pct", _PERCENT),
    _one(0x5B, "hybrid_battery_pct", _PERCENT),
    _one(0x5C, "oil_c", _TEMPERATURE, TABLED),
    _one(0x5D, "injection_timing_deg", Scale(over=128, plus=-210), size=2),
    _one(0x5E, "fuel_rate_l_h", Scale(over=20), size=2),
    _one(0x61, "demanded_torque_pct", Scale(plus=-125)),
    _one(0x62, "actual_torque_pct", Scale(plus=-125)),
    _one(0x63, "reference_torque_nm", Scale(), size=2),
    _one(0xC7, "distance_since_reflash_km", Scale(), TABLED, 2),
)


def _sensor_rows(banks: int, sensors: int) -> dict[int, Row]:
    """PIDs 14-1B, 24-2B and 34-3B in the order of the sensors (from memory)."""
    rows: dict[int, Row] = {}
    places = [(bank, sensor) for bank in range(1, banks + 1) for sensor in range(1, sensors + 1)]
    for number, (bank, sensor) in enumerate(places):
        name = f"oxygen_sensor_bank_{bank}_sensor_{sensor}"
        narrow = (
            Part(f"{name}_v", Scale(over=200)),
            # FF: this sensor takes no part in the fuel trim
            Part(f"{name}_fuel_trim_pct", _TRIM, start=1, absent=0xFF),
        )
        ratio = Part(f"{name}_lambda", _LAMBDA, size=2)
        volts = Part(f"{name}_wide_v", Scale(times=8, over=65536), start=2, size=2)
        current = Part(f"{name}_ma", Scale(over=256, plus=-128), start=2, size=2)
        for base, width, parts in (
            (0x14, 2, narrow),
            (0x24, 4, (ratio, volts)),
            (0x34, 4, (ratio, current)),
        ):
            rows[base + number] = Row(base + number, width, parts, MEMORY)
    return rows


_LIVE = {row.pid: row for row in _PLAIN}
_SENSORS = _sensor_rows(banks=2, sensors=4)
_PAIRED_SENSORS = _sensor_rows(banks=4, sensors=2)
_WIDE = {pid: _one(pid, row.field, row.scale, TABLED, row.width) for pid, row in PIDS.items()}

LIVE: Mapping[int, Row] = MappingProxyType(_LIVE | _SENSORS)
"""Every row, with the sensors as PID 13 counts them (four to a bank)."""
