"""Seasonal lay-up: days counted, written and read back; expected days are worked out by hand."""

from __future__ import annotations

from datetime import date

import pytest
from hypothesis import given
from hypothesis import strategies as st

from ingest.domain.lay_up import laid_up, latest_test_day, parse_seasons, show_seasons

WINTER = parse_seasons("12-01 to 03-31")


@pytest.mark.parametrize(
    ("day", "parked"),
    [
        (date(2026, 11, 30), False),
        (date(2026, 12, 1), True),
        (date(2027, 1, 1), True),
        (date(2027, 3, 31), True),
        (date(2027, 4, 1), False),
    ],
)
def test_a_yearly_season_runs_over_the_new_year(day: date, parked: bool):
    assert laid_up(WINTER, day) is parked


@pytest.mark.parametrize(
    ("year", "parked"),
    [(2027, False), (2028, True)],  # 2028 is a leap year
)
def test_29_february_is_the_28th_where_there_is_none(year: int, parked: bool):
    season = parse_seasons("02-29 to 03-10")
    assert laid_up(season, date(year, 2, 28)) is not parked
    assert laid_up(season, date(year, 3, 1))


@pytest.mark.parametrize(
    ("due", "test"),
    [
        (date(2026, 11, 30), date(2026, 11, 30)),
        (date(2026, 12, 1), date(2026, 11, 30)),
        (date(2027, 3, 31), date(2026, 11, 30)),
        (date(2027, 4, 1), date(2027, 4, 1)),
    ],
)
def test_the_test_comes_before_the_lay_up_that_covers_the_due_date(due: date, test: date):
    assert latest_test_day(WINTER, due) == test


def test_seasons_that_follow_each_other_are_one_lay_up():
    seasons = parse_seasons("2026-10-01 to 2026-11-30; 12-01 to 03-31")
    assert latest_test_day(seasons, date(2027, 2, 1)) == date(2026, 9, 30)


@pytest.mark.parametrize(
    "text",
    ["winter", "13-01 to 03-31", "2026-12-01 to 2026-11-30", "12-01 - 03-31", "02-30 to 03-01"],
)
def test_what_is_no_season_is_refused(text: str):
    with pytest.raises(ValueError, match=r"."):
        parse_seasons(text)


@given(
    st.dates(date(2020, 1, 1), date(2030, 1, 1)), st.dates(date(2020, 1, 1), date(2030, 1, 1)),
    st.booleans(),
)  # fmt: skip
def test_what_is_shown_is_read_back(one: date, other: date, yearly: bool):
    first, last = (one, other) if yearly else sorted((one, other))
    cut = 5 if yearly else 0
    text = f"{first.isoformat()[cut:]} to {last.isoformat()[cut:]}"
    assert show_seasons(parse_seasons(text)) == text
