"""A gateway's clock that is ten years wrong, not set, or stepping loses nothing and alerts nobody.

A healthy vehicle drives for forty days and its gateway sleeps at night; the fleet is looked over
every true morning. Whatever the clock says, no alert is raised, and nothing is lost or set aside.
"""

from __future__ import annotations

from collections.abc import Callable
from datetime import datetime, timedelta
from typing import Any

import pytest

from gateway import contract
from ingest import handlers, queries
from tests.support.reports import START, gateway_name, incoming, journal_of, load, opened, vehicle
from tests.support.reports import report as good_report

DAYS, BAD_FROM, BAD_UNTIL = 40, 10, 30
YEARS = timedelta(days=3653)
Clock = Callable[[int, datetime], datetime | None]
CLOCKS: dict[str, Clock] = {
    "right": lambda _, now: now,
    "ten years ahead": lambda _, now: now + YEARS,
    "ten years behind": lambda _, now: now - YEARS,
    "not set": lambda _, now: None,
    "stepping": lambda n, now: now + timedelta(hours=(-11, 7, 0, -2)[n % 4]),
    "ahead, behind, not set": lambda n, now: (now + YEARS, now - YEARS, None)[n % 3],
}


def _drive(day: int, says: datetime | None, now: datetime) -> contract.Report:
    """The key-off reading of one day, as a gateway with such a clock sends it."""
    changes: dict[str, Any] = {"taken_at": None, "clock": "unset"}
    if says is not None:
        cycle = contract.DrivingCycle(
            started_at=contract.format_time(says - timedelta(minutes=30)),
            ended_at=contract.format_time(says),
            propulsion_on_s=1800.0,
            engine_on_s=1790.0,
            distance_km=20.0,
        )
        changes = {"taken_at": contract.format_time(says), "driving_cycle": cycle}
    return good_report(
        1, day + 1, reason="key_off", uptime_ms=(now - START) // timedelta(milliseconds=1),
        odometer_km=1000.0 + 20 * day, **changes,
    )  # fmt: skip


def _sleep(day: int, says: datetime | None) -> contract.Presence:
    """It means to sleep for 25 hours. A gateway without a clock can only leave `at` out."""
    wakes = (says or START - YEARS) + timedelta(hours=25)
    return contract.Presence(
        schema="presence/1", gateway=gateway_name(1), state="asleep", journal=journal_of(1),
        boot_no=1, connection_no=day + 1, oldest_kept=1,
        at=None if says is None else contract.format_time(says),
        wake_by=contract.format_time(wakes),
    )  # fmt: skip


@pytest.mark.parametrize("name", CLOCKS)
def test_a_wrong_clock_loses_nothing_and_alerts_nobody(store_url: str, name: str) -> None:
    with opened(store_url) as engine:
        load(engine, vehicle(1, due_date=None))
        for day in range(DAYS):
            evening = START + timedelta(days=day, hours=12)
            clock = CLOCKS[name if BAD_FROM <= day < BAD_UNTIL else "right"]
            says = clock(day, evening)
            sent = [incoming(_drive(day, says, evening), evening)]
            sent.append(incoming(_sleep(day, says), evening))
            said = handlers.store_batch(engine, sent)
            assert [one.status for one in said] == ["stored", "presence"], f"day {day}"
            handlers.sweep(engine, evening + timedelta(hours=12))
            assert queries.alerts(engine, evening, include_closed=True) == (), f"day {day}"
        record = queries.record(engine, 1, evening, queries.load_programs(None))
        assert record is not None
        assert record.reports == DAYS
        assert record.standing.heard_at == evening
        assert [one.kind for one in record.events] == []
