"""When a vehicle owes an inspection program its test: the day, the window, and why.

Only what the program's file carries moves a day; whatever it does not say is left to the agency.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from functools import cache
from typing import NamedTuple

import holidays

from ingest.domain import lay_up
from ingest.domain.due_calendar import (
    A_YEAR,
    after_pass,
    calendar_days,
    calendar_words,
    day_before,
    months_later,
    own_calendar,
)
from ingest.domain.inspections import Inspection, Open, standing
from ingest.domain.program_scope import fuel_of
from ingest.domain.programs import Program
from ingest.domain.us_days import us_day
from ingest.domain.vehicles import Vehicle

ASK_THE_AGENCY = "No current rule for more time is known here: ask the agency."
_DAY = timedelta(days=1)
_RETEST = timedelta(days=90)
"""A pass so near before a listed retest day, or after it, was that retest (a choice of ours)."""


@dataclass(frozen=True, slots=True)
class Due:
    """What one vehicle owes one program; days are the depot's own, None where nothing is known.

    `opens`: the first day on which a test counts. `due`: the last by the program or for the
    renewal. `test_by`: the last day to plan for, before a lay-up and off a state holiday.
    `retest_by` and `failed_codes` belong to a failure not yet made good. `reasons` say why each
    day is what it is, in order.
    """

    program: str
    opens: date | None
    due: date | None
    test_by: date | None
    retest_by: date | None
    failed_codes: tuple[str, ...]
    extension: str
    reasons: tuple[str, ...]


def due_of(vehicle: Vehicle, program: Program, history: Sequence[Inspection], today: date) -> Due:
    """Work out what is due on the depot's day `today` from the list and the results entered."""
    stand = standing(history, program.name, today)
    candidates = _candidates(vehicle, program, stand, today)
    found = sorted(candidates, key=lambda one: one[0])
    reasons = [f"{us_day(day)}: {why}." for day, why in found]
    due = found[0][0] if found else None
    if due is None:
        reasons.append("No due date is known: enter it in the vehicle list, or the last result.")
    opens = _opens(program, due)
    if opens is not None and due is not None:
        reasons.append(f"{us_day(opens)}: first day on which a test counts for {us_day(due)}.")
    retest_by = _retest_by(program, vehicle, stand)
    if stand.last is not None:
        reasons.append(_unsettled(stand.last, retest_by))
    elif retest_by is not None:
        reasons.append(
            f"{us_day(retest_by)}: retest by the vehicle list; enter the result that failed, so "
            "that the retest is judged by its codes."
        )
    limits = [day for day in (due, retest_by) if day is not None]
    test_by = None if not limits else _test_day(vehicle, min(limits), reasons)
    if opens is not None and test_by is not None and test_by < opens and retest_by is None:
        reasons.append(
            f"{us_day(test_by)}: too early to count, the window opens {us_day(opens)}: "
            "ask the agency before the lay-up."
        )
    if due is not None:
        reasons += _not_asked(vehicle, program, due)
    if due is not None and vehicle.lease_end is not None and vehicle.lease_end <= due:
        reasons.append(
            f"{us_day(vehicle.lease_end)}: the lease ends before it is due: settle with "
            f"{vehicle.lessor} who has it tested."
        )
    return Due(
        program=program.name,
        opens=opens,
        due=due,
        test_by=test_by,
        retest_by=retest_by,
        failed_codes=stand.failed_codes,
        extension=extension(program),
        reasons=tuple(reasons),
    )


def dues_of(
    vehicle: Vehicle, programs: Mapping[str, Program], history: Sequence[Inspection], today: date
) -> tuple[Due, ...]:
    """What it owes its own program, first, each other one of the list or that has a result."""
    others = vehicle.other_programs or ()
    names = dict.fromkeys([vehicle.program, *others, *(entry.program for entry in history)])
    known = [programs[name] for name in names if name in programs]
    return tuple(due_of(vehicle, program, history, today) for program in known)


def test_by(
    vehicle: Vehicle, programs: Mapping[str, Program], history: Sequence[Inspection], today: date
) -> date | None:
    """The first day by which a program wants its test; the list's own where no program is known."""
    dues = dues_of(vehicle, programs, history, today)
    days = [one.test_by for one in dues if one.test_by is not None]
    return min(days, default=None if dues else vehicle.test_day())


def extension(program: Program) -> str:
    """More time in the program's words, only where its file carries it as current and read."""
    known = program.dates.extension
    if known is None or not known.offered:
        return ASK_THE_AGENCY
    return f"{known.days} days: {known.condition} ({known.source}, {known.edition})."


def holiday(day: date, state: str | None) -> str | None:
    """The name of a public holiday of a US state, by the `holidays` library; None if none.

    A station may work on it all the same: it is a hint, a depot's own closed days are its own.
    """
    if state is None or state not in _states():
        return None
    name: str | None = _calendar(state, day.year).get(day)
    return name


@cache
def _states() -> frozenset[str]:
    return frozenset(holidays.list_supported_countries()["US"])


@cache
def _calendar(state: str, year: int) -> holidays.HolidayBase:
    return holidays.country_holidays("US", subdiv=state, years=year)


def _not_asked(vehicle: Vehicle, program: Program, due: date) -> Iterator[str]:
    """A day that the list or the calendar gives, and the program asks no test on."""
    fuel, run = fuel_of(vehicle), vehicle.odometer_mi
    row = program.exemption(vehicle, fuel, due.year, run)
    if row is not None:
        which = "test" if row.of == "program" else "periodic test"
        yield (
            f"{us_day(due)}: the program asks no {which} of this vehicle in {due.year} "
            f"({row.what}; {row.source}): check the day in the list."
        )


def _candidates(
    vehicle: Vehicle, program: Program, stand: Open, today: date
) -> Iterator[tuple[date, str]]:
    """Every day that something is owed by, with its reason: the earliest is due."""
    listed = vehicle.due_date if vehicle.program == program.name else None
    passed = stand.passed
    settled = (
        listed is not None and passed is not None and _counts(vehicle, program, passed.day, listed)
    )
    if listed is not None and not settled:
        yield listed, "due by the vehicle list"
    held = _certificate(vehicle, program, passed)
    # One that lives shorter than the period is for the renewal alone.
    ends = held is not None and held.named and program.dates.certificate_days is None
    if held is not None and ends:
        yield held.ends, f"{held.words} ends"
    elif passed is not None and (listed is None or settled):
        yield from _next(vehicle, program, passed, listed)
    if passed is None and listed is None and not ends:
        yield from _first(vehicle, program, today)
    yield from _renewal(vehicle, program, passed, held)


class _Certificate(NamedTuple):
    """What is held: its last day, in words, and whether that day is printed on it (`named`)."""

    ends: date
    words: str
    named: bool


def _certificate(
    vehicle: Vehicle, program: Program, passed: Inspection | None
) -> _Certificate | None:
    """The certificate of the last pass entered, else that of the vehicle list."""
    if passed is not None:
        words = f"the certificate of {us_day(passed.day)}"
        life = program.dates.certificate_days
        ruled = None if life is None else passed.day + timedelta(days=life.value)
        known = [day for day in (passed.valid_until, ruled) if day is not None]
        return _Certificate(min(known), words, passed.valid_until is not None) if known else None
    if vehicle.certificate_until is None or vehicle.program != program.name:
        return None
    number = vehicle.certificate_number
    return _Certificate(vehicle.certificate_until, f"certificate {number} of the list", True)


def _next(
    vehicle: Vehicle, program: Program, passed: Inspection, listed: date | None
) -> Iterator[tuple[date, str]]:
    """The next due date after a pass: of the program's own calendar, or a period after the test."""
    said, dates = f"the last passed test was on {us_day(passed.day)}", program.dates
    period = None if dates.period_months is None else dates.period_months.value
    if listed is None or dates.digit_months is not None or not own_calendar(dates):
        day = next(calendar_days(vehicle, dates, passed.day), None)
        if day is not None:
            counts = _counts(vehicle, program, passed.day, day)
            due = after_pass(vehicle, dates, day) if counts else day
            yield due, f"by {calendar_words(vehicle, dates)}; {said}"
        elif period is not None:
            due = months_later(passed.day, period)
            yield due, f"{period} months after the passed test of {us_day(passed.day)}"
    elif period is not None:
        steps = 1  # always from the listed day: 31, 28, 31 and not 31, 28, 28
        while _counts(vehicle, program, passed.day, due := months_later(listed, steps * period)):
            steps += 1
        yield due, f"every {period} months from {us_day(listed)}; {said}"


def _counts(vehicle: Vehicle, program: Program, tested: date, due: date) -> bool:
    """Whether a pass counts for a due date: not before the window, nor by the one before."""
    opens = _opens(program, due)
    if opens is None:
        opens = day_before(vehicle, program.dates, due) + _DAY
    return tested >= opens


def _first(vehicle: Vehicle, program: Program, today: date) -> Iterator[tuple[date, str]]:
    """Without a listed day or a pass: the next day of the program's own calendar.

    A registration's own expiry is the renewal's need, also when it lies behind.
    """
    dates = program.dates
    by = dates.due_by
    if dates.digit_months is None and (by is None or by.value != "agency_account"):
        return
    for day in calendar_days(vehicle, dates, today):
        if _old_enough(vehicle, program, day):
            yield day, calendar_words(vehicle, dates)
            return


def _old_enough(vehicle: Vehicle, program: Program, day: date) -> bool:
    """Whether a first test is asked by a day: not before `first_due_age`, in model years."""
    first = program.dates.first_due_age
    return first is None or day.year - vehicle.model_year >= first.value


def _renewal(
    vehicle: Vehicle, program: Program, passed: Inspection | None, held: _Certificate | None
) -> Iterator[tuple[date, str]]:
    """The registration's need: a certificate that lives until it is renewed."""
    expiry = vehicle.registration_expiry
    if expiry is None or vehicle.program != program.name:
        return
    if held is None:
        asked = program.dates.certificate_days is not None or program.dates.due_by is not None
        if passed is None and asked and _old_enough(vehicle, program, expiry):
            yield expiry, "the registration expires, and no passed test is entered"
    elif held.ends < expiry and not _between_tests(program, passed, held, expiry):
        yield expiry, f"the registration expires; {held.words} ends {us_day(held.ends)}"


def _between_tests(
    program: Program, passed: Inspection | None, held: _Certificate, expiry: date
) -> bool:
    """Whether the pass was for an earlier renewal, and the period to the next test still runs.

    A registration is renewed every year (common practice, no source), a test may be asked every
    two years.
    """
    period = program.dates.period_months
    if passed is None or period is None:
        return False
    earlier = (months_later(expiry, -back) for back in range(A_YEAR, period.value, A_YEAR))
    return any(passed.day <= renewed <= held.ends for renewed in earlier)


def _opens(program: Program, due: date | None) -> date | None:
    """The first day that counts: the window, or a certificate that must outlive the due date."""
    spans = [
        one.value for one in (program.dates.window_days, program.dates.certificate_days) if one
    ]
    return None if due is None or not spans else due - timedelta(days=min(spans))


def _retest_by(program: Program, vehicle: Vehicle, stand: Open) -> date | None:
    last = stand.last
    own = vehicle.retest_by if vehicle.program == program.name else None
    if last is None:
        passed = stand.passed
        return own if passed is None or own is None or own - passed.day > _RETEST else None
    within = program.dates.retest_within_days
    ruled = None if within is None else last.day + timedelta(days=within.value)
    return min((day for day in (last.retest_by, own, ruled) if day is not None), default=None)


def _unsettled(last: Inspection, retest_by: date | None) -> str:
    what = ", ".join(last.codes or tuple(last.monitors))
    told = f" for {what}" if what else ""
    until = "as the station says" if retest_by is None else f"by {us_day(retest_by)}"
    return f"{us_day(last.day)}: {last.result.value}{told}; retest {until}."


def _test_day(vehicle: Vehicle, limit: date, reasons: list[str]) -> date:
    """The last day to plan for: before a lay-up, and not on a holiday of the state."""
    day = lay_up.latest_test_day(vehicle.lay_up or (), limit)
    if day != limit:
        reasons.append(f"{us_day(day)}: test before the lay-up that covers {us_day(limit)}.")
    while (name := holiday(day, vehicle.registration_state)) is not None:
        reasons.append(f"{us_day(day)}: {name}, stations may be closed; one day earlier.")
        day -= _DAY
    return day
