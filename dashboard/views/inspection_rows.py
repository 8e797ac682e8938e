"""Due days, results, looks, absences and doubts as rows: pure, US dates."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import date, datetime
from zoneinfo import ZoneInfo

from dashboard import present
from dashboard.planning.explain import us_date
from gateway.facts import FULL_NAMES
from ingest.domain import out_of_area
from ingest.domain.doubts import Doubt
from ingest.domain.due_dates import Due
from ingest.domain.inspections import Entry, Inspection, Withdrawn
from ingest.domain.observed_lamp import ObservedLamp
from ingest.domain.out_of_area import OutOfArea
from ingest.queries import Programs, VehicleRecord

NOT_LOOKED = "Not looked at"
SEEN: Mapping[str, bool | None] = {NOT_LOOKED: None, "Yes": True, "No": False}
_WORDS = {seen: words for words, seen in SEEN.items()}


def program_name(programs: Programs, name: str) -> str:
    """A program by its name on screen; its id where its file is gone."""
    return programs[name].short if name in programs else name


def due_row(one: Due, programs: Programs, today: date) -> present.Row:
    """What is owed to one program."""
    return {
        "Program": program_name(programs, one.program),
        "Window opens": day_words(one.opens, today),
        "Due": day_words(one.due, today),
        "Test by": day_words(one.test_by, today),
        "Retest by": day_words(one.retest_by, today) if one.failed_codes or one.retest_by else "",
        "Failed for": ", ".join(one.failed_codes),
    }


def result_row(one: Inspection, programs: Programs, today: date) -> present.Row:
    """One result that counts."""
    return {
        "Number": str(one.id),
        "Day": us_date(one.day, today),
        "Program": program_name(programs, one.program),
        "Result": _result_words(one),
        "Certificate": one.certificate or "",
        "Valid until": day_words(one.valid_until, today) if one.valid_until else "",
        "Note": one.note,
    }


def _result_words(one: Inspection) -> str:
    what = ", ".join(one.codes or tuple(FULL_NAMES[monitor] for monitor in one.monitors))
    return f"{one.result.value} for {what}" if what else one.result.value


def look_row(one: ObservedLamp, zone: ZoneInfo, now: datetime) -> present.Row:
    """One look of a walk-around."""
    return {
        "Number": str(one.id),
        "When": present.moment(one.at, zone, now),
        "Lamp lit at key-on": _WORDS[one.lit_at_key_on],
        "Lit while running": _WORDS[one.lit_while_running],
        "Connector works": _WORDS[one.connector_works],
        "By": one.by,
    }


def absence_row(one: OutOfArea, programs: Programs, today: date) -> present.Row:
    """One absence from the area, with what is on file."""
    proof_day = "" if one.proof_day is None else f", {us_date(one.proof_day, today)}"
    return {
        "Number": str(one.id),
        "Program": program_name(programs, one.program),
        "Status": one.status.value,
        "Where": one.place,
        "From": us_date(one.since, today),
        "Until": "not known" if one.until is None else us_date(one.until, today),
        "Proof on file": f"{one.proof}{proof_day}" if one.proof else "none",
        "Note": one.note,
    }


def withdrawn_row(one: Withdrawn, zone: ZoneInfo, now: datetime) -> present.Row:
    """One entry that was taken back."""
    return {
        "Entry": f"{one.kind} {one.entry.id}",
        "What it said": _entry_words(one.entry, zone, now),
        "Withdrawn": f"{present.moment(one.at, zone, now)}, by {one.by}",
        "Why": one.why,
    }


def _entry_words(entry: Entry, zone: ZoneInfo, now: datetime) -> str:
    if isinstance(entry, Inspection):
        return f"{us_date(entry.day, now.astimezone(zone).date())}: {_result_words(entry)}"
    if isinstance(entry, OutOfArea):
        return out_of_area.words(entry)
    row = look_row(entry, zone, now)
    return "; ".join(f"{name}: {value}" for name, value in row.items() if name != "Number")


def doubt_row(one: Doubt, zone: ZoneInfo, now: datetime) -> present.Row:
    """One thing that does not fit the vehicle's past."""
    seen = None if one.at is None else datetime.fromtimestamp(one.at / 1000, zone)
    return {
        "Seen": "stands now" if seen is None else present.moment(seen, zone, now),
        "What": one.text,
        "Look at": one.look_at,
    }


def entries_that_count(record: VehicleRecord, zone: ZoneInfo, now: datetime) -> dict[str, Entry]:
    """What may be withdrawn, by its words, the newest of each kind first."""
    entries: list[tuple[str, Entry]] = [("result", one) for one in reversed(record.inspections)]
    entries += [("walk-around", one) for one in record.looks]
    entries += [("out of area", one) for one in reversed(record.absences)]
    return {f"{kind} {one.id}: {_entry_words(one, zone, now)}": one for kind, one in entries}


def day_words(day: date | None, today: date) -> str:
    """A day, or that it is not known."""
    return "not known" if day is None else us_date(day, today)
