"""Between aware datetimes and the store's integers (UTC epoch milliseconds)."""

from __future__ import annotations

from datetime import UTC, date, datetime, time, timedelta
from zoneinfo import ZoneInfo

_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
_MS = timedelta(milliseconds=1)


def to_ms(moment: datetime) -> int:
    """Milliseconds since the epoch of an aware datetime."""
    return (moment - _EPOCH) // _MS


def from_ms(value: int) -> datetime:
    """The aware UTC datetime of milliseconds since the epoch."""
    return _EPOCH + value * _MS


def day_start_ms(day: date, zone: str) -> int:
    """The moment a day begins on the clock of a zone (IANA name)."""
    return to_ms(datetime.combine(day, time.min, ZoneInfo(zone)))
