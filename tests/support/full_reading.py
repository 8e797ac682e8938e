"""One reading with everything the contract can carry, invented but of plausible size."""

from __future__ import annotations

from datetime import datetime, timedelta
from typing import Any

from gateway.contract import (
    Calibration,
    DrivingCycle,
    EcuReading,
    FreezeFrame,
    Implausible,
    LampBroadcast,
    MonitorResult,
    Report,
    SuspectCode,
    format_time,
)
from gateway.facts import CycleStatus, Ignition, Monitor
from tests.support.reports import report

SUPPORTED = (
    Monitor.MISFIRE, Monitor.FUEL_SYSTEM, Monitor.COMPONENTS, Monitor.CATALYST,
    Monitor.EVAPORATIVE_SYSTEM, Monitor.OXYGEN_SENSOR, Monitor.OXYGEN_SENSOR_HEATER,
    Monitor.EGR_VVT,
)  # fmt: skip


def full_ecu() -> EcuReading:
    """An engine ECU with a catalyst code, its freeze frame, and results good, bad and not run."""
    results = [
        MonitorResult(monitor_id=0x01, test_id=0x01, scaling_id=0x0A, value=0.365, low=0.2,
                      high=0.6, unit="V", passed=True),
        MonitorResult(monitor_id=0x21, test_id=0x80, scaling_id=0xFA, value=7, low=-5, high=4,
                      passed=False),
        MonitorResult(monitor_id=0x39, test_id=0x81, scaling_id=0x24, value=0, low=0, high=0,
                      unit="count"),
    ]  # fmt: skip
    results += [
        MonitorResult(monitor_id=0xA2 + cylinder, test_id=0x0B, scaling_id=0x24, value=cylinder,
                      low=0, high=65535, unit="count", passed=True)
        for cylinder in range(8)
    ]  # fmt: skip
    return EcuReading(
        mil=True,
        code_count=1,
        ignition=Ignition.SPARK,
        monitors={one: one is not Monitor.EVAPORATIVE_SYSTEM for one in SUPPORTED},
        monitors_this_cycle=dict.fromkeys(SUPPORTED, CycleStatus.NOT_COMPLETE),
        confirmed=["P0420"],
        pending=["P0171"],
        permanent=[],
        freeze_frames=[
            FreezeFrame(
                frame=0,
                code="P0420",
                values={
                    "engine_load_pct": 42.4, "coolant_c": 88.0, "engine_speed_rpm": 1850.0,
                    "vehicle_speed_kmh": 80.0, "short_term_fuel_trim_bank_1_pct": 1.6,
                    "long_term_fuel_trim_bank_1_pct": 6.3, "manifold_pressure_kpa": 41.0,
                },
            )
        ],
        test_results=results,
        in_use_counters={
            "obd_conditions": 1204, "ignition_cycles": 3410,
            "catalyst_bank_1_completions": 812, "catalyst_bank_1_conditions": 1204,
            "evaporative_system_completions": 96, "evaporative_system_conditions": 610,
        },
        calibrations=[Calibration(id="EXAMPLE-CAL-01", cvn="00AB12CD")],
    )  # fmt: skip


def driving_cycle(begin: datetime, **changes: Any) -> DrivingCycle:
    """A drive of 45 minutes with every figure."""
    facts: dict[str, Any] = {
        "started_at": format_time(begin), "ended_at": format_time(begin + timedelta(minutes=45)),
        "propulsion_on_s": 2691, "engine_on_s": 2600, "distance_km": 31.5,
        "seconds_at_or_above_40_kmh": 1500, "longest_idle_s": 41, "coolant_start_c": 12,
        "coolant_peak_c": 91, "warm_up": True, "soak_s": 40000, "ambient_c": 9,
        "barometric_kpa": 100, "fuel_start_pct": 62.4, "fuel_end_pct": 58.0, "lowest_v": 12.1,
        "monitors_completed": [Monitor.CATALYST], "denominator_moved": True, "not_given": [],
    }  # fmt: skip
    return DrivingCycle(**(facts | changes))


def full_report(number: int, seq: int, **changes: Any) -> Report:
    """A full reading of vehicle `number`."""
    facts: dict[str, Any] = {
        "reason": "full",
        "ecus": {"7E8": full_ecu()},
        "heard": "answers",
        "live": {
            "engine_speed_rpm": 740.0, "coolant_c": 60.0, "intake_air_c": 5.0,
            "short_term_fuel_trim_bank_1_pct": -1.6, "mass_air_flow_g_s": 3.1,
            "timing_advance_deg": 12.5, "module_v": 13.9, "barometric_kpa": 99.0,
        },
        "implausible": [
            Implausible(
                rule="cold_soak_coolant",
                text="Coolant 60 degC against intake air 5 degC after 9 h standing.",
                basis="common practice, no source",
            )
        ],
    }  # fmt: skip
    return report(number, seq, **(facts | changes))


def j1939_report(number: int, seq: int, **changes: Any) -> Report:
    """A bus on which nobody answers and one controller broadcasts its lamps (DM1)."""
    lamps = LampBroadcast(
        source=0, malfunction="on", stop="off", warning="on", protect="off",
        codes=[SuspectCode(spn=3251, fmi=2, occurrences=3)],
    )  # fmt: skip
    return report(number, seq, ecus={}, heard="j1939", lamp_broadcasts=[lamps], **changes)
