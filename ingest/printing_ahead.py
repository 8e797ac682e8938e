"""When a vehicle will be ready, and the last day for its repair: for a terminal and JSON."""

from __future__ import annotations

from datetime import date
from typing import Any

from gateway.facts import FULL_NAMES
from ingest.domain.forecast import chance_words
from ingest.domain.foresight import HORIZON, Forecast, MonitorForecast


def ahead(said: Forecast) -> dict[str, Any]:
    """As plain data; null where nothing can be said, with its reason in words."""
    return {
        "chance_of_passing": _rounded(said.chance),
        "ready_by": _days(said.ready_50, said.ready_90),
        "forecast_reason": said.reason,
        "repair_by": said.repair_by,
        "repair_by_reason": said.repair_reason,
        "chance_if_repaired_today": _rounded(said.chance_if_repaired_today),
    }


def monitors_ahead(said: Forecast) -> list[dict[str, Any]]:
    """Each monitor not complete."""
    return [
        {
            "monitor": FULL_NAMES[one.monitor],
            "chance_by_due_date": _rounded(one.chance),
            "ready_by": _days(one.ready_50, one.ready_90),
            "reason": one.reason,
        }
        for one in said.monitors
    ]


def ahead_lines(said: Forecast) -> list[str]:
    """The same of a vehicle in lines of text."""
    pad = " " * 10
    days = days_words(said.ready_50, said.ready_90) if said.monitors else ""  # else ready now
    lines = [f"{pad}{days}{_in_time(said.chance)}{said.reason}"]
    if said.repair_by is not None or said.chance_if_repaired_today is not None:
        when = f"repair by {said.repair_by}" if said.repair_by else "repair now"
        lines.append(f"{pad}{when}: {said.repair_reason}")
    return lines


def monitor_line(one: MonitorForecast) -> str:
    """One monitor in a line of text."""
    name = FULL_NAMES[one.monitor]
    days = days_words(one.ready_50, one.ready_90, "complete")
    return f"{'':>10}{name}: {days}{_in_time(one.chance, 'complete')}{one.reason}"


def days_words(half: date | None, most: date | None, what: str = "ready") -> str:
    """'ready by 2026-12-03 (50%), 2026-12-09 (90%). '; '' where no day is known."""
    if half is None:
        return ""
    late = most.isoformat() if most else f"not within {HORIZON} days"
    return f"{what} by {half.isoformat()} (50%), {late} (90%). "


def _in_time(chance: float | None, what: str = "ready") -> str:
    return "" if chance is None else f"Chance of being {what} in time {chance_words(chance)}. "


def _days(half: date | None, most: date | None) -> dict[str, date | None] | None:
    return None if half is None else {"chance_50": half, "chance_90": most}


def _rounded(chance: float | None) -> float | None:
    return None if chance is None else round(chance, 3)
