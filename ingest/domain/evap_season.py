"""When the outside air suits the evaporative monitor: by month, from the depot's own cycles.

A month without cycles of its own is taken like the one that lies as far from mid-January (April
like October; X); a month known by neither is not told. Limits: `cycle_conditions.MILD_C` (M).
"""

from __future__ import annotations

import calendar
from collections import Counter
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


Starts = Counter[tuple[int, bool]]
"""Cold starts by month (1 to 12) of the depot's own calendar, and whether the air suited."""


def cold_starts(cycles: Iterable[Cycle], zone: ZoneInfo) -> Starts:
    """Count them; one whose air is not known is left out."""
    seen: Starts = Counter()
    for one in cycles:
        if one.ambient_c is not None and cold_start(one) is not False:
            month = datetime.fromtimestamp(one.started_at / 1000, zone).month
            seen[month, MILD_C[0] <= one.ambient_c <= MILD_C[1]] += 1
    return seen


def mild_share(seen: Starts) -> dict[int, float]:
    """The share of cold starts in suited air by month, where there are enough of them."""
    totals = {month: seen[month, True] + seen[month, False] for month in range(1, 13)}
    return {month: seen[month, True] / n for month, n in totals.items() if n >= ENOUGH}


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
    begins = season_begins(shares, today)
    if begins is None:
        return "No month known in which the air suits."
    return f"Not before about {calendar.month_name[begins.month]}: until then the air is unsuited."


def season_begins(shares: Mapping[int, float], today: date) -> date | None:
    """The first day of the next month whose air suits; None when it does now, or none is known."""
    now = share_of(today.month, shares)
    if now is None or now >= WORTH_IT:
        return None
    for ahead in range(1, 12):
        years, month = divmod(today.month + ahead - 1, 12)
        share = share_of(month + 1, shares)
        if share is not None and share >= WORTH_IT:
            return date(today.year + years, month + 1, 1)
    return None
