"""When a vehicle will be ready and the last day for its repair, as sentences and rows: pure."""

from __future__ import annotations

from datetime import date

from dashboard.planning.explain import us_date
from dashboard.present import Row
from gateway.facts import FULL_NAMES
from ingest.domain.forecast import chance_words
from ingest.domain.foresight import HORIZON, Forecast

NO_DATE = "no date"


def ahead_lines(said: Forecast, today: date) -> list[str]:
    """The forecast of the vehicle: its dates and chance, or why there are none; then repair by."""
    dates = ""
    if said.ready_50 is not None and said.monitors:  # else it is ready now
        late = f"with 90% not within {HORIZON} days"
        if said.ready_90 is not None:
            late = f"by {_day(said.ready_90, today)} with 90%"
        dates = f"Ready by {_day(said.ready_50, today)} with a chance of 50%, {late}. "
    if said.chance is not None:
        dates += f"Chance of being ready in time: {chance_words(said.chance)}. "
    lines = [dates + said.reason]
    if said.repair_by is not None:
        lines.append(f"Repair by {us_date(said.repair_by, today)}. {said.repair_reason}")
    elif said.chance_if_repaired_today is not None:
        lines.append(f"Repair now. {said.repair_reason}")
    return lines


def monitor_rows(said: Forecast, today: date) -> list[Row]:
    """Each monitor not complete: by when, the chance by the due date, and on what that rests."""
    return [
        {
            "Monitor": FULL_NAMES[one.monitor],
            "Complete by, chance 50%": _day(one.ready_50, today, one.chance is not None),
            "Complete by, chance 90%": _day(one.ready_90, today, one.chance is not None),
            "Chance in time": NO_DATE if one.chance is None else chance_words(one.chance),
            "Why": one.reason,
        }
        for one in said.monitors
    ]


def _day(day: date | None, today: date, foreseen: bool = True) -> str:
    if day is None:
        return f"not within {HORIZON} days" if foreseen else NO_DATE
    return "today" if day == today else us_date(day, today)
