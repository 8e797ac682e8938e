"""What is due, what official inspections gave, and looks at the lamp: for a terminal and JSON."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from gateway.facts import FULL_NAMES
from ingest.domain.drivers import driver_words
from ingest.domain.due_dates import Due
from ingest.domain.inspections import Entry, Inspection, Withdrawn
from ingest.domain.observed_lamp import ObservedLamp
from ingest.domain.out_of_area import OutOfArea
from ingest.domain.out_of_area import words as absence_words
from ingest.queries import VehicleRecord

_SEEN = {True: "yes", False: "no", None: "not looked at"}


def due_item(one: Due) -> dict[str, Any]:
    """One program's due days as plain data."""
    return {
        "program": one.program,
        "window_opens": one.opens,
        "due": one.due,
        "test_by": one.test_by,
        "retest_by": one.retest_by,
        "failed_codes": list(one.failed_codes),
        "more_time": one.extension,
        "reasons": list(one.reasons),
    }


def entered(found: VehicleRecord) -> dict[str, Any]:
    """What people entered, and the due days that follow from it."""
    return {
        "inspections_due": [due_item(one) for one in found.standing.dues],
        "inspection_results": [_result(one) for one in found.inspections],
        "walk_arounds": [_look(one) for one in found.looks],
        "out_of_area": [_absence(one) for one in found.absences],
        "withdrawn": [_withdrawn(one) for one in found.withdrawn],
        "drivers_today": [
            {
                "name": one.name,
                "phone": one.phone,
                "language": one.language,
                "take_home": one.take_home,
            }
            for one in found.drivers
        ],
        "does_not_fit": [
            {"kind": one.kind, "text": one.text, "look_at": one.look_at} for one in found.doubts
        ],
    }


def entered_lines(found: VehicleRecord) -> list[str]:
    """The same for a person."""
    lines = [f"{'':>10}driver today: {driver_words(one)}" for one in found.drivers]
    for due in found.standing.dues:
        lines.append(
            f"{'':>10}inspection due, {due.program}: {due.due or 'not known'}; "
            f"test by {due.test_by or 'not known'}; window opens {due.opens or 'not known'}"
        )
        lines += [f"{'':>12}{why}" for why in due.reasons]
        lines.append(f"{'':>12}{due.extension}")
    lines += [f"{'':>10}{result_words(one)}" for one in reversed(found.inspections)]
    lines += [f"{'':>10}{look_words(one)}" for one in found.looks[:1]]
    lines += [f"{'':>10}out of area {one.id}: {absence_words(one)}" for one in found.absences]
    lines += [f"{'':>10}{withdrawn_words(one)}" for one in found.withdrawn]
    lines += [f"{'':>10}does not fit: {one.text} Look at: {one.look_at}" for one in found.doubts]
    return lines


def result_words(one: Inspection) -> str:
    """'result 3, 2026-03-14, illinois: failed for P0420; retest by 2026-04-13'."""
    what: Sequence[str] = one.codes or tuple(FULL_NAMES[monitor] for monitor in one.monitors)
    told = f" for {', '.join(what)}" if what else ""
    more = [
        f"certificate {one.certificate}" if one.certificate else "",
        f"valid until {one.valid_until}" if one.valid_until else "",
        f"retest by {one.retest_by}" if one.retest_by else "",
        one.note,
    ]
    tail = "; ".join(part for part in more if part)
    text = f"result {one.id}, {one.day}, {one.program}: {one.result.value}{told}"
    return f"{text}; {tail}" if tail else text


def look_words(one: ObservedLamp) -> str:
    """What a person saw of the lamp, and when."""
    return (
        f"walk-around {one.id}, {one.at:%Y-%m-%d %H:%M} UTC by {one.by}: lamp lit at key-on: "
        f"{_SEEN[one.lit_at_key_on]}; lit while running: {_SEEN[one.lit_while_running]}; "
        f"connector works: {_SEEN[one.connector_works]}"
    )


def entry_words(entry: Entry) -> str:
    """What was entered, whichever kind it is."""
    if isinstance(entry, Inspection):
        return result_words(entry)
    return look_words(entry) if isinstance(entry, ObservedLamp) else absence_words(entry)


def withdrawn_words(one: Withdrawn) -> str:
    """'withdrawn 2026-03-14 by Pat (typed wrong): result 3, ...'."""
    return f"withdrawn {one.at:%Y-%m-%d} by {one.by} ({one.why}): {entry_words(one.entry)}"


def _result(one: Inspection) -> dict[str, Any]:
    return {
        "number": one.id,
        "program": one.program,
        "day": one.day,
        "result": one.result.value,
        "codes": list(one.codes),
        "monitors": [FULL_NAMES[monitor] for monitor in one.monitors],
        "certificate": one.certificate,
        "valid_until": one.valid_until,
        "retest_by": one.retest_by,
        "note": one.note,
    }


def _absence(one: OutOfArea) -> dict[str, Any]:
    return {
        "number": one.id,
        "program": one.program,
        "status": one.status.value,
        "place": one.place,
        "since": one.since,
        "until": one.until,
        "proof": one.proof,
        "proof_day": one.proof_day,
        "note": one.note,
    }


def _withdrawn(one: Withdrawn) -> dict[str, Any]:
    return {
        "kind": one.kind,
        "number": one.entry.id,
        "entry": entry_words(one.entry),
        "at": f"{one.at:%Y-%m-%dT%H:%M:%SZ}",
        "by": one.by,
        "why": one.why,
    }


def _look(one: ObservedLamp) -> dict[str, Any]:
    return {
        "at": f"{one.at:%Y-%m-%dT%H:%M:%SZ}",
        "number": one.id,
        "by": one.by,
        "connector_works": one.connector_works,
        "lit_at_key_on": one.lit_at_key_on,
        "lit_while_running": one.lit_while_running,
    }
