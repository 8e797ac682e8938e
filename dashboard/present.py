"""Facts into sentences and rows for the screen: pure, US dates, no colour as the only sign.

A row is a dict of heading to text. Nothing here judges: reasons are printed as they came.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence
from datetime import datetime, timedelta
from zoneinfo import ZoneInfo

from dashboard.exports import DISCLAIMER
from dashboard.planning.explain import us_date, us_time, us_time_range
from dashboard.planning.model import Depot, Job, Placement
from gateway.facts import CONTINUOUS, FULL_NAMES, CycleStatus, Monitor
from ingest.domain.codes import meaning
from ingest.domain.picture import EcuPicture, Picture
from ingest.domain.verdict import OUTCOME_TEXT, Outcome, Reason
from ingest.queries import Alert, Appointment, Event, FleetToday, Standing, VehicleRecord

Row = dict[str, str]

__all__ = ["DISCLAIMER", "Row"]

MILES_PER_KM = 0.621371
"""1 mile = 1.609344 km exactly (international mile)."""
NONE_KNOWN = "not known"

PRIORITY = {"high": "▲ High priority", "medium": "◆ Medium priority", "low": "○ Low priority"}
"""A shape and a word: nothing rests on colour."""

SOURCE_WORDS = {
    "A": "the rule itself",
    "A*": "a copy of the rule",
    "B": "a secondary source",
    "C": "one secondary source",
    "M": "from memory, unverified",
    "X": "a choice of this project",
}

FLASHING = (
    "Flashing lamp: tell the driver to ease off, avoid hard acceleration and steep climbs, stop "
    "where it is safe and park. Never send a vehicle with a flashing lamp on a drive to complete "
    "its self-tests."
)
# Bases: 42 USC 7522(a)(3); 49 CFR 392.80, 392.82 and part 395; OSHA 29 CFR 1910.1000 Table Z-1 and
# 1910.147 (the last four from memory); clearing: service 04 of SAE J1979 (from memory).
CAUTIONS: tuple[tuple[str, str], ...] = (
    ("Flashing lamp", FLASHING.removeprefix("Flashing lamp: ").capitalize()),
    (
        "Clearing codes",
        "Do not clear codes to get through. It sets every self-test back to not complete, and "
        "permanent codes stay. Clear only after a recorded repair, and keep the freeze frame "
        "first. A disconnected battery can do the same.",
    ),
    (
        "Tampering",
        "Removing an emission device or rendering it inoperative is illegal (42 USC 7522(a)(3)).",
    ),
    (
        "Readiness drives",
        "Obey speed limits, traffic law and hours of service; no test maneuvers on public roads. "
        "Nobody reads a screen while driving.",
    ),
    (
        "In the shop",
        "Vent the exhaust before running an engine indoors, chock and support the vehicle before "
        "going under it, mind hot exhaust parts, lock out hybrid high voltage. Local codes and "
        "licensed practice come first.",
    ),
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
    return f"{today.heard} of {total} vehicles were heard in the last 24 hours."


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
        return f"Cannot tell what the on-board check of unit {unit} would give."
    word = f" (the program's word: {verdict.program_word})" if verdict.program_word else ""
    return f"Unit {unit} {_ANSWERS[verdict.outcome]} on its on-board check today{word}."


def work_row(standing: Standing, zone: ZoneInfo, as_of: datetime) -> Row:
    """One vehicle with what it is expected to give, its due date and the one next step."""
    return {
        "Unit": standing.vehicle.unit,
        "Inspection due": due(standing, zone, as_of),
        "Expected OBD result": OUTCOME_TEXT[standing.verdict.outcome],
        "Next step": standing.need.next_step,
        "Appointment": visit(standing.next_appointment, zone, as_of),
    }


def why_row(standing: Standing, zone: ZoneInfo, as_of: datetime) -> Row:
    """One vehicle of which nothing can be told, and why."""
    return {
        "Unit": standing.vehicle.unit,
        "Why": " ".join(reason.text for reason in standing.verdict.reasons) or NONE_KNOWN,
        "Inspection due": due(standing, zone, as_of),
        "Next step": standing.need.next_step,
    }


def due(standing: Standing, zone: ZoneInfo, as_of: datetime) -> str:
    """'Fri Dec 4, in 9 days'."""
    day, left = standing.vehicle.due_date, standing.need.days_left
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
    """'▲ High priority: unit 12, Harbor, since Wed Nov 25, 3:40 PM (5 min ago)'."""
    when = f"{moment(alert.since, zone, as_of)} ({since(alert.since, as_of)})"
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


def reason_rows(reasons: Iterable[Reason]) -> list[Row]:
    """The reasons of a verdict with the fact, the rule and its clause."""
    return [
        {
            "Reason": one.text,
            "Fact": one.fact,
            "Rule": f"{one.rule}: {one.clause}" if one.clause else one.rule,
            "Source": SOURCE_WORDS.get(one.tag, one.tag),
        }
        for one in reasons
    ]


def status_rows(standing: Standing, zone: ZoneInfo, as_of: datetime) -> list[Row]:
    """The current status as name and value; what never was answered says so."""
    picture = standing.picture
    if picture is None:
        return []
    values = {
        "MIL (check engine)": {True: "commanded on", False: "commanded off"}.get(
            picture.mil(),  # type: ignore[arg-type]
            "not answered",
        ),
        "Last heard": moment(standing.heard_at, zone, as_of),
        "Codes last cleared": moment(_time(picture.last_clear_at), zone, as_of),
        "Driving cycles seen": f"{picture.driving_cycles}",
        "Driving cycles since codes cleared": f"{picture.driving_cycles_since_clear}",
        "Warm-ups since codes cleared": _number(picture.warm_ups_since_clear, ""),
        "Distance since codes cleared": _miles(picture.distance_since_clear_km),
        "Distance with MIL on": _miles(picture.distance_with_mil_km),
        "Odometer": _miles(picture.odometer_km),
        "Fuel level": _number(picture.fuel_level_pct, " %"),
        "Module voltage": _number(picture.module_v, " V"),
    }
    return [{"What": name, "Value": value} for name, value in values.items()]


def _time(epoch_ms: int | None) -> datetime | None:
    return None if epoch_ms is None else datetime.fromtimestamp(epoch_ms / 1000, ZoneInfo("UTC"))


def _number(value: float | None, unit: str) -> str:
    return "not answered" if value is None else f"{value:.4g}{unit}"


def _miles(km: float | None) -> str:
    return "not answered" if km is None else f"{km * MILES_PER_KM:,.0f} miles"


def monitor_rows(picture: Picture) -> list[Row]:
    """Every supported monitor by its full name, those not complete first."""
    merged = picture.monitors()
    order = sorted(merged, key=lambda one: (merged[one], list(Monitor).index(one)))
    return [
        {
            "Monitor": FULL_NAMES[one],
            "Since codes cleared": "complete" if merged[one] else "not complete",
            "This driving cycle": _this_cycle(one, picture.ecus.values()),
            "Counted at inspection": "no, runs all the time" if one in CONTINUOUS else "yes",
        }
        for one in order
    ]


def _this_cycle(monitor: Monitor, ecus: Iterable[EcuPicture]) -> str:
    said = {
        cycle[monitor]
        for ecu in ecus
        if (cycle := ecu.monitors_this_cycle) is not None and monitor in cycle
    }
    for status in (CycleStatus.DISABLED, CycleStatus.NOT_COMPLETE, CycleStatus.COMPLETE):
        if status in said:
            return status.value.replace("_", " ")
    return "not answered"


def code_rows(picture: Picture) -> list[Row]:
    """Every stored code with what it means in our own words."""
    found: dict[tuple[str, str], list[str]] = {}
    for name, ecu in sorted(picture.ecus.items()):
        for kind in ("confirmed", "pending", "permanent"):
            for code in getattr(ecu, kind) or ():
                found.setdefault((code, kind), []).append(name)
    return [
        {"Code": code, "Kind": kind, "ECU": ", ".join(ecus), "Meaning": code_meaning(code)}
        for (code, kind), ecus in sorted(found.items())
    ]


def code_silence(picture: Picture) -> str:
    """What to say where no code is listed: silence is never 'no codes'."""
    kinds = ("confirmed", "pending", "permanent")
    silent = [kind for kind in kinds if picture.codes(kind) is None]
    none = [kind for kind in kinds if picture.codes(kind) == frozenset()]
    said = [f"Asked for {', '.join(none)} codes: none."] if none else []
    return " ".join(said + ([f"Not answered: {', '.join(silent)} codes."] if silent else []))


def code_meaning(code: str) -> str:
    """A code's meaning, or that its maker alone knows it."""
    info = meaning(code)
    return info.definition if info else "not in our table: see the vehicle maker's text"


def event_rows(events: Sequence[Event], zone: ZoneInfo, as_of: datetime) -> list[Row]:
    """What happened, the newest first."""
    newest = sorted(events, key=lambda one: one.started_at, reverse=True)
    return [
        {
            "Began": moment(one.started_at, zone, as_of),
            "Ended": "still so" if _lasts(one) else moment(one.ended_at, zone, as_of),
            "Event": event_words(one),
            "Driving cycles": str(one.details.get("driving_cycles", "")),
        }
        for one in newest
    ]


def _lasts(event: Event) -> bool:
    return event.ended_at is None and event.kind != "clear"


def event_words(event: Event) -> str:
    """An event in the words of the trade."""
    if event.kind == "mil_on":
        codes = ", ".join(map(str, event.details.get("codes", ())))
        return "MIL (check engine) on" + (f", for {codes}" if codes else "")
    if event.kind == "code":
        code, _, kept = event.subject.partition(":")
        return f"{kept} code {code}: {code_meaning(code)}"
    if event.kind == "not_complete":
        return f"monitor not complete: {FULL_NAMES[Monitor(event.subject)]}"
    return "codes cleared" if event.kind == "clear" else event.kind.replace("_", " ")


def alert_rows(record: VehicleRecord, zone: ZoneInfo, as_of: datetime) -> list[Row]:
    """Every alert the vehicle ever had, with who answered it."""
    steps: dict[int, list[str]] = {}
    for step in record.alert_events:
        who = f"{step.event} by {step.actor}, {moment(step.at, zone, as_of)}"
        steps.setdefault(step.alert_id, []).append(who)
    return [
        {
            "Since": moment(one.since, zone, as_of),
            "Priority": priority(one),
            "What": one.text,
            "State": one.state,
            "Steps": "; ".join(steps.get(one.id, ())),
        }
        for one in record.alerts
    ]
