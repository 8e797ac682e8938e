"""What to expect of a monitor before the vehicle has shown anything: priors as data.

None of them is published: they are assumptions in four grades of difficulty, mean 0.67, 0.50, 0.33
and 0.17. Their weights (six to nine driving cycles) are those that give the method note's waits to
95 % and 99 %; the note states no (a, b). They are to be replaced by the fleet's own record
(`completion.fit_prior`). The minimum in-use ratios of 13 CCR 1968.2 (d)(3.2.1) (0.260, 0.336,
0.520; from memory) are floors per *counted* cycle and no averages.
"""

from __future__ import annotations

from collections.abc import Mapping
from types import MappingProxyType

from gateway.facts import Monitor
from ingest.domain.completion import Beta

_ASSUMED = "assumption, no source"
EASY = Beta(6, 3, f"easy: {_ASSUMED}")
MEDIUM = Beta(3, 3, f"medium: {_ASSUMED}")
HARD = Beta(2, 4, f"hard: {_ASSUMED}")
VERY_HARD = Beta(1.2, 6, f"very hard: {_ASSUMED}")

PRIORS: Mapping[Monitor, Beta] = MappingProxyType(
    {
        Monitor.OXYGEN_SENSOR_HEATER: EASY,
        Monitor.OXYGEN_SENSOR: MEDIUM,
        Monitor.EXHAUST_GAS_SENSOR: MEDIUM,
        Monitor.BOOST_PRESSURE: MEDIUM,
        Monitor.CATALYST: HARD,
        Monitor.HEATED_CATALYST: HARD,
        Monitor.EGR_VVT: HARD,
        Monitor.SECONDARY_AIR: HARD,
        Monitor.NMHC_CATALYST: HARD,
        Monitor.NOX_AFTERTREATMENT: HARD,
        Monitor.GASOLINE_PARTICULATE_FILTER: HARD,
        Monitor.EVAPORATIVE_SYSTEM: VERY_HARD,
        Monitor.PM_FILTER: VERY_HARD,
    }
)
