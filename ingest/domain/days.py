"""Days and moments as people write them, within the years that a fleet can mean.

A year mistyped is told where it is written, and no sum of days leaves the calendar later.
"""

from __future__ import annotations

from datetime import UTC, date, datetime
from typing import TypeVar

FIRST_YEAR, LAST_YEAR = 1950, 2099
"""Older than any vehicle with on-board diagnostics; later than any inspection (a choice; X)."""
EXPECTED_DAY = f"YYYY-MM-DD from {FIRST_YEAR} to {LAST_YEAR}"
EXPECTED_MOMENT = f"an ISO 8601 time from {FIRST_YEAR} to {LAST_YEAR}"

_Day = TypeVar("_Day", bound=date)


def parse_day(text: str) -> date:
    """Read an ISO 8601 day; `ValueError` says what was expected."""
    try:
        return _meant(date.fromisoformat(text))
    except ValueError as error:
        raise ValueError(f"{text!r}, expected {EXPECTED_DAY}") from error


def parse_moment(text: str) -> datetime:
    """Read an ISO 8601 moment, with or without a zone; `ValueError` says what was expected."""
    try:
        return _meant(datetime.fromisoformat(text))
    except ValueError as error:
        raise ValueError(f"{text!r}, expected {EXPECTED_MOMENT}") from error


def parse_utc_moment(text: str) -> datetime:
    """The same; a moment without a zone is UTC."""
    moment = parse_moment(text)
    return moment if moment.tzinfo else moment.replace(tzinfo=UTC)


def _meant(day: _Day) -> _Day:
    if not FIRST_YEAR <= day.year <= LAST_YEAR:
        raise ValueError(day.year)
    return day
