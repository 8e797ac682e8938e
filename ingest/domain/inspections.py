"""What the official inspections of a vehicle gave, as entered, and what they leave open."""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from datetime import date, datetime
from enum import StrEnum
from typing import Literal

from gateway.facts import Monitor
from ingest.domain.observed_lamp import ObservedLamp
from ingest.domain.out_of_area import OutOfArea

_CODE = re.compile(r"[PCBU][0-3][0-9A-F]{3}")
MAX_CERTIFICATE, MAX_NOTE = 64, 500


class Result(StrEnum):
    """What the station said. `REJECTED`: turned away untested, or for monitors not complete."""

    PASSED = "passed"
    FAILED = "failed"
    REJECTED = "rejected"


@dataclass(frozen=True, slots=True)
class Inspection:
    """One result. `day` is the depot's own; `id` is None until stored, later ones are greater.

    `codes` it failed for, `monitors` it was rejected for. `valid_until` is the last day of the
    certificate as printed on it; `retest_by` the last day for the retest as the station wrote it.
    """

    program: str
    day: date
    result: Result
    codes: tuple[str, ...] = ()
    monitors: tuple[Monitor, ...] = ()
    certificate: str | None = None
    valid_until: date | None = None
    retest_by: date | None = None
    note: str = ""
    id: int | None = None


EntryKind = Literal["result", "walk-around", "out of area"]
Entry = Inspection | ObservedLamp | OutOfArea


@dataclass(frozen=True, slots=True)
class Withdrawn:
    """An entry that was taken back: it counts no more, and is kept with who and why."""

    kind: EntryKind
    entry: Entry
    at: datetime
    by: str
    why: str


def entry_faults(entry: Inspection, programs: Iterable[str], today: date) -> Iterator[str]:
    """Everything that is wrong with an entry made on the depot's day `today`."""
    known = sorted(programs)
    if entry.program not in known:
        yield f"program: {entry.program!r}, expected one of {', '.join(known)}"
    if entry.day > today:
        yield f"day: {entry.day.isoformat()}, expected {today.isoformat()} or earlier"
    for code in entry.codes:
        if not _CODE.fullmatch(code):
            yield f"codes: {code!r}, expected a code such as P0420"
    if entry.codes and entry.result is not Result.FAILED:
        yield f"codes: {', '.join(entry.codes)}, expected none unless it failed"
    if entry.monitors and entry.result is not Result.REJECTED:
        yield f"monitors: {', '.join(entry.monitors)}, expected none unless it was rejected"
    for name, held, other in (
        ("certificate", entry.certificate, Result.PASSED),
        ("valid_until", entry.valid_until, Result.PASSED),
    ):
        if held is not None and entry.result is not other:
            yield f"{name}: {held}, expected none unless it passed"
    if entry.retest_by is not None and entry.result is Result.PASSED:
        yield f"retest_by: {entry.retest_by}, expected none since it passed"
    for name, day in (("valid_until", entry.valid_until), ("retest_by", entry.retest_by)):
        if day is not None and day < entry.day:
            yield f"{name}: {day}, expected {entry.day.isoformat()} or later"
    for name, text, most in (
        ("certificate", entry.certificate or "", MAX_CERTIFICATE),
        ("note", entry.note, MAX_NOTE),
    ):
        if len(text) > most:
            yield f"{name}: {len(text)} characters, expected at most {most}"


@dataclass(frozen=True, slots=True)
class Open:
    """What results leave open under one program.

    `passed` is the last pass; `since` the results after it that did not pass, oldest first.
    """

    passed: Inspection | None
    since: tuple[Inspection, ...]

    @property
    def last(self) -> Inspection | None:
        """The latest result that did not pass, if nothing passed since."""
        return self.since[-1] if self.since else None

    @property
    def failed_codes(self) -> tuple[str, ...]:
        """The codes of every failure since the last pass: the next test is their retest."""
        return tuple(dict.fromkeys(code for one in self.since for code in one.codes))


def standing(history: Sequence[Inspection], program: str, by: date) -> Open:
    """How a vehicle stands with a program on a day, by the results entered."""
    own = sorted(
        (one for one in history if one.program == program and one.day <= by),
        key=lambda one: (one.day, one.id or 0),
    )
    passed = None
    since: list[Inspection] = []
    for one in own:
        if one.result is Result.PASSED:
            passed, since = one, []
        else:
            since.append(one)
    return Open(passed, tuple(since))
