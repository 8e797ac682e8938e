"""What is read back: the fleet today, forecasts, needs, one vehicle's record, who is missing."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import UTC, date, datetime, time, timedelta

import msgspec
import pytest
from sqlalchemy import Engine

from gateway.facts import Monitor
from ingest import commands, queries
from ingest.program_files import load_programs
from tests.support.reports import NOW, START, ecu, load, opened, report, store, vehicle

PROGRAMS = load_programs()
AS_OF = START + timedelta(hours=30)


@pytest.fixture
def engine(store_url_of_either: str) -> Iterator[Engine]:
    with opened(store_url_of_either) as engine:
        load(
            engine,
            vehicle(1, due_date=date(2026, 10, 20)),
            vehicle(2, due_date=date(2026, 10, 10)),
            vehicle(3, due_date=None),
            vehicle(4, depot="South", depot_tz="America/Los_Angeles"),
        )
        lit = {"7E8": ecu(mil=True, confirmed=["P0420"])}
        open_monitors = (Monitor.CATALYST, Monitor.EVAPORATIVE_SYSTEM)
        store(
            engine,
            report(1, 20, ecus=lit),
            report(2, 6),
            report(3, 5, ecus={"7E8": ecu(incomplete=open_monitors)}),
        )
        yield engine


def test_every_vehicle_has_an_expected_result_and_cannot_tell_stays_apart(engine: Engine) -> None:
    # 40 CFR 85.2207 (lamp) and 85.2222 (readiness count): two not complete is one too many for
    # model year 2001 and newer; a vehicle never heard from is neither ready nor not ready.
    found = {one.vehicle.unit: one.verdict.outcome for one in
             queries.forecast(engine, AS_OF, PROGRAMS)}  # fmt: skip

    assert found == {
        "U001": "would_fail",
        "U002": "would_pass",
        "U003": "not_ready",
        "U004": "cannot_tell",
    }


def test_the_fleet_today_says_who_was_heard_within_a_day(engine: Engine) -> None:
    today = queries.fleet_today(engine, None, AS_OF, PROGRAMS)

    # 30 h after the start: gateway 2 was heard 24 h ago (just in), 3 a little longer (just out).
    assert (today.heard, today.not_heard) == (2, ("U003", "U004"))
    assert len(queries.fleet_today(engine, "South", AS_OF, PROGRAMS).vehicles) == 1


def test_needs_come_in_order_of_their_deadline(engine: Engine) -> None:
    found = queries.needs(engine, "North", AS_OF, PROGRAMS)

    assert [one.vehicle.unit for one in found] == ["U002", "U001"]
    assert all(one.need.hours > 0 and one.need.next_step for one in found)


def test_the_record_of_a_vehicle_tells_its_events_alerts_and_gateways(engine: Engine) -> None:
    found = queries.record(engine, 1, AS_OF, PROGRAMS)

    assert found is not None
    assert {(one.kind, one.subject) for one in found.events} == {
        ("mil_on", ""), ("code", "P0420:confirmed"),
    }  # fmt: skip
    assert [one.kind for one in found.alerts] == ["mil_on"]
    assert (found.reports, [one[0] for one in found.gateways]) == (1, ["gw-0001"])
    assert queries.record(engine, 99, AS_OF, PROGRAMS) is None


@pytest.mark.parametrize(
    ("text", "units"),
    [("u001", ["U001"]), (" flt 002 ", ["U002"]), ("1fleet00000000003", ["U003"]), ("U00", [])],
    ids=["unit", "plate", "VIN", "part of a unit"],
)
def test_a_vehicle_is_found_by_unit_plate_or_vin_in_any_case(
    engine: Engine, text: str, units: list[str]
) -> None:
    assert [one.unit for one in queries.find_vehicle(engine, text)] == units


def test_a_new_depot_has_two_bays_and_a_working_week(engine: Engine) -> None:
    north, south = queries.depots(engine)

    assert (north.bays, north.weekdays) == (("1", "2"), (0, 1, 2, 3, 4))
    assert (north.opens, north.closes) == (time(7), time(17))
    assert south.tz == "America/Los_Angeles"


@pytest.mark.parametrize(
    ("start", "week"),
    [
        (datetime(2026, 11, 30, 7, 45, tzinfo=UTC), "2026-W48"),
        (datetime(2026, 11, 30, 8, 0, tzinfo=UTC), "2026-W49"),
    ],
    ids=["last quarter of Sunday in Los Angeles", "first of Monday"],
)
def test_a_week_of_appointments_is_the_depots_own(
    engine: Engine, start: datetime, week: str
) -> None:
    commands.book(
        engine, 4, "South", "1", start, [start], 0.25, "why", actor="m", now=NOW, request_id="b",
    )  # fmt: skip

    found = {one: len(queries.appointments(engine, "South", one)) for one in
             ("2026-W48", "2026-W49")}  # fmt: skip
    assert found == {"2026-W48": 0, "2026-W49": 0} | {week: 1}


def test_an_appointment_stands_by_its_vehicle_until_it_is_over(engine: Engine) -> None:
    start = AS_OF.replace(minute=0)
    commands.book(
        engine, 1, "North", "1", start, [start], 0.25, "why", actor="m", now=NOW, request_id="b",
    )  # fmt: skip

    def ahead(minutes: int) -> bool:
        moment = start + timedelta(minutes=minutes)
        return queries.forecast(engine, moment, PROGRAMS)[0].next_appointment is not None

    assert [ahead(0), ahead(14), ahead(15)] == [True, True, False]


def test_every_answer_can_be_written_as_json(engine: Engine) -> None:
    answers = [
        queries.fleet_today(engine, None, AS_OF, PROGRAMS),
        queries.record(engine, 1, AS_OF, PROGRAMS),
        queries.alerts(engine, AS_OF),
        queries.depots(engine),
        queries.dead_letters(engine),
        queries.stored_counts(engine),
    ]

    assert all(msgspec.json.decode(msgspec.json.encode(one)) is not None for one in answers)


def test_alerts_come_gravest_first_and_by_depot(engine: Engine) -> None:
    store(engine, report(2, 7, ecus={"7E8": ecu(mil=True, confirmed=["P0300"])}))

    assert [one.unit for one in queries.alerts(engine, AS_OF)] == ["U002", "U001"]
    assert queries.alerts(engine, AS_OF, depot_name="South") == ()
