"""The last day for a repair that still leaves the set chance of being ready and tested in time.

After a repair that ends on a day, driving begins the next morning; what the program needs must be
complete the evening before the test day. Chances are those of the forecast (`forecast.Ready`),
calibrated like it.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ingest.domain.conformal import Calibration
from ingest.domain.driving_rate import Outlook
from ingest.domain.forecast import Floats, Ready

CHANCE = 0.95
CHANCE_HELD = 0.98
"""For a vehicle with a hold, or with no spare where the list names spares (X)."""
TEST_DAYS = 1
"""The last day is kept for the retest itself (X)."""


@dataclass(frozen=True, slots=True)
class RepairBy:
    """`days` from today (0 is today) to the last day for the repair; None when no day is left.

    `chance_today` is the chance left by a repair that ends today.
    """

    days: int | None
    wanted: float
    chance_today: float


def wanted_chance(hold: str | None, has_spare: bool | None) -> tuple[float, str]:
    """The chance to keep, and its words. `has_spare` is None where the list names no spares."""
    if hold:
        return CHANCE_HELD, f"a {CHANCE_HELD:.0%} chance (higher, since the vehicle has a hold)"
    if has_spare is False:
        return CHANCE_HELD, f"a {CHANCE_HELD:.0%} chance (higher, since no spare stands in for it)"
    return CHANCE, f"a {CHANCE:.0%} chance"


def chances(
    after: Ready | None, outlook: Outlook, morning: float, due_days: int, calibration: Calibration
) -> Floats:
    """The chance of making the due day for a repair that ends today, tomorrow, ...: (due_days,).

    `after` is the wait from the repair on (None: ready at once); `morning` is how many days from
    now tomorrow begins; `due_days` counts from today.
    """
    ends = morning + np.arange(max(due_days, 0), dtype=np.float64)
    if len(ends) == 0:
        return np.zeros(0)
    ready_by = morning + due_days - TEST_DAYS  # the evening before the test day
    if after is None:
        return np.ones(len(ends))
    driving = np.maximum(outlook.done(ready_by) - outlook.done(ends), 0.0)
    known = calibration.chance(after.raw_chance(driving))
    return np.asarray(np.where(driving > 0, known, 0.0), dtype=np.float64)


def repair_by(
    after: Ready | None,
    outlook: Outlook,
    morning: float,
    due_days: int,
    wanted: float,
    calibration: Calibration,
) -> RepairBy:
    """The last day whose chance is at least `wanted`; arguments as for `chances`."""
    each = chances(after, outlook, morning, due_days, calibration)
    good = np.flatnonzero(each >= wanted)
    today = float(each[0]) if len(each) else 0.0
    return RepairBy(int(good[-1]) if len(good) else None, wanted, today)
