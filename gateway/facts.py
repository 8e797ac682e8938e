"""The vocabulary every package shares: monitors, ignition types and what decoding can say.

Plain values with no behaviour beyond naming; nothing here does I/O or imports a library.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from enum import StrEnum
from types import MappingProxyType


class Ignition(StrEnum):
    """How the engine ignites: it selects the meaning of PID 01 bytes C and D (SAE J1979; B)."""

    SPARK = "spark"
    COMPRESSION = "compression"


class Monitor(StrEnum):
    """An on-board self-test as PID 01 reports it (SAE J1979; B)."""

    MISFIRE = "misfire"
    FUEL_SYSTEM = "fuel_system"
    COMPONENTS = "components"
    CATALYST = "catalyst"
    HEATED_CATALYST = "heated_catalyst"
    EVAPORATIVE_SYSTEM = "evaporative_system"
    SECONDARY_AIR = "secondary_air"
    GASOLINE_PARTICULATE_FILTER = "gasoline_particulate_filter"
    OXYGEN_SENSOR = "oxygen_sensor"
    OXYGEN_SENSOR_HEATER = "oxygen_sensor_heater"
    EGR_VVT = "egr_vvt"
    NMHC_CATALYST = "nmhc_catalyst"
    NOX_AFTERTREATMENT = "nox_aftertreatment"
    BOOST_PRESSURE = "boost_pressure"
    EXHAUST_GAS_SENSOR = "exhaust_gas_sensor"
    PM_FILTER = "pm_filter"


CONTINUOUS: frozenset[Monitor] = frozenset(
    {Monitor.MISFIRE, Monitor.FUEL_SYSTEM, Monitor.COMPONENTS}
)
"""Monitors that run all the time: inspections do not count them (35 Ill. Adm. Code 276.209; A)."""

FULL_NAMES: Mapping[Monitor, str] = MappingProxyType(
    {
        Monitor.MISFIRE: "misfire",
        Monitor.FUEL_SYSTEM: "fuel system",
        Monitor.COMPONENTS: "comprehensive components",
        Monitor.CATALYST: "catalyst",
        Monitor.HEATED_CATALYST: "heated catalyst",
        Monitor.EVAPORATIVE_SYSTEM: "evaporative system",
        Monitor.SECONDARY_AIR: "secondary air system",
        Monitor.GASOLINE_PARTICULATE_FILTER: "gasoline particulate filter",
        Monitor.OXYGEN_SENSOR: "oxygen sensor",
        Monitor.OXYGEN_SENSOR_HEATER: "oxygen sensor heater",
        Monitor.EGR_VVT: "exhaust gas recirculation or variable valve timing",
        Monitor.NMHC_CATALYST: "non-methane hydrocarbon catalyst",
        Monitor.NOX_AFTERTREATMENT: "nitrogen oxide aftertreatment",
        Monitor.BOOST_PRESSURE: "boost pressure",
        Monitor.EXHAUST_GAS_SENSOR: "exhaust gas sensor",
        Monitor.PM_FILTER: "particulate matter filter",
    }
)
"""The names used on screen: monitors are never abbreviated."""


class CycleStatus(StrEnum):
    """What PID 41 says of a monitor in this driving cycle (SAE J1979; C, detail from memory)."""

    COMPLETE = "complete"
    NOT_COMPLETE = "not_complete"
    DISABLED = "disabled"


@dataclass(frozen=True, slots=True)
class Readiness:
    """PID 01 of one ECU: the lamp command, the code count and its supported monitors.

    `complete` holds supported monitors only: True = complete since codes were last cleared.
    """

    mil_commanded: bool
    code_count: int
    ignition: Ignition
    complete: Mapping[Monitor, bool]


# ------------------------------------------------------------------------ names of service 06, 09


def _numbered(first: int, title: str, count: int) -> dict[int, str]:
    return {first + place: f"{title} {place + 1}" for place in range(count)}


def _sensors(first: int, title: str) -> dict[int, str]:
    """Four banks of four sensors, in this order (SAE J1979; B)."""
    return {
        first + place: f"{title}, bank {place // 4 + 1} sensor {place % 4 + 1}"
        for place in range(16)
    }


MONITOR_TEST_NAMES: Mapping[int, str] = MappingProxyType(
    {
        # SAE J1979 monitor ids as makers' manuals print them (B where nothing else is said)
        **_sensors(0x01, "oxygen sensor"),
        **_numbered(0x21, "catalyst, bank", 4),
        **_numbered(0x31, "exhaust gas recirculation, bank", 4),
        **_numbered(0x35, "variable valve timing, bank", 4),
        0x39: "evaporative system, cap off or 0.150 inch leak",
        0x3A: "evaporative system, 0.090 inch leak",
        0x3B: "evaporative system, 0.040 inch leak",
        0x3C: "evaporative system, 0.020 inch leak",
        0x3D: "evaporative system, purge flow",
        **_sensors(0x41, "oxygen sensor heater"),
        **_numbered(0x61, "heated catalyst, bank", 4),
        **_numbered(0x71, "secondary air", 4),
        **_numbered(0x81, "fuel system, bank", 4),
        **_numbered(0x85, "boost pressure control, bank", 2),
        **_numbered(0x90, "nitrogen oxide adsorber, bank", 2),
        **_numbered(0x98, "nitrogen oxide catalyst, bank", 2),  # C
        0xA1: "misfire, all cylinders",
        **_numbered(0xA2, "misfire, cylinder", 12),
        **{0xB0 + place: "particulate matter filter" for place in range(4)},  # C: the group alone
    }
)
"""What a service 06 monitor id tests. E1-FF are the maker's own (from memory), and not here."""

TEST_NAMES: Mapping[int, str] = MappingProxyType(
    {
        # General Motors, Mode $06 data definitions, and other makers' manuals (B)
        0x01: "rich to lean threshold voltage",
        0x02: "lean to rich threshold voltage",
        0x03: "low voltage for the switch time",
        0x04: "high voltage for the switch time",
        0x05: "rich to lean switch time",
        0x06: "lean to rich switch time",
        0x07: "lowest voltage in the test",
        0x08: "highest voltage in the test",
        0x09: "time between transitions",
        0x0A: "sensor period",
        # Jaguar 2007 and 2010, Subaru 2007 workshop manuals (B)
        0x0B: "misfires, weighted mean of the last ten driving cycles",
        0x0C: "misfires in the last or this driving cycle",
    }
)
"""What a service 06 test id measures. 80-FE are the maker's own (from memory), and not here."""

IN_USE_MONITORS: Mapping[str, Monitor] = MappingProxyType(
    {
        "catalyst_bank_1": Monitor.CATALYST,
        "catalyst_bank_2": Monitor.CATALYST,
        "oxygen_sensor_bank_1": Monitor.OXYGEN_SENSOR,
        "oxygen_sensor_bank_2": Monitor.OXYGEN_SENSOR,
        "secondary_oxygen_sensor_bank_1": Monitor.OXYGEN_SENSOR,
        "secondary_oxygen_sensor_bank_2": Monitor.OXYGEN_SENSOR,
        "egr_vvt": Monitor.EGR_VVT,
        "secondary_air": Monitor.SECONDARY_AIR,
        "evaporative_system": Monitor.EVAPORATIVE_SYSTEM,
        "air_fuel_imbalance_bank_1": Monitor.FUEL_SYSTEM,
        "air_fuel_imbalance_bank_2": Monitor.FUEL_SYSTEM,
        "particulate_filter_bank_1": Monitor.GASOLINE_PARTICULATE_FILTER,
        "particulate_filter_bank_2": Monitor.GASOLINE_PARTICULATE_FILTER,
        "nmhc_catalyst": Monitor.NMHC_CATALYST,
        "nox_catalyst": Monitor.NOX_AFTERTREATMENT,
        "nox_adsorber": Monitor.NOX_AFTERTREATMENT,
        "pm_filter": Monitor.PM_FILTER,
        "exhaust_gas_sensor": Monitor.EXHAUST_GAS_SENSOR,
        "boost_pressure": Monitor.BOOST_PRESSURE,
        "fuel_system": Monitor.FUEL_SYSTEM,
    }
)
"""The monitor behind each pair `<name>_completions`, `<name>_conditions` of in-use counters.

Names after SAE J1979 info types 08 and 0B (B); which monitor an imbalance test belongs to is
from memory.
"""
