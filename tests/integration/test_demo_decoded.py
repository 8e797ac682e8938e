"""Every simulated vehicle read over a CAN bus gives back what the simulation holds, field by field.

The controllers answer in bytes and are written from SAE J1979 apart from the gateway: two readings
of the standard check each other here, through framing, transport, session, report and contract.
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from datetime import UTC, date, datetime, timedelta
from functools import partial

import pytest
from msgspec import UNSET

from fleet_demo.bus import VehicleBus
from fleet_demo.scenarios import Fleet, build_fleet, iter_day
from fleet_demo.truck import SimulatedVehicle
from gateway import contract
from gateway.bus_port import LampNews
from gateway.link import CanLink
from gateway.protocol.session import ReadResult, read_vehicle
from gateway.sampling import Extras, Moment, Sender, build_reports
from tests.support import demo_state

END = date(2026, 11, 25)
VEHICLES, DAYS, SEED = 20, 14, 1
LISTEN_S = 1.3
"""A J1939 vehicle says everything once a second."""
ANSWER_S = 0.5
"""Longer than P2: the controllers answer from threads, on a machine that may be busy."""
SENDER = Sender("gw-0001", "5b0f6c52-0a53-4b5e-9d0e-6a2f8f4f7c11", "2026-11-01T00:00:00.000Z", 1)


def driven(vehicles: int, days: int, seed: int) -> Fleet:
    """A fleet at the end of its history: lamps, codes, frames, clears and all."""
    fleet = build_fleet(vehicles, days, seed, end=END)
    for day in fleet.days():
        for _ in iter_day(fleet, day):
            pass
    return fleet


@pytest.fixture(scope="module")
def fleet() -> Fleet:
    return driven(VEHICLES, DAYS, SEED)


@contextmanager
def on_the_road(fleet: Fleet, vehicle: SimulatedVehicle) -> Iterator[CanLink]:
    """A link to a vehicle that drives, its sensors held still."""
    assert vehicle.ended_at is not None
    vehicle.key_on(vehicle.ended_at + timedelta(hours=9), fleet.live_plan(vehicle.unit))
    vehicle.show_driving(431.0, 57.3)
    try:
        with VehicleBus(vehicle) as bus:
            link = CanLink(bus.tester(), bits29=bus.bits29, listen_first=True)
            try:
                yield link
            finally:
                link.close()
    finally:
        vehicle.key_off()


def through_the_contract(result: ReadResult) -> contract.Report:
    """The report as ingest would decode it; it fits into one part here."""
    moment = Moment(datetime(2026, 11, 25, 12, tzinfo=UTC), "synced", 1)
    (report,) = build_reports(SENDER, result, "full", moment, 1, extras=Extras(heard="answers"))
    return contract.decode_report(contract.encode(report))


def said(ecu: contract.EcuReading) -> dict[str, object]:
    """Every field an ECU gave, records as plain tuples."""
    found = {
        name: value for name in ecu.__struct_fields__ if (value := getattr(ecu, name)) is not UNSET
    }
    if ecu.calibrations is not UNSET:
        found["calibrations"] = [(one.id, one.cvn) for one in ecu.calibrations]
    if ecu.freeze_frames is not UNSET:
        found["freeze_frames"] = [
            (one.frame, one.code, pytest.approx(one.values)) for one in ecu.freeze_frames
        ]
    if ecu.test_results is not UNSET:
        found["test_results"] = [
            (one.monitor_id, one.test_id, one.scaling_id,
             *(round(number, 9) for number in (one.value, one.low, one.high)), one.unit,
             None if one.passed is UNSET else one.passed)
            for one in ecu.test_results
        ]  # fmt: skip
    return found


def check_vehicle(fleet: Fleet, vehicle: SimulatedVehicle) -> None:
    """Read it once in full and compare every field with the simulation's own state."""
    with on_the_road(fleet, vehicle) as link:
        result = read_vehicle(partial(link.ask, timeout_s=ANSWER_S), depth="full")
        report = through_the_contract(result)
        assert result.faults == ()
        assert link.heard == "answers"
        assert report.vin == vehicle.vin
        assert report.ecus.keys() == vehicle.ecus.keys()
        for name, ecu in vehicle.ecus.items():
            found, expected = said(report.ecus[name]), demo_state.facts(ecu)
            assert found.keys() == expected.keys(), name
            for field, value in expected.items():
                assert found[field] == value, (name, field)
        values = demo_state.values(vehicle)
        assert {n: getattr(report, n) for n in values} == pytest.approx(values, abs=1e-6)
        assert result.values.keys() == values.keys()
        assert report.live == pytest.approx(demo_state.live_values(vehicle), abs=1e-6)


def check_heavy(fleet: Fleet, vehicle: SimulatedVehicle) -> None:
    """Listen for a second: lamps and codes of its broadcasts, and nothing was sent."""
    assert vehicle.heavy is not None
    with on_the_road(fleet, vehicle) as link:
        link.hear_out(LISTEN_S)
        news = LampNews()
        news.hear(link.take_broadcasts())
        (heard,) = news.news()
        assert link.heard == "j1939"
    assert heard.source == vehicle.heavy.source
    lamps = demo_state.lamps(vehicle.heavy)
    assert {name: getattr(heard, name) for name in lamps} == lamps
    assert [(one.spn, one.fmi, one.occurrences) for one in heard.codes] == demo_state.suspects(
        vehicle.heavy
    )


@pytest.mark.parametrize("number", range(VEHICLES))
def test_a_simulated_vehicle_is_read_as_it_is(fleet: Fleet, number: int) -> None:
    vehicle = fleet.vehicles[number]
    (check_heavy if vehicle.heavy else check_vehicle)(fleet, vehicle)


def test_the_fleet_that_is_read_has_every_kind_of_vehicle(fleet: Fleet) -> None:
    ecus = [(name, ecu) for one in fleet.vehicles for name, ecu in one.ecus.items()]
    kinds = {
        "29-bit": any(len(name) == 8 for name, _ in ecus),
        "two controllers": any(len(one.ecus) == 2 for one in fleet.vehicles),
        "J1939 with its lamp on": any(
            one.heavy is not None and one.heavy.lamp_on() for one in fleet.vehicles
        ),
        "compression": any(ecu.ignition == "compression" for _, ecu in ecus),
        "two banks": any(ecu.banks == 2 for _, ecu in ecus),
        "response pending": any(ecu.busy for _, ecu in ecus),
        "lamp on": any(ecu.memory.lamp_on() for _, ecu in ecus),
        "lamp of the second controller": any(
            ecu.memory.lamp_on() and not ecu.engine for _, ecu in ecus
        ),
        "pending code": any(ecu.memory.pending() for _, ecu in ecus),
        "permanent code": any(ecu.memory.permanent for _, ecu in ecus),
        "no permanent codes kept": any(not ecu.memory.keeps_permanent for _, ecu in ecus),
        "freeze frame": any(ecu.frame.code for _, ecu in ecus),
        "monitor not complete": any(len(ecu.complete) < len(ecu.monitors) for _, ecu in ecus),
        "test not run since the clear": any(None in ecu.results.values for _, ecu in ecus),
        "failed test": any(
            raw is not None and not test.low <= raw <= test.high
            for _, ecu in ecus
            for test, raw in zip(ecu.results.tests, ecu.results.values, strict=True)
        ),
    }
    assert [kind for kind, there in kinds.items() if not there] == []


@pytest.mark.long
@pytest.mark.parametrize("seed", [1, 2, 3])
def test_every_vehicle_of_the_whole_demo_is_read_as_it_is(seed: int) -> None:
    fleet = driven(60, 42, seed)
    for vehicle in fleet.vehicles:
        (check_heavy if vehicle.heavy else check_vehicle)(fleet, vehicle)
