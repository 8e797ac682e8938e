"""A day as it is written in the United States, with its weekday and year."""

from __future__ import annotations

from datetime import date

_WEEKDAYS = ("Mon", "Tue", "Wed", "Thu", "Fri", "Sat", "Sun")
_MONTHS = (
    "Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec",
)  # fmt: skip


def us_day(day: date) -> str:
    """'Wed Nov 25, 2026', whatever the machine's own language is."""
    return f"{_WEEKDAYS[day.weekday()]} {_MONTHS[day.month - 1]} {day.day}, {day.year}"
