"""Weather, warmth, fuel and voltage of the simulated vehicles. Assumptions of the demo.

Plausible curves and nothing more: no vehicle was measured. Times in s, temperatures in degC.
"""

from __future__ import annotations

import math
import random
from dataclasses import dataclass
from datetime import datetime

COOLING_S = 2.2 * 3600.0
WARMING_S = 240.0
THERMOSTAT_C = 90.0
STUCK_OPEN_C = 64.0
"""Where a thermostat that no longer closes keeps the coolant: too cold for a warm-up."""
WARM_UP_RISE_C = 22.2
"""A warm-up cycle: 40 degF of rise (workshop manuals; B)."""
WARM_UP_PEAK_C = 71.1
"""... and 160 degF reached (workshop manuals; B)."""


@dataclass(frozen=True, slots=True)
class Climate:
    """A depot's weather: yearly mean, swing over the year, swing over the day, air pressure."""

    mean_c: float
    year_swing_c: float
    day_swing_c: float
    pressure_kpa: int


def ambient_c(climate: Climate, local: datetime, rng: random.Random) -> float:
    """Outside air at a depot's local time: warmest in mid-July and at three in the afternoon."""
    day = local.timetuple().tm_yday
    hour = local.hour + local.minute / 60
    season = math.cos((day - 196) / 365.25 * math.tau)
    clock = math.cos((hour - 15) / 24 * math.tau)
    return (
        climate.mean_c
        + climate.year_swing_c * season
        + climate.day_swing_c * clock
        + rng.gauss(0, 1.5)
    )


def cooled_c(last_c: float, ambient: float, soak_s: float) -> float:
    """Coolant after standing `soak_s`, falling towards the outside air."""
    return ambient + (last_c - ambient) * math.exp(-soak_s / COOLING_S)


def warmed_c(start_c: float, engine_on_s: float, target_c: float = THERMOSTAT_C) -> float:
    """Coolant after the engine ran `engine_on_s`."""
    if start_c >= target_c:
        return start_c
    return target_c - (target_c - start_c) * math.exp(-engine_on_s / WARMING_S)


def is_warm_up(start_c: float, peak_c: float) -> bool:
    """True for a warm-up cycle: 22.2 degC of rise and 71.1 degC reached (B).

    The rise is taken in tenths, so that the limit itself counts.
    """
    return round(peak_c - start_c, 1) >= WARM_UP_RISE_C and peak_c >= WARM_UP_PEAK_C


def cranking_v(ambient: float, rng: random.Random) -> float:
    """Lowest supply voltage of a cycle, met while cranking; lower in the cold."""
    return max(8.0, min(11.8, 10.9 + 0.02 * (ambient - 15) + rng.gauss(0, 0.25)))
