"""A vehicle away from its program's area when its inspection falls due, and the proof on file.

It moves no day and decides no verdict: whether an agency takes another state's test, or grants the
time, is the agency's alone.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from datetime import date
from enum import StrEnum

from ingest.domain.us_days import us_day

MAX_TEXT, MAX_NOTE = 64, 500


class Status(StrEnum):
    """What is done about an inspection that falls due while the vehicle is away."""

    TEST_THERE = "test there"
    RECIPROCITY = "reciprocity"
    DEFERRAL = "deferral applied for"


@dataclass(frozen=True, slots=True)
class OutOfArea:
    """One entry, from `since` to `until` (both count; None: not known); days are the depot's own.

    `place` is where it is. `proof` is the reference of the paper on file and `proof_day` its date:
    a report of the other test, the agency's letter, the application. `id` is None until stored.
    """

    program: str
    status: Status
    since: date
    place: str
    until: date | None = None
    proof: str | None = None
    proof_day: date | None = None
    note: str = ""
    id: int | None = None

    def holds(self, day: date) -> bool:
        """Whether the vehicle is away on a day."""
        return self.since <= day and (self.until is None or day <= self.until)


def entry_faults(entry: OutOfArea, programs: Iterable[str], today: date) -> Iterator[str]:
    """Everything that is wrong with an entry made on the depot's day `today`."""
    known = sorted(programs)
    if entry.program not in known:
        yield f"program: {entry.program!r}, expected one of {', '.join(known)}"
    if not entry.place.strip():
        yield "place: '', expected where the vehicle is"
    if entry.until is not None and entry.until < entry.since:
        yield f"until: {entry.until.isoformat()}, expected {entry.since.isoformat()} or later"
    if (entry.proof is None) != (entry.proof_day is None):
        yield "proof: expected its reference and its date, or neither"
    if entry.proof_day is not None and entry.proof_day > today:
        yield f"proof_day: {entry.proof_day.isoformat()}, expected {today.isoformat()} or earlier"
    for name, text, most in (
        ("place", entry.place, MAX_TEXT),
        ("proof", entry.proof or "", MAX_TEXT),
        ("note", entry.note, MAX_NOTE),
    ):
        if len(text) > most:
            yield f"{name}: {len(text)} characters, expected at most {most}"


def standing(entries: Sequence[OutOfArea], program: str, day: date) -> OutOfArea | None:
    """The entry that holds on a day under a program: the one that began last."""
    held = [one for one in entries if one.program == program and one.holds(day)]
    return max(held, key=lambda one: (one.since, one.id or 0), default=None)


_TODO = {
    Status.TEST_THERE: "It is to be tested there; whether that result counts, the agency decides.",
    Status.RECIPROCITY: "The agency is asked to take the other area's test; it decides.",
    Status.DEFERRAL: "More time is applied for; until the agency grants it the due date stands.",
}


def words(one: OutOfArea) -> str:
    """The entry as a sentence or two, with what is on file."""
    until = "" if one.until is None else f" to {us_day(one.until)}"
    where = f"Out of the area, in {one.place}, from {us_day(one.since)}{until}: {one.status.value}."
    if one.proof is None or one.proof_day is None:
        proof = "No proof is on file."
    else:
        proof = f"Proof on file: {one.proof} of {us_day(one.proof_day)}."
    return f"{where} {_TODO[one.status]} {proof}"
