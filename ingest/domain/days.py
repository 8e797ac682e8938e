"""Days and moments as people write them, within the years that a fleet can mean.

A year mistyped is told where it is written, and no sum of days leaves the calendar later.
"""

from __future__ import annotations

from datetime import UTC, date, datetime

FIRST_YEAR, LAST_YEAR = 1950, 2099
"""Older than any vehicle with on-board diagnostics; later than any inspection (a choice; X)."""
EXPECTED_DAY = f"YYYY-MM-DD from {FIRST_YEAR} to {LAST_YEAR}"
EXPECTED_MOMENT = f"an ISO 8601 time from {FIRST_YEAR} to {LAST_YEAR}"


def parse_day(text: str) -> date:
    """Read an ISO 8601 day, or raise `ValueError`."""
    day = date.fromisoformat(text)
    if not FIRST_YEAR <= day.year <= LAST_YEAR:
        raise ValueError(f"{text!r}, expected {EXPECTED_DAY}")
    return day


def parse_moment(text: str) -> datetime:
    """Read an ISO 8601 moment, or raise `ValueError`; one without a zone is left without."""
    moment = datetime.fromisoformat(text)
    if not FIRST_YEAR <= moment.year <= LAST_YEAR:
        raise ValueError(f"{text!r}, expected {EXPECTED_MOMENT}")
    return moment


def parse_utc_moment(text: str) -> datetime:
    """Read an ISO 8601 moment, or raise `ValueError`; one without a zone is UTC."""
    moment = parse_moment(text)
    return moment if moment.tzinfo else moment.replace(tzinfo=UTC)
