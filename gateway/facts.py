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
