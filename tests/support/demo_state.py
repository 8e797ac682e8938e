"""What a simulated vehicle holds, said in the words of a report: nothing of the gateway's decoding.

Vehicle-wide values come from the simulation's physical state; what stands there as bytes (freeze
frames, live sensors) is scaled here once more from SAE J1979's table as an encyclopedia prints it
(B; PIDs 0E, 14 to 19 and 5E from memory), units of test results from makers' lists (C).
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any

from fleet_demo import monitors as m
from fleet_demo import results
from fleet_demo.ecu import Ecu
from fleet_demo.heavy import SPN_FAULTS, HeavyController
from fleet_demo.sensors import engine_sensors
from fleet_demo.truck import SimulatedVehicle
from gateway.facts import CycleStatus, Ignition, Monitor

MONITORS = {
    m.MISFIRE: Monitor.MISFIRE,
    m.FUEL_SYSTEM: Monitor.FUEL_SYSTEM,
    m.COMPONENTS: Monitor.COMPONENTS,
    m.CATALYST: Monitor.CATALYST,
    m.EVAPORATIVE: Monitor.EVAPORATIVE_SYSTEM,
    m.SECONDARY_AIR: Monitor.SECONDARY_AIR,
    m.OXYGEN_SENSOR: Monitor.OXYGEN_SENSOR,
    m.OXYGEN_SENSOR_HEATER: Monitor.OXYGEN_SENSOR_HEATER,
    m.EGR_VVT: Monitor.EGR_VVT,
    m.NMHC_CATALYST: Monitor.NMHC_CATALYST,
    m.NOX: Monitor.NOX_AFTERTREATMENT,
    m.BOOST: Monitor.BOOST_PRESSURE,
    m.EXHAUST_SENSOR: Monitor.EXHAUST_GAS_SENSOR,
    m.PM_FILTER: Monitor.PM_FILTER,
}
RATIOS = {
    "CAT1": "catalyst_bank_1", "CAT2": "catalyst_bank_2", "O2S1": "oxygen_sensor_bank_1",
    "O2S2": "oxygen_sensor_bank_2", "EGR": "egr_vvt", "AIR": "secondary_air",
    "EVAP": "evaporative_system", "SO2S1": "secondary_oxygen_sensor_bank_1",
    "SO2S2": "secondary_oxygen_sensor_bank_2", "HCCAT": "nmhc_catalyst", "NCAT": "nox_catalyst",
    "NADS": "nox_adsorber", "PM": "pm_filter", "EGS": "exhaust_gas_sensor", "BP": "boost_pressure",
    "FUEL": "fuel_system",
}  # fmt: skip
UNITS = {
    results.COUNTS: (1.0, "count"),
    results.MILLISECONDS: (0.001, "s"),
    results.RATIO: (0.0039062, "ratio"),
    results.VOLTS: (0.000122, "V"),
    results.AMPERES: (0.001, "A"),
    results.SIGNED_PERCENT: (0.003052, "%"),
    results.SIGNED_KPA: (0.001, "kPa"),
}


def _percent(data: bytes) -> float:
    return data[0] * 100 / 255


def _trim(data: bytes) -> float:
    return data[0] * 100 / 128 - 100


def _celsius(data: bytes) -> float:
    return data[0] - 40.0


def _word(data: bytes) -> float:
    return float(data[0] * 256 + data[1])


Formula = Callable[[bytes], float]
FORMULAS: dict[int, Mapping[str, Formula]] = {
    0x03: {"fuel_system_1_status": lambda d: d[0], "fuel_system_2_status": lambda d: d[1]},
    0x04: {"engine_load_pct": _percent},
    0x05: {"coolant_c": _celsius},
    0x06: {"short_term_fuel_trim_bank_1_pct": _trim},
    0x07: {"long_term_fuel_trim_bank_1_pct": _trim},
    0x08: {"short_term_fuel_trim_bank_2_pct": _trim},
    0x09: {"long_term_fuel_trim_bank_2_pct": _trim},
    0x0B: {"manifold_pressure_kpa": lambda d: d[0]},
    0x0C: {"engine_speed_rpm": lambda d: _word(d) / 4},
    0x0D: {"vehicle_speed_kmh": lambda d: d[0]},
    0x0E: {"timing_advance_deg": lambda d: d[0] / 2 - 64},
    0x0F: {"intake_air_c": _celsius},
    0x10: {"mass_air_flow_g_s": lambda d: _word(d) / 100},
    0x11: {"throttle_pct": _percent},
    0x1F: {"engine_run_s": _word},
    0x2F: {"fuel_level_pct": _percent},
    0x33: {"barometric_kpa": lambda d: d[0]},
    0x42: {"module_v": lambda d: _word(d) / 1000},
    0x46: {"ambient_c": _celsius},
    0x5C: {"oil_c": _celsius},
    0x5E: {"fuel_rate_l_h": lambda d: _word(d) / 20},
}
_SENSORS = {0x14: (1, 1), 0x15: (1, 2), 0x18: (2, 1), 0x19: (2, 2)}
_WIDE = {0x05, 0x0C, 0x0D, 0x0F, 0x1F, 0x2F, 0x33, 0x42, 0x46}
"""Values of the vehicle as a whole, which are no live values of a report."""


def scaled(frame: Mapping[int, bytes]) -> dict[str, float]:
    """The bytes of sensors by PID, as named numbers."""
    numbers: dict[str, float] = {}
    for pid, data in frame.items():
        if pid in _SENSORS:
            name = "oxygen_sensor_bank_{}_sensor_{}".format(*_SENSORS[pid])
            numbers[f"{name}_v"] = data[0] / 200
            if data[1] != 0xFF:  # FF: takes no part in the fuel trim
                numbers[f"{name}_fuel_trim_pct"] = _trim(data[1:])
        else:
            numbers |= {name: formula(data) for name, formula in FORMULAS[pid].items()}
    return numbers


def values(vehicle: SimulatedVehicle) -> dict[str, float]:
    """The vehicle-wide values of a report, from the physical state of the engine's controller."""
    live, ecu = vehicle.live, next(iter(vehicle.ecus.values()))
    counters = ecu.counters
    found = {
        "coolant_c": round(live.coolant_c),
        "intake_air_c": round(live.intake_c),
        "ambient_c": round(live.ambient_c),
        "engine_speed_rpm": int(live.rpm * 4) / 4,
        "vehicle_speed_kmh": int(live.speed_kmh),
        "engine_run_s": int(live.run_s),
        "fuel_level_pct": int(live.fuel_pct * 2.55 + 0.5) / 2.55,
        "barometric_kpa": int(live.baro_kpa),
        "module_v": round(live.module_v * 1000) / 1000,
        "fuel_type": 4 if vehicle.ignition == "compression" else 1,  # diesel, gasoline (B)
        "distance_since_clear_km": min(65535, int(counters.distance_km)),
        "warm_ups_since_clear": counters.warm_ups,
        "minutes_since_clear_min": min(65535, int(counters.minutes)),
        "distance_with_mil_km": min(65535, int(counters.lamp_km)),
        "minutes_with_mil_min": min(65535, int(counters.lamp_minutes)),
    }
    if ecu.tells_odometer:
        found["odometer_km"] = int(live.odometer_km * 10) / 10
    return found


def live_values(vehicle: SimulatedVehicle) -> dict[str, float]:
    """The live values of a full reading: every sensor of the engine's controller."""
    ecu = next(iter(vehicle.ecus.values()))
    readers = engine_sensors(vehicle.ignition, ecu.banks)
    told = {pid: read(vehicle.live, ecu.faults) for pid, read in readers.items()}
    return scaled({pid: data for pid, data in told.items() if pid not in _WIDE})


def facts(ecu: Ecu) -> dict[str, Any]:
    """What one controller holds, by the field of `contract.EcuReading`; absent = it never says."""
    fitted = [monitor.name for monitor in ecu.monitors]
    found: dict[str, Any] = {
        "mil": ecu.memory.lamp_on(),
        "code_count": len(ecu.memory.confirmed()),
        "ignition": Ignition(ecu.ignition),
        "monitors": {MONITORS[name]: name in ecu.complete for name in fitted},
        "monitors_this_cycle": {MONITORS[name]: _this_cycle(ecu, name) for name in fitted},
        "confirmed": ecu.memory.confirmed(),
        "pending": ecu.memory.pending(),
        "calibrations": [(one.name, one.verification.hex().upper()) for one in ecu.calibrations],
        "freeze_frames": [(0, ecu.frame.code, scaled(ecu.frame.data))] if ecu.frame.code else [],
    }
    if ecu.memory.keeps_permanent:
        found["permanent"] = list(ecu.memory.permanent)
    if ecu.engine:
        found["obd_type"] = 1  # OBD II as California certifies it (B)
    if ecu.results.tests:
        found["test_results"] = _results(ecu)
    if ecu.in_use is not None:
        found["in_use_counters"] = _counters(ecu)
    return found


def _this_cycle(ecu: Ecu, name: str) -> CycleStatus:
    if name in ecu.ran:
        return CycleStatus.COMPLETE
    return CycleStatus.NOT_COMPLETE if name in ecu.enabled else CycleStatus.DISABLED


def _counters(ecu: Ecu) -> dict[str, int]:
    assert ecu.in_use is not None
    found = {"obd_conditions": ecu.in_use.general, "ignition_cycles": ecu.in_use.ignitions}
    for name, ratio in ecu.in_use.ratios.items():
        found[f"{RATIOS[name]}_completions"] = ratio.completed
        found[f"{RATIOS[name]}_conditions"] = ratio.offered
    return found


def _results(ecu: Ecu) -> list[tuple[Any, ...]]:
    """Monitor, test, scaling id, value, low, high, unit, passed: as scaled; None = has not run."""
    found = []
    for test, raw in zip(ecu.results.tests, ecu.results.values, strict=True):
        step, unit = UNITS[test.scaling]
        passed = None if raw is None else test.low <= raw <= test.high
        numbers = (0, 0, 0) if raw is None else (raw, test.low, test.high)
        scaled_ = tuple(round(number * step, 9) for number in numbers)
        found.append((test.obdmid, test.test, test.scaling, *scaled_, unit, passed))
    return sorted(found, key=lambda one: one[0])


def lamps(heavy: HeavyController) -> dict[str, str]:
    """The four lamps of a J1939 controller; it never flashes one."""
    asked = {lamp for name in heavy.active for lamp in SPN_FAULTS[name].lamps}
    names = ("malfunction", "stop", "warning", "protect")
    return {name: "on" if name in asked else "off" for name in names}


def suspects(heavy: HeavyController) -> list[tuple[int, int, int]]:
    """Its active codes: SPN, FMI, occurrences."""
    return [
        (SPN_FAULTS[name].spn, SPN_FAULTS[name].fmi, count) for name, count in heavy.active.items()
    ]
