"""Times that no clock can mean are not believed, and never put a moment where no calendar goes.

The bounds are choices of this project (X); that a calendar ends is arithmetic (X).
"""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

import msgspec
import pytest

from gateway import contract
from gateway.contract import epoch_ms
from ingest.domain.observed import (
    SANE_FROM_MS,
    SANE_UNTIL_MS,
    Anchor,
    observe,
    sane_ms,
    wakes_at,
)
from tests.support.reports import report

HEARD = epoch_ms("2026-11-25T12:00:00.000Z")
HOUR = 3_600_000
UNSET_CLOCK = msgspec.structs.replace(report(1, 1), taken_at=None, clock="unset")


def _taken(text: str) -> contract.Report:
    created = "2020-01-01T00:00:00.000Z"
    return msgspec.structs.replace(report(1, 1), taken_at=text, journal_created_at=created)


@pytest.mark.parametrize(
    ("text", "believed"),
    [
        ("2019-12-31T23:59:59.999Z", False),
        ("2020-01-01T00:00:00.000Z", True),
        ("2099-12-31T23:59:59.999Z", True),
        ("2100-01-01T00:00:00.000Z", False),
        ("9999-12-31T23:59:59.999Z", False),
    ],
)
def test_a_clock_outside_the_sane_years_is_not_believed(text: str, believed: bool) -> None:
    anchor = Anchor(journal="another", boot_no=1, at=HEARD, uptime_ms=0)

    assert (observe(anchor, _taken(text)) == epoch_ms(text)) is believed


@pytest.mark.parametrize("uptime_ms", [0, 2**40, 2**53])
@pytest.mark.parametrize("created", ["0001-01-01T00:00:00.000Z", "9999-12-31T23:59:59.999Z"])
@pytest.mark.parametrize("zone", ["Pacific/Kiritimati", "America/Los_Angeles"])
def test_no_report_lies_where_a_calendar_of_any_zone_ends(
    created: str, uptime_ms: int, zone: str
) -> None:
    one = msgspec.structs.replace(UNSET_CLOCK, journal_created_at=created, uptime_ms=uptime_ms)
    late = Anchor(journal=one.journal, boot_no=one.boot_no, at=SANE_UNTIL_MS, uptime_ms=0)

    for anchor in (None, late):
        at = observe(anchor, one)
        assert SANE_FROM_MS <= at <= SANE_UNTIL_MS
        datetime.fromtimestamp(at / 1000, ZoneInfo(zone))
    assert SANE_FROM_MS <= sane_ms(created) <= SANE_UNTIL_MS


def _asleep(at: timedelta | None, wakes: timedelta) -> contract.Presence:
    """Heard at 2026-11-25 12:00 UTC; `at` and `wakes` as its own clock says, from then on."""
    heard = datetime.fromtimestamp(HEARD / 1000, UTC)
    return contract.Presence(
        schema="presence/1", gateway="gw-0001", state="asleep", journal=report(1, 1).journal,
        boot_no=1, connection_no=1, oldest_kept=1,
        at=None if at is None else contract.format_time(heard + at),
        wake_by=contract.format_time(heard + wakes),
    )  # fmt: skip


TEN_YEARS = timedelta(days=3653)


@pytest.mark.parametrize(
    ("at", "wakes", "hours"),
    [
        (timedelta(0), timedelta(hours=8), 8),
        (timedelta(hours=-5), timedelta(hours=3), 3),
        (timedelta(0), timedelta(hours=26), 26),
        (timedelta(0), timedelta(hours=26, seconds=1), 26),
        (TEN_YEARS, TEN_YEARS + timedelta(hours=8), 8),
        (-TEN_YEARS, timedelta(hours=8) - TEN_YEARS, 8),
        (None, timedelta(hours=8), 8),
        (None, timedelta(hours=8) - TEN_YEARS, 26),
        (None, timedelta(hours=8) + TEN_YEARS, 26),
    ],
)
def test_a_wrong_clock_does_not_make_a_sleeping_gateway_silent(
    at: timedelta | None, wakes: timedelta, hours: int
) -> None:
    assert wakes_at(_asleep(at, wakes), HEARD) == HEARD + hours * HOUR


def test_a_gateway_that_does_not_sleep_has_no_time_to_wake() -> None:
    online = msgspec.structs.replace(
        _asleep(timedelta(0), timedelta(0)), state="online", wake_by=msgspec.UNSET
    )

    assert wakes_at(online, HEARD) is None
