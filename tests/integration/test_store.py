"""The store's own promises: rows written only when they changed, late reports, spans, times."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import UTC, date, datetime
from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st
from sqlalchemy import Engine, event, select

from gateway.facts import Monitor
from ingest.store import report_keys
from ingest.store.database import read
from ingest.store.schema import current_code, current_lamp, current_monitor, report
from ingest.store.spans import gaps_below, merge, through
from ingest.store.times import day_start_ms, from_ms, to_ms
from tests.support.reports import START, ecu, load, opened, store, vehicle
from tests.support.reports import report as make


@pytest.fixture
def engine(store_url: str) -> Iterator[Engine]:
    with opened(store_url) as engine:
        load(engine, vehicle(1), vehicle(2))
        yield engine


def _current(engine: Engine) -> tuple[list[tuple[object, ...]], ...]:
    with read(engine) as connection:
        return tuple(
            sorted(tuple(row)[1:] for row in connection.execute(select(table)))
            for table in (current_lamp, current_code, current_monitor)
        )


def test_the_current_tables_follow_the_last_reading(engine: Engine) -> None:
    reading = ecu(mil=True, confirmed=["P0420"], incomplete=(Monitor.CATALYST,))
    store(engine, make(1, 1, ecus={"7E8": reading}))
    assert _current(engine) == (
        [("7E8", True)],
        [("7E8", "P0420", "confirmed")],
        [("7E8", "catalyst", False), ("7E8", "evaporative_system", True), ("7E8", "misfire", True)],
    )

    store(engine, make(1, 2))
    assert _current(engine)[:2] == ([("7E8", False)], [])


def test_a_row_that_did_not_change_is_not_written(engine: Engine) -> None:
    store(engine, make(1, 1))
    written: list[str] = []

    def note(_c: object, _cursor: object, statement: str, *_: object) -> None:
        if statement.startswith(("INSERT", "UPDATE", "DELETE")):
            written.append(statement.split("(", maxsplit=1)[0].replace("INSERT INTO ", "").strip())

    event.listen(engine, "before_cursor_execute", note)
    store(engine, make(1, 2), make(1, 3))
    event.remove(engine, "before_cursor_execute", note)

    with read(engine) as connection:
        *_, keys = report_keys.tables(connection)
    assert sorted(written) == ["gateway_journal", "report", keys.name, "vehicle_state"]


def test_an_ecu_that_stays_silent_has_no_row_rather_than_no_codes(engine: Engine) -> None:
    from gateway.contract import EcuReading

    store(engine, make(1, 1, ecus={"7E8": EcuReading()}))

    assert _current(engine) == ([], [], [])


def test_observed_time_of_a_clockless_report_follows_uptime_whatever_the_order(
    engine: Engine,
) -> None:
    store(engine, make(1, 1))
    store(engine, make(1, 4))
    store(engine, make(1, 3, taken_at=None, clock="unset"))

    with read(engine) as connection:
        rows = connection.execute(
            select(report.c.seq, report.c.taken_at, report.c.observed_at).order_by(report.c.seq)
        ).all()
    hour = 3_600_000
    begin = to_ms(START)
    assert [tuple(row) for row in rows] == [
        (1, begin + hour, begin + hour),
        (3, None, begin + 3 * hour),
        (4, begin + 4 * hour, begin + 4 * hour),
    ]


SPANS = st.lists(st.tuples(st.integers(1, 60), st.integers(0, 9)).map(lambda p: (p[0], sum(p))))


@given(SPANS, st.integers(1, 80))
def test_spans_agree_with_plain_sets(spans: list[tuple[int, int]], limit: int) -> None:
    numbers = {n for first, last in spans for n in range(first, last + 1)}
    merged = merge(spans)

    assert {n for first, last in merged for n in range(first, last + 1)} == numbers
    assert all(a[1] + 1 < b[0] for a, b in pairwise(merged))
    done = through(merged)
    assert set(range(1, done + 1)) <= numbers
    assert done + 1 not in numbers
    missing = {n for first, last in gaps_below(merged, limit) for n in range(first, last + 1)}
    assert missing == set(range(1, limit)) - numbers


@pytest.mark.parametrize(
    ("moment", "value"),
    [
        (datetime(1970, 1, 1, tzinfo=UTC), 0),
        (datetime(1969, 12, 31, 23, 59, 59, 999000, tzinfo=UTC), -1),
        (datetime(2026, 11, 2, 13, 5, 9, 250000, tzinfo=UTC), 1793624709250),
    ],
    ids=["epoch", "before it", "a reading"],
)
def test_times_are_whole_milliseconds_both_ways(moment: datetime, value: int) -> None:
    assert to_ms(moment) == value
    assert from_ms(value) == moment


@pytest.mark.parametrize(
    ("day", "begins"),
    [
        (date(2026, 10, 31), datetime(2026, 10, 31, 5, tzinfo=UTC)),
        (date(2026, 11, 1), datetime(2026, 11, 1, 5, tzinfo=UTC)),
        (date(2026, 11, 2), datetime(2026, 11, 2, 6, tzinfo=UTC)),
    ],
    ids=["before the clocks change", "on the day", "after"],
)
def test_a_day_begins_on_the_depots_own_clock(day: date, begins: datetime) -> None:
    # Daylight saving time ends on the first Sunday in November at 2 a.m. (15 U.S.C. 260a;
    # from memory).
    assert from_ms(day_start_ms(day, "America/Chicago")) == begins
