"""The on-board self-tests of the simulated vehicles: their bits, and when each one runs.

Written from the standard apart from the gateway's own decoder, so that the two readings check
each other. Bit places: SAE J1979 PID 01 as two secondary sources print it (B).
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

MISFIRE = "misfire"
FUEL_SYSTEM = "fuel system"
COMPONENTS = "comprehensive components"
CATALYST = "catalyst"
EVAPORATIVE = "evaporative system"
SECONDARY_AIR = "secondary air system"
OXYGEN_SENSOR = "oxygen sensor"
OXYGEN_SENSOR_HEATER = "oxygen sensor heater"
EGR_VVT = "exhaust gas recirculation or variable valve timing"
NMHC_CATALYST = "non-methane hydrocarbon catalyst"
NOX = "nitrogen oxide aftertreatment"
BOOST = "boost pressure"
EXHAUST_SENSOR = "exhaust gas sensor"
PM_FILTER = "particulate matter filter"

RUN_S = 600.0
"""Engine running time of a counted driving cycle (13 CCR 1968.2(d), from memory)."""
FAST_S = 300.0
"""Time at or above 25 mph (40 km/h) of a counted driving cycle (from memory)."""
IDLE_S = 30.0
"""Continuous idle of a counted driving cycle (from memory)."""
COLDEST_C = -6.7
"""20 degF, below which monitors may rest (from memory)."""
SOAK_S = 6 * 3600.0
"""Cold soak before an evaporative test: commonly 6 to 8 h, set by the maker (from memory)."""
EVAP_AMBIENT_C = (4.4, 35.0)
"""40 to 95 degF (from memory)."""
EVAP_FUEL_PCT = (15.0, 85.0)
"""Upper limit 13 CCR 1968.2(e)(4.3.3) in a copy (A*); lower limit from memory."""
CONTINUOUS_RUN_S = 60.0
"""Running time after which the continuous monitors have judged a cycle (assumption of the demo)."""
HEATER_RUN_S = 120.0
LONG_FAST_S = 600.0


@dataclass(frozen=True, slots=True)
class Conditions:
    """What a driving cycle offered the monitors. Seconds, degrees Celsius, percent.

    `soak_s` None = not known, taken as long enough: a vehicle seen for the first time.
    """

    engine_on_s: float
    fast_s: float
    longest_idle_s: float
    soak_s: float | None
    fuel_pct: float
    ambient_c: float

    def counted(self) -> bool:
        """The everyday pattern of 600 s, 300 s at 40 km/h and 30 s of idle (from memory)."""
        return (
            self.engine_on_s >= RUN_S
            and self.fast_s >= FAST_S
            and self.longest_idle_s >= IDLE_S
            and self.ambient_c >= COLDEST_C
        )

    def soaked(self) -> bool:
        """Parked long enough for a cold start."""
        return self.soak_s is None or self.soak_s >= SOAK_S

    def evaporative_possible(self) -> bool:
        """True when nothing known at the start rules the evaporative test out."""
        low_c, high_c = EVAP_AMBIENT_C
        low_pct, high_pct = EVAP_FUEL_PCT
        return (
            self.soaked()
            and low_c <= self.ambient_c <= high_c
            and low_pct <= self.fuel_pct <= high_pct
        )


def _always(_: Conditions) -> bool:
    return True


def _not_too_cold(c: Conditions) -> bool:
    return c.ambient_c >= COLDEST_C


def _continuous(c: Conditions) -> bool:
    return c.engine_on_s >= CONTINUOUS_RUN_S


def _heater(c: Conditions) -> bool:
    return c.engine_on_s >= HEATER_RUN_S


def _counted_long(c: Conditions) -> bool:
    return c.counted() and c.fast_s >= LONG_FAST_S


def _evaporative(c: Conditions) -> bool:
    return c.counted() and c.evaporative_possible()


def _soaked_start(c: Conditions) -> bool:
    return c.counted() and c.soaked()


@dataclass(frozen=True, slots=True)
class Monitor:
    """One self-test: `byte` is "B" (continuous) or "C", `bit` its place there.

    `possible` is known at key on (PID 41: enabled), `qualifies` at the end of the cycle;
    `chance` is the share of qualifying cycles in which it finishes: an assumption of the demo,
    above the minimum ratios of 13 CCR 1968.2(d)(3.2) (from memory).
    """

    name: str
    byte: str
    bit: int
    chance: float
    qualifies: Callable[[Conditions], bool]
    possible: Callable[[Conditions], bool]

    @property
    def continuous(self) -> bool:
        """Runs all the time and has no minimum ratio of its own."""
        return self.byte == "B"


def _driven(name: str, bit: int, chance: float) -> Monitor:
    return Monitor(name, "C", bit, chance, Conditions.counted, _not_too_cold)


CONTINUOUS: tuple[Monitor, ...] = tuple(
    Monitor(name, "B", bit, 1.0, _continuous, _always)
    for bit, name in enumerate((MISFIRE, FUEL_SYSTEM, COMPONENTS))
)

SPARK: tuple[Monitor, ...] = (
    *CONTINUOUS,
    _driven(CATALYST, 0, 0.6),
    Monitor(EVAPORATIVE, "C", 2, 0.6, _evaporative, Conditions.evaporative_possible),
    _driven(OXYGEN_SENSOR, 5, 0.7),
    Monitor(OXYGEN_SENSOR_HEATER, "C", 6, 0.9, _heater, _always),
    _driven(EGR_VVT, 7, 0.7),
)
"""Bytes C and D read E5 when all are supported, as in a published example (C)."""

SPARK_WITH_SECONDARY_AIR: tuple[Monitor, ...] = (
    *SPARK,
    Monitor(SECONDARY_AIR, "C", 3, 0.6, _soaked_start, Conditions.soaked),
)

COMPRESSION: tuple[Monitor, ...] = (
    *CONTINUOUS,
    _driven(NMHC_CATALYST, 0, 0.5),
    Monitor(NOX, "C", 1, 0.5, _counted_long, _not_too_cold),
    _driven(BOOST, 3, 0.8),
    _driven(EXHAUST_SENSOR, 5, 0.6),
    Monitor(PM_FILTER, "C", 6, 0.4, _counted_long, _not_too_cold),
    _driven(EGR_VVT, 7, 0.7),
)

TRANSMISSION: tuple[Monitor, ...] = (CONTINUOUS[2],)
"""A transmission controller watches its components and nothing else (SAE J1979 tables 24-25)."""
