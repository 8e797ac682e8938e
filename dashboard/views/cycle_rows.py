"""Driving cycles as rows for the screen: pure, US units, the newest first."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import datetime
from zoneinfo import ZoneInfo

from dashboard.present import Row
from dashboard.views import us_units
from dashboard.views.detail_rows import at_words
from gateway.facts import FULL_NAMES
from ingest.domain.cycles import Cycle


def cycle_rows(cycles: Iterable[Cycle], zone: ZoneInfo, as_of: datetime) -> list[Row]:
    """Every driving cycle: how far, how long, what it did for readiness, what was not given."""
    return [
        {
            "Began": at_words(one.started_at, zone, as_of),
            "Distance": us_units.given("distance_km", one.distance_km),
            "Propulsion on": _length(one),
            "Engine on": us_units.minutes(one.engine_on_s),
            "At 25 mph or more": us_units.minutes(one.seconds_at_or_above_40_kmh),
            "Warm-up": _yes(one.warm_up),
            "Soak": us_units.MISSING if one.soak_s is None else f"{one.soak_s / 3600:,.1f} h",
            "Fuel": _fuel(one),
            "Monitors completed": _completed(one),
            "In-use denominator": _moved(one.denominator_moved),
            "Not given": us_units.labels(one.not_given or ()) or "nothing missing",
        }
        for one in cycles
    ]


def _length(one: Cycle) -> str:
    words = us_units.minutes(one.propulsion_on_s)
    if one.unobserved_s:
        words += f", of it {us_units.minutes(one.unobserved_s)} not observed"
    return f"{words}, cut at the longest length" if one.split else words


def _yes(value: bool | None) -> str:
    return us_units.MISSING if value is None else "counted" if value else "not counted"


def _moved(value: bool | None) -> str:
    return us_units.MISSING if value is None else "moved" if value else "not moved"


def _fuel(one: Cycle) -> str:
    if one.fuel_start_pct is None and one.fuel_end_pct is None:
        return us_units.MISSING
    start, end = (
        "?" if level is None else f"{level:.0f} %"
        for level in (one.fuel_start_pct, one.fuel_end_pct)
    )
    return f"{start} to {end}"


def _completed(one: Cycle) -> str:
    if one.monitors_completed is None:
        return us_units.MISSING
    return ", ".join(FULL_NAMES[monitor] for monitor in one.monitors_completed) or "none"
