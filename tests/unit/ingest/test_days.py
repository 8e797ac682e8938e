"""Days and moments as people write them: ISO 8601, in years that a fleet can mean."""

from __future__ import annotations

from datetime import UTC, date, datetime

import pytest

from ingest.domain.days import parse_day, parse_moment, parse_utc_moment


@pytest.mark.parametrize(
    ("text", "day"),
    [
        ("1950-01-01", date(1950, 1, 1)),
        ("2028-02-29", date(2028, 2, 29)),
        ("2099-12-31", date(2099, 12, 31)),
    ],
)
def test_a_day_is_read(text: str, day: date) -> None:
    assert parse_day(text) == day


@pytest.mark.parametrize(
    "text", ["", "0206-11-29", "1949-12-31", "2100-01-01", "9999-12-31", "2026-02-29", "29.11.2026"]
)
def test_a_day_that_cannot_be_meant_is_refused(text: str) -> None:
    with pytest.raises(ValueError, match=r"^.+$"):
        parse_day(text)


def test_a_moment_without_a_zone_is_utc_only_where_that_is_said() -> None:
    assert parse_moment("2026-11-29T12:00") == datetime(2026, 11, 29, 12)  # noqa: DTZ001 - no zone is the point
    assert parse_utc_moment("2026-11-29T12:00") == datetime(2026, 11, 29, 12, tzinfo=UTC)
    assert parse_utc_moment("2026-11-29T12:00+02:00") == datetime(2026, 11, 29, 10, tzinfo=UTC)


@pytest.mark.parametrize("text", ["", "0001-01-01", "9999-12-31T23:59:59-12:00", "2020-02-30"])
def test_a_moment_that_cannot_be_meant_is_refused(text: str) -> None:
    with pytest.raises(ValueError, match=r"^.+$"):
        parse_utc_moment(text)
