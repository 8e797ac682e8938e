"""What the vehicle list says is parked is not silent: no alert, no bay, and it is said why."""

from __future__ import annotations

from datetime import date, timedelta
from typing import Any

import pytest
from msgspec import structs
from sqlalchemy import Engine

from gateway.contract import Presence, format_time
from ingest import commands, handlers, queries
from ingest.domain import lay_up
from ingest.program_files import load_programs
from tests.support.reports import (
    JOURNAL,
    NOW,
    gateway_name,
    incoming,
    load,
    opened,
    report,
    store,
    vehicle,
)

OFF = Presence(
    schema="presence/1", gateway=gateway_name(1), journal=JOURNAL, boot_no=1, connection_no=1,
    oldest_kept=1, at=format_time(NOW), state="offline",
)  # fmt: skip


def _listed(**said: Any) -> Any:
    if "lay_up" in said:
        said["lay_up"] = lay_up.parse_seasons(said["lay_up"])
    return vehicle(1, **said)


def _silent(engine: Engine, days: int) -> list[str]:
    handlers.store_batch(engine, [incoming(OFF)])
    handlers.sweep(engine, NOW + timedelta(days=days, hours=2))
    found = queries.alerts(engine, NOW + timedelta(days=days, hours=2))
    return [one.kind for one in found if one.state == "unacknowledged"]


@pytest.mark.parametrize(
    ("said", "days", "silent"),
    [
        pytest.param({"lay_up": "11-26 to 03-31"}, 0, True, id="the day before a lay-up"),
        pytest.param({"lay_up": "11-25 to 03-31"}, 0, False, id="its first day"),
        pytest.param({"lay_up": "11-01 to 11-25"}, 0, False, id="its last day"),
        pytest.param({"lay_up": "11-01 to 11-25"}, 1, True, id="the day after"),
        pytest.param({"state": "not in use"}, 0, False, id="not in use"),
        pytest.param({"state": "down"}, 0, True, id="down"),
        pytest.param({"fitted_until": date(2026, 11, 26)}, 0, True, id="taken out tomorrow"),
        pytest.param({"fitted_until": date(2026, 11, 25)}, 0, False, id="taken out today"),
    ],
)
def test_a_silent_gateway_is_an_alert_only_where_it_should_be_heard(
    store_url: str, said: dict[str, Any], days: int, silent: bool
) -> None:
    with opened(store_url) as engine:
        load(engine, _listed(**said))
        assert _silent(engine, days) == ["gateway_silent"] * silent


def test_an_alert_ends_as_the_lay_up_begins_and_comes_back_after_it(store_url: str) -> None:
    with opened(store_url) as engine:
        load(engine, _listed(lay_up="11-26 to 11-27"))
        found = [_silent(engine, days) for days in range(4)]
    assert found == [["gateway_silent"], [], [], ["gateway_silent"]]


@pytest.mark.parametrize("listed", [True, False])
def test_the_board_says_that_silence_is_expected_and_plans_no_bay(
    store_url: str, listed: bool
) -> None:
    said = {"lay_up": "10-15 to 03-31"} if listed else {}
    with opened(store_url) as engine:
        load(engine, _listed(**said, due_date=date(2027, 6, 1)))
        store(engine, report(1, 1))
        today = queries.fleet_today(engine, None, NOW, load_programs())
    (one,) = today.vehicles
    assert today.not_heard == (() if listed else ("U001",))
    assert today.heard == 0
    told = " ".join(reason.text for reason in one.verdict.reasons)
    assert ("Silence is expected: laid up until Wed Mar 31, 2027." in told) is listed
    assert one.verdict.outcome == "cannot_tell"
    assert one.need.hours == (0.0 if listed else 1.0)


def test_a_vehicle_due_in_its_lay_up_is_tested_before_it_and_overdue_within(
    store_url: str,
) -> None:
    with opened(store_url) as engine:
        load(engine, _listed(lay_up="11-20 to 03-31", due_date=date(2026, 12, 10)))
        store(engine, report(1, 1))
        (one,) = queries.forecast(engine, NOW, load_programs())
    assert one.need.deadline == date(2026, 11, 19)
    assert (one.need.overdue, one.need.hours) == (True, 1.0)


def test_a_gateway_that_is_silent_again_is_told_again(store_url: str) -> None:
    """Two silences are two events; the same one is told once."""
    told = []
    with opened(store_url) as engine:
        load(engine, vehicle(1))
        for number in (1, 2):
            at = NOW + timedelta(days=number)
            off = structs.replace(OFF, connection_no=2 * number, at=format_time(at))
            handlers.store_batch(engine, [incoming(off, at)])
            for later in (2, 3):
                handlers.sweep(engine, at + timedelta(hours=later))
                waiting = queries.pending_notices(engine, "mail", at + timedelta(hours=later))
                told.append([one.kind for one in waiting])
                for one in waiting:
                    commands.record_notice(engine, one.id, one.announcement, "mail", "sent", now=at)
            on = structs.replace(off, connection_no=2 * number + 1, state="online")
            handlers.store_batch(engine, [incoming(on, at + timedelta(hours=4))])
            handlers.sweep(engine, at + timedelta(hours=5))

    assert told == [["gateway_silent"], [], ["gateway_silent"], []]
