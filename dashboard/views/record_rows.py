"""One vehicle's record as rows for the screen: pure, like `dashboard.present`."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from datetime import UTC, datetime
from zoneinfo import ZoneInfo

from dashboard.present import Row, moment, priority
from dashboard.views.us_units import MILES_PER_KM
from gateway.facts import CONTINUOUS, FULL_NAMES, CycleStatus, Monitor
from ingest.domain.dictionary import NOT_KNOWN, Explain
from ingest.domain.picture import EcuPicture, Picture
from ingest.domain.verdict import Reason
from ingest.queries import Event, Standing, VehicleRecord

SOURCE_WORDS = {
    "A": "the rule itself",
    "A*": "a copy of the rule",
    "B": "a secondary source",
    "C": "one secondary source",
    "M": "from memory, unverified",
    "X": "a choice of this project",
}

# Bases: 42 USC 7522(a)(3); 49 CFR 392.80, 392.82 and part 395; OSHA 29 CFR 1910.1000 Table Z-1 and
# 1910.147 (the last four from memory); clearing: service 04 of SAE J1979 (from memory).
CAUTIONS: tuple[tuple[str, str], ...] = (
    (
        "Flashing lamp",
        "Ease off, avoid hard acceleration and steep climbs, stop where it is safe and park. Never "
        "send a vehicle with a flashing lamp on a drive to complete its self-tests.",
    ),
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


def reason_rows(reasons: Iterable[Reason]) -> list[Row]:
    """The reasons of a verdict with the fact, the rule and its clause."""
    return [
        {
            "Reason": one.text,
            "Fact": one.fact,
            "Rule": f"{one.rule}: {one.clause}" if one.clause else one.rule,
            "Source": _source(one),
        }
        for one in reasons
    ]


def _source(reason: Reason) -> str:
    """How sure the rule is, in which edition it was read, and what of it is less sure."""
    said = SOURCE_WORDS.get(reason.tag, reason.tag)
    edition = f" ({reason.edition})" if reason.edition and reason.edition not in said else ""
    return f"{said}{edition}. {reason.note}" if reason.note else f"{said}{edition}"


def status_rows(standing: Standing, zone: ZoneInfo, as_of: datetime) -> list[Row]:
    """The current status as name and value; what never was answered says so."""
    picture = standing.picture
    if picture is None:
        return []
    values = {
        "MIL (check engine)": lamp(picture),
        "Last heard": moment(standing.heard_at, zone, as_of),
        "Codes last cleared": _cleared(picture, zone, as_of),
        "Driving cycles seen": f"{picture.driving_cycles}",
        "Driving cycles since codes cleared": f"{picture.driving_cycles_since_clear}",
        "Warm-ups since codes cleared": _warm_ups(picture.warm_ups_since_clear),
        "Distance since codes cleared": _miles(picture.distance_since_clear_km),
        "Distance with MIL on": _miles(picture.distance_with_mil_km),
        "Odometer": _miles(picture.odometer_km),
        "Fuel level": _number(picture.fuel_level_pct, " %"),
        "Module voltage": _number(picture.module_v, " V"),
    }
    return [{"What": name, "Value": value} for name, value in values.items()]


def lamp(picture: Picture) -> str:
    """What the ECUs say of the lamp they command."""
    said = picture.mil()
    return "not answered" if said is None else "commanded on" if said else "commanded off"


def _time(epoch_ms: int | None) -> datetime | None:
    return None if epoch_ms is None else datetime.fromtimestamp(epoch_ms / 1000, UTC)


def _cleared(picture: Picture, zone: ZoneInfo, as_of: datetime) -> str:
    if picture.last_clear_at is None:
        return "not seen since the first reading"
    return moment(_time(picture.last_clear_at), zone, as_of)


def _warm_ups(count: int | None) -> str:
    """PID 30 is one byte and stays at 255 (SAE J1979, from memory)."""
    return "255 or more" if count == 255 else _number(count, "")


def _number(value: float | None, unit: str) -> str:
    return "not answered" if value is None else f"{value:.3g}{unit}"


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


def code_rows(picture: Picture, said: Explain) -> list[Row]:
    """Every stored code with its range, what it means, and who says so."""
    found: dict[tuple[str, str], list[str]] = {}
    for name, ecu in sorted(picture.ecus.items()):
        for kind in ("confirmed", "pending", "permanent"):
            for code in getattr(ecu, kind) or ():
                found.setdefault((code, kind), []).append(name)
    rows = []
    for (code, kind), ecus in sorted(found.items()):
        info = said(code)
        rows.append(
            {
                "Code": code,
                "Kind": kind,
                "ECU": ", ".join(ecus),
                "Range": info.kind.value,
                "Meaning": info.text or NOT_KNOWN,
                "Source": info.source or "none",
            }
        )
    return rows


def code_silence(picture: Picture) -> str:
    """What to say where no code is listed: silence is never 'no codes'."""
    kinds = ("confirmed", "pending", "permanent")
    silent = [kind for kind in kinds if picture.codes(kind) is None]
    none = [kind for kind in kinds if picture.codes(kind) == frozenset()]
    said = [f"Asked for {', '.join(none)} codes: none."] if none else []
    unread = picture.unread()
    if unread is not None:
        return f"{unread[0].upper()}{unread[1:]}: lamp, codes and monitors are not known."
    return " ".join(said + ([f"Not answered: {', '.join(silent)} codes."] if silent else []))


def event_rows(
    events: Sequence[Event], zone: ZoneInfo, as_of: datetime, said: Explain
) -> list[Row]:
    """What happened, the newest first."""
    newest = sorted(events, key=lambda one: one.started_at, reverse=True)
    return [
        {
            "Began": moment(one.started_at, zone, as_of),
            "Ended": "still so" if _lasts(one) else moment(one.ended_at, zone, as_of),
            "Event": event_words(one, said),
            "Driving cycles": str(one.details.get("driving_cycles", "")),
        }
        for one in newest
    ]


def _lasts(event: Event) -> bool:
    return event.ended_at is None and event.kind != "clear"


def event_words(event: Event, said: Explain) -> str:
    """An event in the words of the trade."""
    if event.kind == "mil_on":
        codes = ", ".join(map(str, event.details.get("codes", ())))
        return "MIL (check engine) on" + (f", for {codes}" if codes else "")
    if event.kind == "code":
        code, _, kept = event.subject.partition(":")
        return f"{kept} code {code}: {said(code)}"
    if event.kind == "not_complete":
        return f"monitor not complete: {FULL_NAMES[Monitor(event.subject)]}"
    if event.kind == "another_tester":
        return "another tester on the bus"
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
