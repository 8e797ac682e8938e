"""What a depot, a shift, a job and a week may be; all data invented.

Week numbers: ISO 8601 (from memory).
"""

from dataclasses import replace
from datetime import date, time, timedelta

import pytest

from dashboard.planning.model import Bay, Depot, Job, Shift, iso_week_of, monday_of, working_week

HARBOR = Depot("Harbor", "America/New_York", (Bay("Bay 1"),), working_week(time(7), time(17)))


def job(hours: float) -> Job:
    return Job(1, "H-001", "Harbor", hours, date(2026, 11, 27), "Reason", "Work")


@pytest.mark.parametrize(
    ("hours", "slots"),
    [
        pytest.param(0.01, 1, id="a-minute-takes-a-slot"),
        pytest.param(0.25, 1, id="exactly-one-slot"),
        pytest.param(0.26, 2, id="just-over-one-slot"),
        pytest.param(0.1 + 0.2 + 0.7, 4, id="a-float-sum-costs-no-extra-slot"),
        pytest.param(6.0, 24, id="six-hours"),
        pytest.param(0.0, ValueError(), id="no-work"),
        pytest.param(-1.0, ValueError(), id="negative"),
        pytest.param(float("nan"), ValueError(), id="not-a-number"),
        pytest.param(float("inf"), ValueError(), id="endless"),
    ],
)
def test_hours_round_up_to_whole_slots(hours: float, slots: int | ValueError) -> None:
    if isinstance(slots, ValueError):
        with pytest.raises(ValueError, match="hours"):
            job(hours)
    else:
        assert job(hours).slots_needed == slots


@pytest.mark.parametrize(
    ("opens", "closes"),
    [
        pytest.param(time(7, 10), time(17), id="opens-off-the-quarter"),
        pytest.param(time(7), time(17, 1), id="closes-off-the-quarter"),
        pytest.param(time(7), time(7), id="empty"),
        pytest.param(time(22), time(6), id="overnight"),
    ],
)
def test_a_shift_that_cannot_be_cut_into_slots_is_refused(opens: time, closes: time) -> None:
    with pytest.raises(ValueError, match=r"opens|closes"):
        Shift(opens, closes)


@pytest.mark.parametrize(
    ("change", "word"),
    [
        pytest.param({"hours": ((),) * 6}, "7", id="six-weekdays"),
        pytest.param({"bays": (Bay("A"), Bay("A"))}, "repeat", id="bay-twice"),
        pytest.param(
            {"hours": ((Shift(time(7), time(12)), Shift(time(11), time(17))),) * 7},
            "overlap",
            id="shifts-overlap",
        ),
    ],
)
def test_a_depot_that_contradicts_itself_is_refused(change: dict[str, object], word: str) -> None:
    with pytest.raises(ValueError, match=word):
        replace(HARBOR, **change)  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("day", "week"),
    [
        pytest.param(date(2026, 11, 29), "2026-W48", id="sunday-ends-the-week"),
        pytest.param(date(2026, 11, 30), "2026-W49", id="monday-begins-the-next"),
        pytest.param(date(2027, 1, 1), "2026-W53", id="new-year-in-the-old-week-year"),
    ],
)
def test_weeks_are_those_of_iso_8601(day: date, week: str) -> None:
    assert iso_week_of(day) == week
    assert monday_of(week) <= day <= monday_of(week) + timedelta(days=6)


@pytest.mark.parametrize("text", ["2026-48", "2026-W54", "W48", "2026-Wxx", ""])
def test_a_week_that_is_none_is_refused(text: str) -> None:
    with pytest.raises(ValueError, match=r"."):
        monday_of(text)
