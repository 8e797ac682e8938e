"""Due days that follow a calendar: of the registration's expiry, or of a digit of plate or VIN.

Only where the program's file says so; such days do not move with the day of the last test.
"""

from __future__ import annotations

import calendar
from collections.abc import Iterator
from datetime import date, timedelta
from itertools import count, takewhile

from ingest.domain.program_dates import Dates, DigitMonths
from ingest.domain.vehicles import Vehicle

A_YEAR = 12


def months_later(day: date, months: int) -> date:
    """The same day of a later (or, below zero, earlier) month, or that month's last day."""
    year, month = divmod(day.year * 12 + day.month - 1 + months, 12)
    return date(year, month + 1, min(day.day, calendar.monthrange(year, month + 1)[1]))


def own_calendar(dates: Dates) -> bool:
    """Whether a program's days follow a calendar, and not the day of the last test."""
    by = dates.due_by
    return dates.digit_months is not None or (
        by is not None and by.value in ("registration", "agency_account")
    )


def calendar_days(vehicle: Vehicle, dates: Dates, start: date) -> Iterator[date]:
    """The due days from `start` on, in order and without end; none where nothing tells them."""
    if dates.digit_months is not None:
        yield from _digit_days(vehicle, dates.digit_months, start)
        return
    anchor, period = vehicle.registration_expiry, dates.period_months
    if anchor is None or period is None or not own_calendar(dates):
        return
    # A registration is renewed every year at the most: a longer period skips some of its days.
    step = min(period.value, A_YEAR)
    first = ((start.year - anchor.year) * A_YEAR + start.month - anchor.month) // step
    for steps in count(first - 1):
        day = months_later(anchor, steps * step)
        if day >= start:
            yield day


def after_pass(vehicle: Vehicle, dates: Dates, counted: date) -> date:
    """The due day that follows `counted`, a day of the calendar that a pass counted for."""
    if dates.digit_months is None and dates.period_months is not None:
        return months_later(counted, dates.period_months.value)
    return next(calendar_days(vehicle, dates, counted + timedelta(days=1)))


def day_before(vehicle: Vehicle, dates: Dates, due: date) -> date:
    """The due day before one: by the digit, or a period earlier (`due` itself where none is)."""
    if dates.digit_months is not None:
        days = calendar_days(vehicle, dates, months_later(due, -A_YEAR))
        return max(takewhile(lambda day: day < due, days), default=due)
    period = dates.period_months
    return due if period is None else months_later(due, -period.value)


def calendar_words(vehicle: Vehicle, dates: Dates) -> str:
    """What the calendar goes by, for the reason."""
    rule = dates.digit_months
    if rule is not None:
        return f"last digit {digit_of(vehicle, rule)} of the {_NAMES[rule.of]} ({rule.source})"
    asked = ": take the day from the agency's account"
    period = "" if dates.period_months is None else f" and every {dates.period_months.value} months"
    by = dates.due_by
    told = asked if by is not None and by.value == "agency_account" else ""
    return f"the registration's expiry{period} from it{told}"


_NAMES = {"plate": "plate", "vin": "VIN"}


def digit_of(vehicle: Vehicle, rule: DigitMonths) -> str | None:
    """The last digit of the plate or VIN; None for one without a digit."""
    text = vehicle.plate if rule.of == "plate" else vehicle.vin
    return next((char for char in reversed(text) if char in "0123456789"), None)


def _digit_days(vehicle: Vehicle, rule: DigitMonths, start: date) -> Iterator[date]:
    digit = digit_of(vehicle, rule)
    if digit is None:
        return
    for year in count(start.year):
        for month in sorted(rule.months[digit]):
            day = date(year, month, calendar.monthrange(year, month)[1])
            if day >= start:
                yield day
