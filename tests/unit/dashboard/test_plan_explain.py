"""The plan's sentences read as US shops write dates and times."""

from datetime import UTC, date, datetime, timedelta
from zoneinfo import ZoneInfo

import pytest

from dashboard.planning import explain


@pytest.mark.parametrize(
    ("day", "near", "text"),
    [
        pytest.param(date(2026, 11, 30), None, "Mon Nov 30", id="plain"),
        pytest.param(date(2026, 3, 8), date(2026, 12, 31), "Sun Mar 8", id="no-leading-zero"),
        pytest.param(date(2027, 1, 1), date(2026, 12, 31), "Fri Jan 1, 2027", id="other-year"),
    ],
)
def test_dates_are_written_the_us_way(day: date, near: date | None, text: str) -> None:
    assert explain.us_date(day, near) == text


@pytest.mark.parametrize(
    ("hour", "minute", "text"),
    [
        pytest.param(0, 0, "12:00 AM", id="midnight"),
        pytest.param(11, 59, "11:59 AM", id="just-before-noon"),
        pytest.param(12, 0, "12:00 PM", id="noon"),
        pytest.param(13, 5, "1:05 PM", id="afternoon"),
    ],
)
def test_times_are_written_on_twelve_hours(hour: int, minute: int, text: str) -> None:
    assert explain.us_time(datetime(2026, 11, 23, hour, minute, tzinfo=UTC)) == text


def test_a_range_over_a_clock_change_names_its_zones() -> None:
    zone = ZoneInfo("America/New_York")
    start = datetime(2026, 11, 1, 5, tzinfo=UTC)
    end = start + timedelta(hours=2)
    text = explain.us_time_range(start.astimezone(zone), end.astimezone(zone))

    assert text == "1:00 AM EDT - 2:00 AM EST"


@pytest.mark.parametrize(
    ("deadline", "text"),
    [
        (date(2026, 11, 22), "Done Mon Nov 23, 1 day after its deadline Sun Nov 22."),
        (date(2026, 11, 23), "Done on its deadline Mon Nov 23, 0 days to spare."),
        (date(2026, 11, 24), "Done Mon Nov 23, 1 day before its deadline Tue Nov 24."),
    ],
    ids=["just-after", "at", "just-before"],
)
def test_slack_is_counted_in_days(deadline: date, text: str) -> None:
    assert explain.slack_sentence(date(2026, 11, 23), deadline) == text


def test_sentences_end_with_one_full_stop_and_empty_ones_vanish() -> None:
    assert explain.sentence("One", "", " Two. ") == "One. Two."
