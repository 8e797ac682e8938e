"""Driving cycles as rows, on both databases: straight on, out of order, and after a new edition."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import date, timedelta
from typing import Any

import pytest
from sqlalchemy import Engine, delete, update

from gateway.contract import DrivingCycle, Report, format_time
from gateway.facts import Monitor
from ingest import handlers, printing, queries
from ingest.store.database import write
from ingest.store.rebuilding import snapshot
from ingest.store.schema import driving_cycle, vehicle_state
from tests.support.reports import NOW, START, journal_of, load, opened, report, store, vehicle

PROGRAMS = queries.load_programs()
SHORT = (
    f'{{"journal":"{journal_of(1)}","seq":2,"observed_at":1,"started_at":1,"ended_at":2,'
    '"propulsion_on_s":1,"engine_on_s":1}'
)


@pytest.fixture
def engine(store_url_of_either: str) -> Iterator[Engine]:
    with opened(store_url_of_either) as engine:
        load(engine, vehicle(1), vehicle(2))
        yield engine


def driven(seq: int, **more: Any) -> Report:
    """The reading at the end of a drive of half an hour."""
    end = START + timedelta(hours=seq)
    summary = DrivingCycle(
        started_at=format_time(end - timedelta(minutes=30)),
        ended_at=format_time(end),
        propulsion_on_s=1800,
        engine_on_s=1500,
        **more,
    )
    return report(1, seq, reason="key_off", driving_cycle=summary)


def _seqs(engine: Engine) -> list[int]:
    found = queries.record(engine, 1, NOW, PROGRAMS)
    assert found is not None
    return [one.seq for one in found.cycles]


def test_driving_cycles_are_listed_the_newest_first_in_any_order_of_arrival(
    engine: Engine,
) -> None:
    store(engine, driven(2), report(1, 3), driven(8))
    store(engine, driven(5))  # belongs earlier: the vehicle is folded again
    store(engine, driven(5))  # and a repeat

    assert _seqs(engine) == [8, 5, 2]
    assert handlers.rebuild(engine, check=True, now=NOW).differences == ()


def test_a_driving_cycle_leaves_with_its_gateway_for_another_vehicle(engine: Engine) -> None:
    store(engine, driven(2))
    changed = vehicle(2, gateway="gw-0001", fitted_from=date(2026, 9, 20))
    load(engine, changed, request_id="load-2")

    assert _seqs(engine) == []
    assert handlers.rebuild(engine, check=True, now=NOW).differences == ()


@pytest.mark.parametrize(
    "change",
    [
        pytest.param(delete(driving_cycle), id="gone"),
        pytest.param(update(driving_cycle).values(summary=SHORT), id="other figures"),
    ],
)
def test_the_check_finds_driving_cycles_that_are_not_those_of_the_reports(
    engine: Engine, change: Any
) -> None:
    store(engine, driven(2, distance_km=31.5), driven(4))
    good = snapshot(engine)
    with write(engine) as connection:
        connection.execute(change.where(driving_cycle.c.seq == 2))

    assert handlers.rebuild(engine, check=True, now=NOW).differences == (
        "U001: driving cycles: those stored are not those folded",
    )
    handlers.rebuild(engine, check=False, now=NOW)
    assert handlers.rebuild(engine, check=True, now=NOW).differences == ()
    assert snapshot(engine) == good


def test_a_store_of_an_older_edition_is_folded_again_once_at_the_start(engine: Engine) -> None:
    store(engine, driven(2), report(2, 3))
    good = snapshot(engine)
    with write(engine) as connection:  # as the edition before driving cycles left it
        connection.execute(update(vehicle_state).values(fold_version=1))
        connection.execute(delete(driving_cycle))

    assert handlers.bring_up_to_date(engine, now=NOW) == 2
    assert snapshot(engine) == good
    assert _seqs(engine) == [2]
    assert handlers.bring_up_to_date(engine, now=NOW) == 0


def test_the_record_in_json_has_miles_minutes_and_what_was_not_given(engine: Engine) -> None:
    given = {
        "distance_km": 16.09344, "warm_up": True, "soak_s": 36000, "fuel_start_pct": 62.4,
        "fuel_end_pct": 58.0, "monitors_completed": [Monitor.CATALYST], "denominator_moved": True,
        "not_given": ["ambient_c"],
    }  # fmt: skip
    store(engine, driven(2), driven(4, **given))
    found = queries.record(engine, 1, NOW, PROGRAMS)
    assert found is not None

    answer = printing.record(found)
    newest, oldest = answer.items[0]["driving_cycles"]
    assert newest | {
        "distance_miles": 10.0, "propulsion_on_min": 30.0, "engine_on_min": 25.0, "warm_up": True,
        "soak_h": 10.0, "fuel_start_pct": 62.4, "monitors_completed": ["catalyst"],
        "denominator_moved": True, "not_given": ["ambient_c"],
        "started_at": "2026-10-01T09:30:00Z",
    } == newest  # fmt: skip
    assert (oldest["distance_miles"], oldest["warm_up"], oldest["not_given"]) == (None, None, None)
    assert any("10.0 miles, 30 min, warm-up, soak 10.0 h" in line for line in answer.lines)
