"""When the outside air suits the evaporative monitor: by month, from the depot's own cycles.

A month without cycles of its own is taken like the one that lies as far from mid-January (April
like October; X); a month known by neither is not told. Limits: `cycle_conditions.MILD_C` (M).
"""

from __future__ import annotations

import calendar
from collections.abc import Iterable, Mapping
from datetime import date, datetime
from zoneinfo import ZoneInfo

from ingest.domain.cycle_conditions import MILD_C
from ingest.domain.cycles import Cycle
from ingest.domain.stuck_causes import cold_start

ENOUGH = 20
"""Fewer cold starts in a month tell nothing of it (X)."""
WORTH_IT = 0.2
"""A month in which fewer of the cold starts suit is not waited for (X)."""


def mild_share(cycles: Iterable[Cycle], zone: ZoneInfo) -> dict[int, float]:
    """The share of cold starts in suited air by month (1 to 12) of the depot's own calendar."""
    seen: dict[int, list[bool]] = {}
    for one in cycles:
        if one.ambient_c is not None and cold_start(one) is not False:
            month = datetime.fromtimestamp(one.started_at / 1000, zone).month
            seen.setdefault(month, []).append(MILD_C[0] <= one.ambient_c <= MILD_C[1])
    return {month: sum(met) / len(met) for month, met in seen.items() if len(met) >= ENOUGH}


def share_of(month: int, shares: Mapping[int, float]) -> float | None:
    """The month's own share, else that of its mirror about mid-January; None if neither."""
    own = shares.get(month)
    return shares.get((2 - month) % 12 or 12) if own is None else own


def season_words(shares: Mapping[int, float], today: date) -> str | None:
    """When to expect the evaporative monitor; None when the air is no hindrance now."""
    now = share_of(today.month, shares)
    if now is None:
        return "Not enough driving cycles of this depot to tell when the air suits."
    if now >= WORTH_IT:
        return None
    for ahead in range(1, 12):
        month = (today.month + ahead - 1) % 12 + 1
        share = share_of(month, shares)
        if share is not None and share >= WORTH_IT:
            return f"Not before about {calendar.month_name[month]}: until then the air is unsuited."
    return "No month known in which the air suits."
