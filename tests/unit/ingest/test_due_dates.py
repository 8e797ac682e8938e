"""When an inspection is due, against the programs' own examples and the public calendars.

Tags: A the rule or agency page, B a secondary page, X arithmetic.
"""

from __future__ import annotations

from dataclasses import replace
from datetime import date, timedelta
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from ingest.domain import lay_up
from ingest.domain.due_calendar import months_later
from ingest.domain.due_dates import ASK_THE_AGENCY, due_of, dues_of, extension, holiday
from ingest.domain.due_dates import test_by as by_the_earliest
from ingest.domain.inspections import Inspection, Result
from ingest.domain.programs import Program, ProgramError, parse_program
from ingest.program_files import load_programs
from tests.support.reports import vehicle

PROGRAMS = load_programs(None)
GOLDEN = Path(__file__).parents[2] / "golden" / "programs"
HEAVY, YORK, WISCONSIN = "california-heavy-duty", "new-york", "wisconsin"
DEFAULTS = {"due_date": None, "registration_expiry": None, "registration_state": None}


def _due(program: str, today: date, *history: Inspection, **changes: object):
    one = vehicle(1, **(DEFAULTS | {"program": program} | changes))
    return due_of(one, PROGRAMS[program], history, today)


def test_the_california_heavy_duty_window_is_the_agency_s_own_example():
    """CARB guidance: deadline 2025-02-01, earliest test 2024-11-03 (A; 90 calendar days, X)."""
    found = _due(HEAVY, date(2024, 10, 1), due_date=date(2025, 2, 1))
    assert (found.opens, found.due) == (date(2024, 11, 3), date(2025, 2, 1))


@pytest.mark.parametrize(
    ("tested", "due"),
    [
        (date(2024, 11, 2), date(2025, 2, 1)),  # the day before the window: counts for nothing
        (date(2024, 11, 3), date(2025, 8, 1)),  # its first day; twice a year (A)
        (date(2025, 2, 1), date(2025, 8, 1)),
        (date(2025, 2, 2), date(2025, 8, 1)),  # late, and still for that deadline
        (date(2025, 5, 3), date(2026, 2, 1)),  # 90 days before 2025-08-01 (X)
    ],
)
def test_a_pass_counts_only_in_the_window(tested: date, due: date):
    passed = Inspection(HEAVY, tested, Result.PASSED)
    assert _due(HEAVY, tested, passed, due_date=date(2025, 2, 1)).due == due


@pytest.mark.parametrize(
    ("today", "due"),
    [
        (date(2025, 6, 30), date(2025, 7, 31)),
        (date(2025, 7, 31), date(2025, 7, 31)),
        (date(2025, 8, 1), date(2026, 1, 31)),
    ],
)
def test_california_plates_owe_at_the_expiry_and_six_months_apart(today: date, due: date):
    """January expiry: January and July (B)."""
    found = _due(HEAVY, today, registration_expiry=date(2026, 1, 31), registration_state="CA")
    assert found.due == due
    assert "agency's account" in found.reasons[0]


def test_the_wisconsin_window_is_180_days():
    """Trans 131.03: no more than 180 days before renewal (A); 2026-06-30 less 180 days (X)."""
    assert _due(WISCONSIN, date(2026, 1, 2), due_date=date(2026, 6, 30)).opens == date(2026, 1, 1)


def test_a_year_after_the_last_pass_in_new_york():
    """15 NYCRR 79.24(a)(1): annual (A)."""
    passed = Inspection(YORK, date(2026, 3, 14), Result.PASSED)
    assert _due(YORK, date(2026, 4, 1), passed).due == date(2027, 3, 14)


def test_the_certificate_s_own_end_goes_before_the_period():
    passed = Inspection(YORK, date(2026, 3, 14), Result.PASSED, valid_until=date(2027, 3, 31))
    assert _due(YORK, date(2026, 4, 1), passed).due == date(2027, 3, 31)


def test_due_is_the_earlier_of_inspection_and_renewal():
    passed = Inspection(YORK, date(2026, 3, 14), Result.PASSED, valid_until=date(2026, 12, 31))
    renewed = _due(YORK, date(2026, 4, 1), passed, registration_expiry=date(2027, 1, 31))
    assert renewed.due == date(2026, 12, 31)
    ends = "the certificate of Sat Mar 14, 2026 ends Thu Dec 31, 2026"
    assert any(ends in why for why in renewed.reasons)


def test_a_certificate_that_ends_before_the_renewal_leaves_the_renewal_due():
    """A certificate of California light duty lives 90 days (B): 2026-01-01 to 2026-04-01 (X)."""
    light, passed = "california-light-duty", date(2026, 1, 1)
    for expiry, owed in ((date(2026, 4, 1), False), (date(2026, 4, 2), True)):
        entry = Inspection(light, passed, Result.PASSED)
        found = _due(light, passed, entry, registration_expiry=expiry)
        assert (found.due == expiry) is owed


def test_a_certificate_of_90_days_is_for_the_renewal_and_ends_no_period():
    """Biennial (16 CCR 3340.42.2(c), A*); a certificate of 90 days (B): 2026-01-01 + 90 (X)."""
    light, tested = "california-light-duty", date(2026, 1, 1)
    entry = Inspection(light, tested, Result.PASSED, valid_until=date(2026, 4, 1))
    for expiry, due in (
        (date(2026, 4, 1), date(2028, 1, 1)),  # covered to the day
        (date(2026, 4, 2), date(2026, 4, 2)),  # a day too long
        (date(2027, 4, 1), date(2028, 1, 1)),  # the renewal between two tests
        (date(2027, 6, 1), date(2027, 6, 1)),  # the one before, 2026-06-01, was not covered
        (date(2028, 4, 1), date(2028, 1, 1)),  # the next one that asks a test
    ):
        assert _due(light, tested, entry, registration_expiry=expiry).due == due


@pytest.mark.parametrize(
    ("until", "expiry", "due"),
    [
        (date(2026, 11, 30), None, date(2026, 11, 30)),
        (date(2026, 11, 30), date(2026, 12, 31), date(2026, 11, 30)),
        (date(2026, 12, 31), date(2026, 11, 30), date(2026, 12, 31)),
    ],
)
def test_the_certificate_of_the_vehicle_list_counts_until_a_pass_is_entered(until, expiry, due):
    """15 NYCRR 79.24(a)(1): annual (A)."""
    held = {"certificate_number": "C-1", "certificate_until": until, "registration_expiry": expiry}
    found = _due(YORK, date(2026, 10, 1), **held)
    assert found.due == due
    assert "certificate C-1 of the list ends" in found.reasons[0]
    passed = Inspection(YORK, date(2026, 9, 30), Result.PASSED, valid_until=date(2027, 9, 30))
    assert _due(YORK, date(2026, 10, 1), passed, certificate_until=until).due == date(2027, 9, 30)


def test_a_listed_certificate_is_checked_to_cover_the_renewal():
    """A certificate of California light duty lives 90 days (B); the days are counted (X)."""
    light, expiry = "california-light-duty", date(2026, 4, 1)
    for until, owed in ((date(2026, 4, 1), False), (date(2026, 3, 31), True)):
        found = _due(
            light, date(2026, 1, 5), certificate_number="C-1", certificate_until=until,
            registration_expiry=expiry,
        )  # fmt: skip
        assert (found.due == expiry) is owed


@pytest.mark.parametrize(
    ("passed", "stands"),
    [(None, True), (date(2026, 3, 15), True), (date(2026, 3, 16), False)],
)
def test_a_listed_retest_day_stands_until_a_pass_near_it(passed, stands):
    history = [] if passed is None else [Inspection(YORK, passed, Result.PASSED)]
    found = _due(YORK, date(2026, 6, 1), *history, retest_by=date(2026, 6, 14))
    assert found.retest_by == (date(2026, 6, 14) if stands else None)
    assert (found.test_by == date(2026, 6, 14)) is stands


@pytest.mark.parametrize(("ends", "told"), [(date(2026, 6, 1), True), (date(2026, 6, 2), False)])
def test_a_lease_that_ends_before_the_inspection_is_told(ends, told):
    due = date(2026, 6, 1)
    found = _due(YORK, date(2026, 1, 1), due_date=due, lease_end=ends, lessor="Lender")
    assert any("the lease ends" in why and "Lender" in why for why in found.reasons) is told


@pytest.mark.parametrize(("model_year", "told"), [(2018, True), (2017, False)])
def test_a_day_on_which_the_program_asks_no_test_is_told(model_year, told):
    """Health and Safety Code 44011: eight model years old or less, no biennial test (A*)."""
    light, due = "california-light-duty", date(2026, 6, 1)
    found = _due(light, date(2026, 1, 1), due_date=due, model_year=model_year)
    assert found.due == due
    assert any("asks no periodic test of this vehicle in 2026" in why for why in found.reasons) is (
        told
    )


def test_a_failure_drives_the_retest_and_its_codes_stay_until_a_pass():
    failed = Inspection(
        YORK, date(2026, 3, 14), Result.FAILED, codes=("P0420",), retest_by=date(2026, 4, 13), id=1
    )
    again = Inspection(YORK, date(2026, 3, 20), Result.REJECTED, id=2)
    found = _due(YORK, date(2026, 3, 21), failed, again, due_date=date(2026, 4, 30))
    assert found.failed_codes == ("P0420",)
    assert _due(YORK, date(2026, 3, 15), failed, again).retest_by == date(2026, 4, 13)
    passed = Inspection(YORK, date(2026, 3, 20), Result.PASSED, id=3)
    after = _due(YORK, date(2026, 3, 21), failed, again, passed)
    assert (after.failed_codes, after.retest_by) == ((), None)


def test_results_of_another_program_or_of_later_days_do_not_count():
    other = Inspection(WISCONSIN, date(2026, 3, 14), Result.FAILED, codes=("P0420",))
    later = Inspection(YORK, date(2026, 3, 14), Result.FAILED, codes=("P0420",))
    assert _due(YORK, date(2026, 3, 13), other, later).failed_codes == ()


def test_a_vehicle_owes_every_program_of_the_list_and_of_its_results():
    """A pass in New York on 2026-03-14 is good for a year (A): the earlier day is planned for."""
    passed = Inspection(YORK, date(2026, 3, 14), Result.PASSED)
    one = vehicle(
        1, **(DEFAULTS | {"program": HEAVY, "due_date": date(2026, 8, 1)}), other_programs=(YORK,)
    )
    today = date(2026, 7, 1)
    days = {due.program: due.due for due in dues_of(one, PROGRAMS, (), today)}
    assert days == {HEAVY: date(2026, 8, 1), YORK: None}
    days = {due.program: due.due for due in dues_of(one, PROGRAMS, (passed,), today)}
    assert days == {HEAVY: date(2026, 8, 1), YORK: date(2027, 3, 14)}
    assert by_the_earliest(one, PROGRAMS, (passed,), today) == date(2026, 8, 1)


def test_a_vehicle_is_tested_before_its_lay_up():
    seasons = lay_up.parse_seasons("12-01 to 03-31")
    found = _due(YORK, date(2026, 10, 1), due_date=date(2027, 1, 15), lay_up=seasons)
    assert (found.due, found.test_by) == (date(2027, 1, 15), date(2026, 11, 30))


def test_a_lay_up_that_ends_the_test_before_the_window_is_told():
    seasons = lay_up.parse_seasons("2026-06-01 to 2027-03-31")
    found = _due(HEAVY, date(2026, 5, 1), due_date=date(2027, 2, 1), lay_up=seasons)
    assert found.reasons[-1].startswith("Sun May 31, 2026: too early to count")


@pytest.mark.parametrize(
    ("day", "state", "named"),
    [
        (date(2026, 11, 26), "CA", True),  # Thanksgiving, fourth Thursday: 5 USC 6103 (from memory)
        (date(2026, 11, 27), "CA", True),  # the day after: California Gov. Code 6700 (from memory)
        (date(2026, 11, 27), "NY", False),
        (date(2026, 4, 20), "MA", True),  # Patriots' Day, third Monday of April (from memory)
        (date(2026, 4, 20), "IL", False),
        (date(2026, 7, 1), "AB", False),  # a province: no state calendar is asked
    ],
)
def test_state_holidays_are_those_of_the_library(day: date, state: str, named: bool):
    assert (holiday(day, state) is not None) is named


def test_the_day_to_plan_for_is_no_state_holiday():
    found = _due(HEAVY, date(2026, 11, 1), due_date=date(2026, 11, 27), registration_state="CA")
    assert (found.due, found.test_by) == (date(2026, 11, 27), date(2026, 11, 25))


def test_more_time_is_offered_only_where_it_is_current_and_read():
    """New York's ten days are of 2005 and marked as not current: ask the agency."""
    assert extension(PROGRAMS[YORK]) == ASK_THE_AGENCY
    dates = PROGRAMS[YORK].dates
    known = dates.extension
    assert known is not None
    current = known.model_copy(update={"current": True})
    for tag, offered in (("A", True), ("A*", False)):
        cited = current.model_copy(update={"tag": tag})
        program = PROGRAMS[YORK].model_copy(
            update={"dates": dates.model_copy(update={"extension": cited})}
        )
        assert extension(program).startswith("10 days") is offered


def test_nothing_known_is_said_and_not_guessed():
    found = _due(YORK, date(2026, 1, 1))
    assert (found.due, found.opens, found.test_by) == (None, None, None)
    assert "No due date is known" in found.reasons[0]


@given(st.dates(date(1990, 1, 1), date(2060, 1, 1)), st.integers(min_value=-60, max_value=60))
def test_months_are_those_of_the_calendar(day: date, months: int):
    """Against pandas' DateOffset, a general-purpose reference."""
    import pandas as pd

    expected = (pd.Timestamp(day) + pd.DateOffset(months=months)).date()
    assert months_later(day, months) == expected


@given(st.dates(date(2025, 2, 1), date(2035, 1, 1)))
def test_a_pass_never_leaves_an_earlier_or_counted_deadline(tested: date):
    passed = Inspection(HEAVY, tested, Result.PASSED)
    found = _due(HEAVY, tested, passed, due_date=date(2025, 2, 1))
    assert found.due is not None
    assert found.due - timedelta(days=90) > tested


def test_massachusetts_gives_60_days_to_the_retest():
    """Agency page: 60 days to repair and retest (B); 2026-03-14 and 60 days (X)."""
    failed = Inspection("massachusetts", date(2026, 3, 14), Result.FAILED, codes=("P0420",))
    assert _due("massachusetts", date(2026, 3, 15), failed).retest_by == date(2026, 5, 13)


def test_every_program_gives_an_answer():
    for name in PROGRAMS:
        assert _due(name, date(2026, 1, 1), due_date=date(2026, 5, 1)).due == date(2026, 5, 1)


DIGITS = """
of = "{of}"
source = "invented for this test"
edition = "version 1"
tag = "X"
[dates.digit_months.months]
"0" = [1, 7]
"1" = [2]
"2" = [3]
"3" = [4]
"4" = [5]
"5" = [6]
"6" = [7]
"7" = [8]
"8" = [9]
"9" = [10]
"""


def _by_digit(of: str = "plate", months: str = DIGITS) -> Program:
    small = (GOLDEN / "good-small.toml").read_text(encoding="utf-8")
    return parse_program(f"{small}\n[dates.digit_months]{months.format(of=of)}", "small")


@pytest.mark.parametrize(
    ("plate", "today", "due"),
    [
        ("AB 121", date(2026, 2, 28), date(2026, 2, 28)),
        ("AB 121", date(2026, 3, 1), date(2027, 2, 28)),
        ("121 AB", date(2027, 12, 1), date(2028, 2, 29)),  # the last digit, not the last place
        ("AB 120", date(2026, 2, 1), date(2026, 7, 31)),  # two months of one digit
        ("AB 120", date(2026, 8, 1), date(2027, 1, 31)),
    ],
)
def test_a_fleet_s_own_program_may_go_by_the_last_digit_of_the_plate(plate, today, due):
    """Months are those of an invented program; the days are the calendar's."""
    one = vehicle(1, **(DEFAULTS | {"program": "small", "plate": plate}))
    found = due_of(one, _by_digit(), (), today)
    assert found.due == due
    assert "last digit" in found.reasons[0]
    assert "of the plate" in found.reasons[0]


def test_a_pass_moves_it_to_the_next_month_of_the_digit_and_the_list_goes_first():
    program = _by_digit("vin")
    one = vehicle(1, **(DEFAULTS | {"program": "small", "vin": "1HGCM82633A004350"}))
    passed = Inspection("small", date(2026, 7, 30), Result.PASSED)
    assert due_of(one, program, (passed,), date(2026, 8, 1)).due == date(2027, 1, 31)
    listed = replace(one, due_date=date(2026, 4, 1))
    assert due_of(listed, program, (), date(2026, 3, 1)).due == date(2026, 4, 1)


def test_a_plate_without_a_digit_leaves_the_day_unknown():
    one = vehicle(1, **(DEFAULTS | {"program": "small", "plate": "ABC"}))
    assert due_of(one, _by_digit(), (), date(2026, 1, 1)).due is None


def test_a_digit_without_a_month_is_a_fault_of_the_file():
    with pytest.raises(ProgramError, match="expected every digit 0-9"):
        _by_digit(months=DIGITS.replace('"9" = [10]\n', ""))
    with pytest.raises(ProgramError, match=r"months\.9"):
        _by_digit(months=DIGITS.replace("[10]", "[13]"))
