"""The invented fleet: the same seed gives the same bytes, and the stories come true."""

from __future__ import annotations

import hashlib
from datetime import UTC, date, datetime, timedelta
from zoneinfo import ZoneInfo

import pytest

from fleet_demo.identity import check_digit
from fleet_demo.scenarios import (
    DEPOTS,
    Fleet,
    KeyOff,
    KeyOn,
    build_fleet,
    iter_day,
    vehicle_list_rows,
)
from fleet_demo.truck import SimulatedVehicle
from ingest.domain.program_scope import covered, fuel_of
from ingest.domain.vehicles import read_rows
from ingest.program_files import load_programs

END = date(2026, 11, 25)
REQUESTS = [b"\x01\x01", b"\x01\x41", b"\x01\x31", b"\x03", b"\x07", b"\x0a", b"\x09\x02"]


def run(fleet: Fleet) -> str:
    """Drive the whole history; a digest of every byte answered on the way."""
    digest = hashlib.sha256()
    for day in fleet.days():
        for moment in iter_day(fleet, day):
            digest.update(f"{moment.vehicle.unit} {moment.at.isoformat()}".encode())
            for name, ecu in moment.vehicle.ecus.items():
                digest.update(name.encode())
                for request in REQUESTS:
                    digest.update(ecu.answer(request) or b"-")
    return digest.hexdigest()


def unlit_pending(vehicle: SimulatedVehicle) -> bool:
    states = [s for ecu in vehicle.ecus.values() for s in ecu.memory.codes.values()]
    return any(state.pending and not state.lamp for state in states)


def test_the_same_seed_and_end_give_the_same_bytes_and_others_do_not() -> None:
    first, again = (build_fleet(12, 6, 3, end=END) for _ in range(2))
    assert vehicle_list_rows(first) == vehicle_list_rows(again)
    answers = run(first)
    assert answers == run(again)
    assert answers != run(build_fleet(12, 6, 4, end=END))
    assert answers != run(build_fleet(12, 6, 3, end=END - timedelta(days=1)))


@pytest.mark.parametrize(
    "vehicles, days, seed, end",
    [
        pytest.param(60, 42, 1, END, id="late autumn"),
        pytest.param(60, 30, 2, date(2026, 7, 5), id="summer"),
        pytest.param(60, 14, 3, date(2027, 1, 18), id="winter, short"),
        pytest.param(10, 3, 4, date(2026, 11, 23), id="small, over a weekend"),
        pytest.param(1, 1, 5, date(2026, 11, 23), id="one vehicle, one Sunday"),
    ],
)
def test_exactly_one_vehicle_ends_one_bad_cycle_short_of_the_lamp(
    vehicles: int, days: int, seed: int, end: date
) -> None:
    fleet = build_fleet(vehicles, days, seed, end=end)
    run(fleet)
    unit = fleet.next_live_fault_vehicle
    assert [v.unit for v in fleet.vehicles if unlit_pending(v)] == [unit]
    vehicle = fleet.by_unit[unit]
    assert not vehicle.lamp_on()
    assert vehicle.ended_at is not None
    vehicle.drive(vehicle.ended_at + timedelta(hours=9), fleet.live_plan(unit))
    assert vehicle.lamp_on()
    readiness = vehicle.ecus["7E8"].answer(b"\x01\x01")
    assert readiness is not None
    assert readiness[2] == 0x81


def test_about_one_in_ten_has_its_lamp_on_and_most_are_ready() -> None:
    fleet = build_fleet(60, 42, 1, end=END)
    run(fleet)
    assert 4 <= sum(vehicle.lamp_on() for vehicle in fleet.vehicles) <= 8
    open_counts = {
        m.vehicle.unit: sum(
            len({monitor.name for monitor in ecu.monitors} - ecu.complete)
            for ecu in m.vehicle.ecus.values()
        )
        for m in fleet.members
    }
    assert sum(count <= 1 for count in open_counts.values()) >= 45
    stop_van = next(m.vehicle.unit for m in fleet.members if m.story.name == "short stops")
    assert open_counts[stop_van] >= 4


def test_moments_alternate_in_time_order_and_the_silent_gateway_says_nothing() -> None:
    fleet = build_fleet(20, 14, 1, end=END)
    (silent,) = fleet.silent_units()
    heard: dict[date, set[str]] = {}
    on: set[str] = set()
    for day in fleet.days():
        last = datetime.min.replace(tzinfo=UTC)
        for moment in iter_day(fleet, day):
            unit = moment.vehicle.unit
            assert moment.at >= last
            last = moment.at
            assert moment.at.astimezone(ZoneInfo(moment.vehicle.depot.zone)).date() == day
            heard.setdefault(day, set()).add(unit)
            if isinstance(moment, KeyOn):
                assert unit not in on
                on.add(unit)
                continue
            assert isinstance(moment, KeyOff)
            assert moment.cycle.ended_at == moment.at
            on.remove(unit)
    assert any(silent in units for units in heard.values())
    late = [day for day in heard if day >= END - timedelta(days=5)]
    assert late
    assert all(silent not in heard[day] for day in late)


def test_days_come_in_order_and_end_before_the_end() -> None:
    fleet = build_fleet(2, 2, 1, end=END)
    with pytest.raises(ValueError, match="expected 2026-11-23"):
        iter_day(fleet, END - timedelta(days=1))
    run(fleet)
    with pytest.raises(ValueError, match="before 2026-11-25"):
        iter_day(fleet, END)


@pytest.mark.parametrize("vehicles, days", [(0, 5), (5, 0)])
def test_an_empty_fleet_or_history_is_refused(vehicles: int, days: int) -> None:
    with pytest.raises(ValueError, match="at least 1"):
        build_fleet(vehicles, days, 1, end=END)


def test_the_vehicle_list_is_complete_and_its_numbers_are_sound() -> None:
    rows = vehicle_list_rows(build_fleet(60, 1, 1, end=END))
    assert len(rows) == 60
    for name in ("unit", "vin", "plate", "gateway"):
        assert len({row[name] for row in rows}) == 60
    for row in rows:
        assert all(row.values())
        assert row["vin"][8] == check_digit(row["vin"])
        ZoneInfo(row["depot_tz"])
    heavy = [row for row in rows if int(row["gvwr_lb"]) > 14000]
    assert len(heavy) == 1  # beyond the weight of the everyday inspection (common practice)
    dues = sorted((date.fromisoformat(row["due_date"]) - END).days for row in rows)
    assert dues[0] < 0
    assert dues[-1] <= 120
    assert {row["ignition"] for row in rows} == {"spark", "compression"}


def test_the_fleet_is_spread_over_programs_that_cover_its_vehicles() -> None:
    fleet = build_fleet(60, 1, 1, end=END)
    rows = vehicle_list_rows(fleet)
    found = {(row["depot"], row["program"]) for row in rows}
    assert len({program for _, program in found}) >= 7
    assert all(len({p for d, p in found if d == depot.name}) >= 2 for depot in DEPOTS)
    programs = load_programs()
    listed, faults = read_rows(rows, set(programs))
    assert [fault for fault in faults if not fault.warning] == []
    outside = [
        one.unit
        for one in listed
        if covered(programs[one.program].scope, one, fuel_of(one)).scope is None
    ]
    heavy = {one.unit for one in listed if (one.gvwr_lb or 0) > 14000}
    assert set(outside) <= heavy  # a heavy one of before 2013 is in no program's scope
    assert len(heavy) == 1
    live = next(row for row in rows if row["unit"] == fleet.next_live_fault_vehicle)
    assert live["program"] == "us-federal"
