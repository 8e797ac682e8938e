"""Answers for a terminal: tables of text, or one JSON object.

JSON: `{"schema": "<command>/1", "as_of": ..., "items": [...]}`; times in UTC, RFC 3339.
"""

from __future__ import annotations

import sys
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Any

import msgspec

from gateway.facts import FULL_NAMES, Monitor
from ingest.domain import vehicle_columns
from ingest.domain.dictionary import EMPTY, Dictionary, Explain, explainer
from ingest.domain.outcome import margin_words
from ingest.domain.vehicles import Vehicle
from ingest.domain.verdict import OUTCOME_TEXT
from ingest.printing_ahead import ahead, ahead_lines, monitor_line, monitors_ahead
from ingest.printing_codes import code_lines, codes
from ingest.printing_details import CYCLES_SHOWN, cycle_line, detail_lines, details, driving_cycle
from ingest.printing_due import entered, entered_lines
from ingest.printing_why import why, why_lines
from ingest.queries import Alert, DeadLetterRow, Event, Standing, VehicleRecord


@dataclass(frozen=True, slots=True)
class Answer:
    """The items of a JSON answer, and the lines that say the same to a person."""

    items: list[dict[str, Any]]
    lines: list[str]


def show(command: str, answer: Answer, as_of: datetime, *, as_json: bool) -> None:
    """Write an answer to stdout."""
    if as_json:
        whole = {"schema": f"{command}/1", "as_of": time(as_of), "items": answer.items}
        sys.stdout.buffer.write(msgspec.json.format(msgspec.json.encode(whole), indent=1) + b"\n")
        sys.stdout.buffer.flush()
        return
    for line in answer.lines:
        print(line)


def time(moment: datetime | None) -> str | None:
    """A moment in RFC 3339, UTC, to the second."""
    return None if moment is None else moment.astimezone(UTC).strftime("%Y-%m-%dT%H:%M:%SZ")


def forecast(standings: Sequence[Standing]) -> Answer:
    """Every vehicle with its verdict, reasons and inspection due."""
    lines = []
    for one in standings:
        due = one.need.deadline.isoformat() if one.need.deadline else "not known"
        word = OUTCOME_TEXT[one.verdict.outcome]
        lines.append(f"{one.vehicle.unit:>8}  {word:<12}  due {due}  {one.vehicle.depot}")
        lines += [
            f"{'':>10}{reason.text} [{reason.rule}; source {_sure(reason.tag)}]"
            for reason in one.verdict.reasons
        ]
        lines += ahead_lines(one.forecast)
    return Answer([standing(one) for one in standings], lines)


def _sure(tag: str) -> str:
    return "M, from memory" if tag == "M" else tag


def standing(one: Standing) -> dict[str, Any]:
    """One vehicle's stand as plain data."""
    verdict, need = one.verdict, one.need
    return {
        "unit": one.vehicle.unit,
        "vin": one.vehicle.vin,
        "depot": one.vehicle.depot,
        "program": one.vehicle.program,
        "inspection_due": one.dues[0].due if one.dues else one.vehicle.due_date,
        "window_opens": one.dues[0].opens if one.dues else None,
        "expected_obd_result": OUTCOME_TEXT[verdict.outcome],
        "program_word": verdict.program_word,
        "reasons": [
            {
                "text": r.text,
                "fact": r.fact,
                "rule": r.rule,
                "clause": r.clause,
                "source_tag": r.tag,
                "edition": r.edition,
                "note": r.note,
            }
            for r in verdict.reasons
        ],
        "check_by_eye": list(verdict.check_by_eye),
        "seen_by_eye": list(verdict.seen_by_eye),
        "not_complete": [FULL_NAMES[monitor] for monitor in verdict.incomplete],
        "allowed_not_complete": verdict.allowed_incomplete,
        "allowed_by_name": [FULL_NAMES[monitor] for monitor in verdict.allowed_monitors],
        "to_spare": verdict.spare,
        "next_step": need.next_step,
        "do_not_dispatch": need.do_not_dispatch,
        "deadline": need.deadline,
        "last_heard": time(one.heard_at),
        **ahead(one.forecast),
    }


def alerts(found: Sequence[Alert], depot_lines: Sequence[str] = ()) -> Answer:
    """Standing alerts, the gravest first, and beside them what a depot's vehicles share."""
    items = [
        {
            "id": one.id,
            "unit": one.unit,
            "depot": one.depot,
            "kind": one.kind,
            "state": one.state,
            "priority": one.priority,
            "since": time(one.since),
            "text": one.text,
            "instruction": one.instruction,
            "held_until": time(one.shelved_until) if one.held else None,
        }
        for one in found
    ]
    lines = [
        f"{one.priority:<7} {one.state:<16} unit {one.unit} ({one.depot}) "
        f"since {time(one.since)}: {one.text}"
        for one in found
    ]
    return Answer(items, (lines or ["no standing alerts"]) + list(depot_lines))


def record(found: VehicleRecord, dictionary: Dictionary = EMPTY) -> Answer:
    """One vehicle's history, newest event first, with what its codes mean."""
    now, events = found.standing, found.events[::-1]
    said = explainer(now.vehicle.make, now.vehicle.model_year, dictionary)
    item = standing(now) | {
        "vehicle_list": _listed(now.vehicle),
        "reports": found.reports,
        "gateways": [
            {"gateway": name, "from": time(start), "until": time(end)}
            for name, start, end in found.gateways
        ],
        "monitors": {
            FULL_NAMES[monitor]: "complete" if done else "not complete"
            for monitor, done in _monitors(now)
        },
        "codes": codes(now.picture, said),
        **details(now.picture, said),
        **entered(found),
        **why(found.explained),
        "monitors_ahead": monitors_ahead(now.forecast),
        "driving_cycles": [driving_cycle(one) for one in found.cycles],
        "events": [_event(event, said) for event in events],
        "alerts": alerts(found.alerts).items,
        "appointments": [
            {"bay": a.bay, "start": time(a.start), "end": time(a.end), "reason": a.reason}
            for a in found.appointments
        ],
    }
    lines = forecast([now]).lines
    margin = margin_words(now.verdict)
    lines += [f"{'':>10}{margin}"] if margin else []
    lines += [f"{'':>10}next step: {now.need.next_step}"]
    lines += [f"{'':>10}check by eye: {text}" for text in now.verdict.check_by_eye]
    lines += [f"{'':>10}looked at: {text}" for text in now.verdict.seen_by_eye]
    lines += _listed_lines(now.vehicle)
    lines += entered_lines(found)
    lines += code_lines(now.picture, said)
    lines += why_lines(found.explained, now.need.deadline)
    lines += [monitor_line(one) for one in now.forecast.monitors]
    lines += detail_lines(now.picture, said)
    lines += [cycle_line(one) for one in found.cycles[:CYCLES_SHOWN]]
    lines += [
        f"{time(event.started_at)}  {words(event, said)}"
        + (f", ended {time(event.ended_at)}" if event.ended_at and event.kind != "clear" else "")
        for event in events
    ]
    return Answer([item], lines)


def _monitors(one: Standing) -> Iterable[tuple[Monitor, bool]]:
    return one.picture.monitors().items() if one.picture else ()


def _event(event: Event, said: Explain) -> dict[str, Any]:
    return {
        "kind": event.kind,
        "text": words(event, said),
        "started_at": time(event.started_at),
        "ended_at": time(event.ended_at),
        "details": event.details,
    }


def words(event: Event, said: Explain) -> str:
    """What happened, in the words of the trade."""
    if event.kind == "mil_on":
        return "MIL (check engine) on"
    if event.kind == "code":
        code, _, kept = event.subject.partition(":")
        return f"{kept} code {code}: {said(code)}"
    if event.kind == "not_complete":
        return f"monitor not complete: {FULL_NAMES[Monitor(event.subject)]}"
    if event.kind == "clear":
        return "codes cleared"
    if event.kind == "another_tester":
        return "another tester on the bus"
    return event.kind.replace("_", " ")


def _listed(one: Vehicle) -> dict[str, Any]:
    """What the vehicle list says of one vehicle."""
    return {
        column.name: value
        if (value := getattr(one, column.name)) is None or column.whole_number
        else column.show(value)
        for column in vehicle_columns.ALL
    }


def _listed_lines(one: Vehicle) -> list[str]:
    """The same for a person: what has something in it, beyond the identity."""
    said = _listed(one)
    return [
        f"{'':>10}by the list, {column.label}: {said[column.name]}"
        for column in (vehicle_columns.STATE, *vehicle_columns.PARTICULARS)
        if said[column.name] not in (None, "")
    ]


def vehicles(found: Sequence[Vehicle]) -> Answer:
    """The vehicle list: numbers as such, all else as in the file; null where nothing is known."""
    items = [_listed(one) for one in found]
    lines = [f"{one.unit:>8}  {one.vin}  {one.depot}  due {one.due_date}" for one in found]
    return Answer(items, lines or ["the vehicle list is empty"])


def dead_letters(found: Sequence[DeadLetterRow]) -> Answer:
    """What could not be read, oldest first, with the first bytes of each payload."""
    items = [
        {
            "id": one.id,
            "topic": one.topic,
            "bytes": one.size,
            "digest": one.digest,
            "received_at": time(one.received_at),
            "times_seen": one.times_seen,
            "reasons": list(one.reasons),
        }
        for one in found
    ]
    lines = []
    for one in found:
        lines.append(f"{time(one.received_at)}  {one.topic}  {one.size} bytes")
        lines += [f"{'':>4}{reason}" for reason in one.reasons]
    return Answer(items, lines or ["no dead letters"])
