"""Facts into sentences and rows for the screen: pure, US dates, no colour as the only sign.

A row is a dict of heading to text. Nothing here judges: reasons are printed as they came.
"""

from __future__ import annotations

import re
from datetime import date, datetime, time, timedelta
from zoneinfo import ZoneInfo

from dashboard.planning.explain import us_date, us_time, us_time_range
from dashboard.planning.model import Depot, Job, Placement
from ingest.domain.expected_late import late_this_month
from ingest.domain.forecast import chance_words
from ingest.domain.vehicles import IN_SERVICE, Vehicle
from ingest.domain.verdict import OUTCOME_TEXT, Outcome
from ingest.queries import Alert, Appointment, FleetToday, Standing

Row = dict[str, str]

NONE_KNOWN = "not known"

PRIORITY = {"high": "▲ High priority", "medium": "◆ Medium priority", "low": "○ Low priority"}
"""A shape and a word: nothing rests on colour."""

FLASHING = (
    "Flashing lamp: tell the driver to ease off, avoid hard acceleration and steep climbs, stop "
    "where it is safe and park. Never send a vehicle with a flashing lamp on a drive to complete "
    "its self-tests."
)

_ANSWERS = {
    Outcome.WOULD_PASS: "would pass",
    Outcome.WOULD_FAIL: "would fail",
    Outcome.NOT_READY: "would be turned away as not ready",
}
_SPECIAL = re.compile(r"([\\`*_{}\[\]()#+\-.!|$~:<>&=^])")


def escape(text: str) -> str:
    """Text that Markdown shows as it stands (CommonMark: any punctuation may be escaped)."""
    return _SPECIAL.sub(r"\\\1", " ".join(text.split()))


def moment(at: datetime | None, zone: ZoneInfo, as_of: datetime) -> str:
    """'Wed Nov 25, 3:40 PM' in a zone; 'never' for None; the year when it is another one."""
    if at is None:
        return "never"
    local = at.astimezone(zone)
    return f"{us_date(local.date(), as_of.astimezone(zone).date())}, {us_time(local)}"


def clock_text(at: time) -> str:
    """'7:00 AM' of a wall-clock time."""
    return us_time(datetime.combine(date(2000, 1, 1), at))


def since(at: datetime, as_of: datetime) -> str:
    """How long ago, in one unit: 'just now', '5 min', '3 h', '2 days'."""
    minutes = int((as_of - at) / timedelta(minutes=1))
    if minutes < 1:
        return "just now"
    if minutes < 60:
        return f"{minutes} min ago"
    if minutes < 48 * 60:
        return f"{minutes // 60} h ago"
    return f"{minutes // (24 * 60)} days ago"


def heard(today: FleetToday) -> str:
    """How much of the fleet has been heard."""
    total = len(today.vehicles)
    if total == 0:
        return "No vehicle of the list belongs to this depot."
    if today.heard == total:
        return f"All {total} vehicles were heard in the last 24 hours."
    text = f"{today.heard} of {total} vehicles were heard in the last 24 hours."
    if quiet := total - today.heard - len(today.not_heard):
        text += f" Silence is expected of {quiet}: laid up, not in use, or the gateway taken out."
    return text


def late_words(today: FleetToday, zone: ZoneInfo) -> str:
    """How many inspections of this month are to be expected late, as it stands."""
    asked = [(one.need.deadline, one.verdict.outcome, one.forecast) for one in today.vehicles]
    return late_this_month(asked, today.as_of.astimezone(zone).date()).words()


def quiet_rows(today: FleetToday, zone: ZoneInfo) -> list[Row]:
    """Who has not been heard, the longest silent first."""
    quiet = [one for one in today.vehicles if one.vehicle.unit in set(today.not_heard)]
    quiet.sort(key=lambda one: (one.heard_at is not None, one.heard_at, one.vehicle.unit))
    return [
        {
            "Unit": one.vehicle.unit,
            "Last heard": moment(one.heard_at, zone, today.as_of),
            "Gateway": one.vehicle.gateway or "none fitted",
        }
        for one in quiet
    ]


def answer(standing: Standing) -> str:
    """The expected OBD result as one sentence."""
    unit, verdict = standing.vehicle.unit, standing.verdict
    if verdict.outcome is Outcome.CANNOT_TELL:
        return f"Expected OBD result: cannot tell for unit {unit}."
    word = f" (the program's word: {verdict.program_word})" if verdict.program_word else ""
    return f"Expected OBD result: today unit {unit} {_ANSWERS[verdict.outcome]}{word}."


def unit_words(vehicle: Vehicle) -> str:
    """'12', or '12 (in shop; hold: seats)': what the list says that bears on sending it out."""
    said = [] if vehicle.state == IN_SERVICE else [vehicle.state]
    if vehicle.hold_reason:
        said.append(f"hold: {vehicle.hold_reason}")
    return f"{vehicle.unit} ({'; '.join(said)})" if said else vehicle.unit


def work_row(standing: Standing, zone: ZoneInfo, as_of: datetime) -> Row:
    """One vehicle with what it is expected to give, its due date and the one next step."""
    return {
        "Unit": unit_words(standing.vehicle),
        "Inspection due": due_day(standing, zone, as_of),
        "Test by": test_by(standing, zone, as_of),
        "Expected OBD result": OUTCOME_TEXT[standing.verdict.outcome],
        "Chance in time": chance_in_time(standing, as_of.astimezone(zone).date()),
        "Next step": standing.need.next_step,
        "Appointment": visit(standing.next_appointment, zone, as_of),
    }


def chance_in_time(standing: Standing, today: date) -> str:
    """The chance of being ready by the test day, if repaired today where a repair is needed."""
    said = standing.forecast
    if standing.need.deadline is not None and standing.need.deadline < today:
        return "overdue"
    if said.chance_if_repaired_today is not None:
        return f"{chance_words(said.chance_if_repaired_today)} if repaired today"
    if said.chance is not None:
        return chance_words(said.chance)
    return "ready now" if standing.verdict.outcome is Outcome.WOULD_PASS else NONE_KNOWN


def stop_row(standing: Standing, zone: ZoneInfo, as_of: datetime) -> Row:
    """One vehicle that must not be dispatched, and why."""
    return {
        "Unit": unit_words(standing.vehicle),
        "Why": " ".join(reason.text for reason in standing.verdict.reasons[:1]) or NONE_KNOWN,
        "Next step": standing.need.next_step,
        "Appointment": visit(standing.next_appointment, zone, as_of),
    }


def why_row(standing: Standing, zone: ZoneInfo, as_of: datetime) -> Row:
    """One vehicle of which nothing can be told, and why."""
    return {
        "Unit": unit_words(standing.vehicle),
        "Why": " ".join(reason.text for reason in standing.verdict.reasons) or NONE_KNOWN,
        "Inspection due": due_day(standing, zone, as_of),
        "Test by": test_by(standing, zone, as_of),
        "Next step": standing.need.next_step,
    }


def due_day(standing: Standing, zone: ZoneInfo, as_of: datetime) -> str:
    """'Fri Dec 4': the day by which the program or the renewal wants it."""
    day = standing.dues[0].due if standing.dues else standing.vehicle.due_date
    return "no due date" if day is None else us_date(day, as_of.astimezone(zone).date())


def test_by(standing: Standing, zone: ZoneInfo, as_of: datetime) -> str:
    """'Thu Dec 3, in 8 days': the last day to plan for, before a lay-up, holiday or retest date."""
    day, left = standing.need.deadline, standing.need.days_left
    if day is None or left is None:
        return "no due date"
    text = us_date(day, as_of.astimezone(zone).date())
    if left < 0:
        return f"{text}, overdue by {-left} day{'' if left == -1 else 's'}"
    return f"{text}, " + ("today" if left == 0 else f"in {left} day{'' if left == 1 else 's'}")


def visit(booked: Appointment | None, zone: ZoneInfo, as_of: datetime) -> str:
    """When and where a vehicle is booked."""
    if booked is None:
        return "none"
    return f"{moment(booked.start, zone, as_of)}, bay {booked.bay}, {booked.depot}"


def bay_row(booked: Appointment, zone: ZoneInfo) -> Row:
    """One of today's appointments."""
    span = us_time_range(booked.start.astimezone(zone), booked.end.astimezone(zone))
    return {"Bay": booked.bay, "Time": span, "Unit": booked.unit, "Work": booked.reason}


def news_row(alert: Alert, zone: ZoneInfo, as_of: datetime) -> Row:
    """One alert that is new since the last close."""
    return {
        "Unit": alert.unit,
        "Since": moment(alert.since, zone, as_of),
        "Priority": priority(alert),
        "What": alert.text,
        "State": alert.state,
    }


def priority(alert: Alert) -> str:
    """The priority as a shape and a word."""
    return PRIORITY.get(alert.priority, alert.priority)


def alert_title(alert: Alert, zone: ZoneInfo, as_of: datetime) -> str:
    """'▲ High priority: unit 12, Harbor, since Wed Nov 25, 3:40 PM EST (5 min ago)'."""
    name = alert.since.astimezone(zone).tzname()
    when = f"{moment(alert.since, zone, as_of)} {name} ({since(alert.since, as_of)})"
    return f"{priority(alert)}: unit {alert.unit}, {alert.depot}, since {when}"


def alert_state(alert: Alert, zone: ZoneInfo, as_of: datetime) -> str:
    """Where the alert stands, with the hold if there is one."""
    text = f"State: {alert.state}."
    if alert.held and alert.shelved_until is not None:
        until = moment(alert.shelved_until, zone, as_of)
        text += f" Held until {until}: {alert.shelved_reason or 'no reason given'}."
    if alert.ended_at is not None:
        text += f" Back to normal {moment(alert.ended_at, zone, as_of)}."
    return text


def slot_text(placement: Placement, depot: Depot) -> str:
    """'7:00 AM - 8:30 AM' on the depot's clock."""
    return us_time_range(
        placement.start.astimezone(depot.zone), placement.end.astimezone(depot.zone)
    )


def placement_row(placement: Placement, depot: Depot) -> Row:
    """One line of the plan."""
    return {
        "Day": us_date(placement.start.astimezone(depot.zone).date()),
        "Time": slot_text(placement, depot),
        "Bay": placement.bay,
        "Unit": placement.unit,
        "Standing": "booked" if placement.booked else "proposed",
        "Work": placement.work,
        "Reason": placement.reason,
    }


def unplaced_row(job: Job, why: str, as_of: datetime) -> Row:
    """Work that got no place, and why."""
    return {
        "Unit": job.unit,
        "Deadline": us_date(job.deadline, as_of.date()),
        "Work": job.next_step,
        "Why there is no place": why,
    }
