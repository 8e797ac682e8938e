"""A monitor not setting: the plain limit (common practice, no source)."""

from __future__ import annotations

from datetime import UTC, datetime

import pytest

from ingest.domain.episodes import Episode
from ingest.domain.picture import Picture
from ingest.domain.stuck import MIN_CYCLES, MIN_DAYS, stuck_monitors

DAY = 86_400_000
START = int(datetime(2026, 1, 1, tzinfo=UTC).timestamp() * 1000)


def open_one(subject="catalyst", begun=0):
    return Episode(
        kind="not_complete", subject=subject, started_at=START, start_key=("j", 1),
        details={"driving_cycles_at_start": begun},
    )  # fmt: skip


def after(ms):
    return datetime.fromtimestamp((START + ms) / 1000, tz=UTC)


@pytest.mark.parametrize(
    "cycles, elapsed, stuck",
    [
        pytest.param(MIN_CYCLES, MIN_DAYS * DAY, True, id="at both limits"),
        pytest.param(MIN_CYCLES - 1, MIN_DAYS * DAY, False, id="one cycle short"),
        pytest.param(MIN_CYCLES, MIN_DAYS * DAY - 1, False, id="just before the days"),
        pytest.param(MIN_CYCLES + 1, MIN_DAYS * DAY + 1, True, id="past both"),
    ],
)
def test_both_limits_must_be_reached(cycles, elapsed, stuck):
    picture = Picture(driving_cycles=cycles, driving_cycles_since_clear=cycles)
    assert bool(stuck_monitors(picture, [open_one()], after(elapsed))) is stuck


def test_a_clear_starts_the_count_again():
    picture = Picture(
        driving_cycles=90, driving_cycles_since_clear=50, last_clear_at=START + 10 * DAY
    )
    assert stuck_monitors(picture, [open_one()], after(23 * DAY)) == []
    found = stuck_monitors(picture, [open_one()], after(24 * DAY))
    assert [(one.monitor, one.since, one.cycles) for one in found] == [
        ("catalyst", START + 10 * DAY, 50)
    ]
    assert "common practice, no source" in found[0].reason


def test_cycles_before_it_was_seen_not_complete_do_not_count():
    picture = Picture(driving_cycles=90, driving_cycles_since_clear=90)
    assert stuck_monitors(picture, [open_one(begun=60)], after(99 * DAY)) == []


def test_continuous_monitors_do_not_stick():
    picture = Picture(driving_cycles=90, driving_cycles_since_clear=90)
    assert stuck_monitors(picture, [open_one("misfire")], after(99 * DAY)) == []
