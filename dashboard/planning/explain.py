"""The sentences of a plan, for people in a shop: US dates, whole days, plain words."""

from __future__ import annotations

from datetime import date, datetime

# Written out, because strftime would follow the locale of the machine.
_WEEKDAYS = ("Mon", "Tue", "Wed", "Thu", "Fri", "Sat", "Sun")
_MONTHS = ("Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec")


def us_date(day: date, near: date | None = None) -> str:
    """'Mon Nov 30'; with the year, 'Mon Nov 30, 2026', when it is not the year of `near`."""
    text = f"{_WEEKDAYS[day.weekday()]} {_MONTHS[day.month - 1]} {day.day}"
    return text if near is None or near.year == day.year else f"{text}, {day.year}"


def us_time(moment: datetime) -> str:
    """'7:00 AM' of a moment already in the zone to show."""
    half = "AM" if moment.hour < 12 else "PM"
    return f"{moment.hour % 12 or 12}:{moment.minute:02d} {half}"


def us_time_range(start: datetime, end: datetime) -> str:
    """'7:00 AM - 9:30 AM'; names the zones when the offset changes in between."""
    if start.utcoffset() != end.utcoffset():
        return f"{us_time(start)} {start.tzname()} - {us_time(end)} {end.tzname()}"
    return f"{us_time(start)} - {us_time(end)}"


def hours_text(slots: int) -> str:
    """'6 h' or '1.25 h' of a number of 15-minute slots."""
    return f"{slots / 4:g} h"


def days_text(days: int) -> str:
    """'1 day' or '3 days'."""
    return "1 day" if days == 1 else f"{days} days"


def sentence(*parts: str) -> str:
    """Join sentences, each ended with a full stop, leaving out empty ones."""
    kept = [part.strip() for part in parts if part.strip()]
    return " ".join(part if part.endswith((".", "!", "?")) else f"{part}." for part in kept)


def slack_sentence(end_day: date, deadline: date) -> str:
    """How far before or after its deadline the work ends, in days."""
    when = us_date(deadline, end_day)
    slack = (deadline - end_day).days
    if slack > 0:
        return f"Done {us_date(end_day)}, {days_text(slack)} before its deadline {when}."
    if slack == 0:
        return f"Done on its deadline {when}, 0 days to spare."
    return f"Done {us_date(end_day)}, {days_text(-slack)} after its deadline {when}."


def passed_sentence(deadline: date, monday: date) -> str:
    """Says that a deadline lies before the week, or before today within the week."""
    passed = f"Overdue: the deadline {us_date(deadline, monday)} has passed"
    return f"{passed} before this week opens." if deadline < monday else f"{passed}."


def overdue_sentence(end_day: date, deadline: date, monday: date) -> str:
    """For work whose deadline had passed before the plan could begin."""
    return (
        f"{passed_sentence(deadline, monday)} "
        f"Placed as early as possible: done {us_date(end_day)}, "
        f"{days_text((end_day - deadline).days)} after it."
    )


def late_sentence(end_day: date, deadline: date, slots: int, in_shop_from: date | None) -> str:
    """For work that fits only after its deadline, with what stood in the way."""
    when = us_date(deadline, end_day)
    if in_shop_from is not None and in_shop_from > deadline:
        why = f"the vehicle is not in the shop before {us_date(in_shop_from, end_day)}"
    else:
        why = f"it needs {hours_text(slots)} and no bay has that much left by then"
    return (
        f"Late: misses its deadline {when} by {days_text((end_day - deadline).days)}, "
        f"because {why}. Placed as early as possible."
    )


def deadline_sentence(deadline: date, first_day: date, monday: date) -> str:
    """The deadline of work without a place; `first_day` is the first that can still be planned."""
    if deadline < first_day:
        return passed_sentence(deadline, monday)
    return f"Its deadline is {us_date(deadline, monday)}."


def no_room_sentence(slots: int, last_day: date) -> str:
    """No bay has a stretch long enough."""
    return (
        f"Needs {hours_text(slots)} in one stretch; "
        f"no bay has that much left before {us_date(last_day)} closes."
    )


def too_long_sentence(slots: int, longest: int) -> str:
    """The work is longer than any shift of the week."""
    return (
        f"Needs {hours_text(slots)} in one stretch; "
        f"the longest shift this week is {hours_text(longest)}."
    )


def not_here_sentence(in_shop_from: date, last_day: date) -> str:
    """The vehicle comes after the last open day."""
    return f"The vehicle is not in the shop before {us_date(in_shop_from, last_day)}."


def booked_elsewhere_sentence(day: date, depot: str, near: date) -> str:
    """The vehicle has an appointment in another week or depot."""
    return f"Already has an appointment on {us_date(day, near)} at {depot}."


def planned_already_sentence(day: date) -> str:
    """Another job of the same vehicle has its place this week."""
    return f"The vehicle is already in a bay on {us_date(day)}; one visit a week."


NOTHING_OPEN = "No open hours are left this week."
NO_BAY = "This depot has no bay."
KEPT = "Appointment kept as booked."
