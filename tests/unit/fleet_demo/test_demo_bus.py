"""What is heard on a simulated vehicle's bus: its own traffic, answers, and requests for patience.

Heard with python-can alone, from a node of its own.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from datetime import date, timedelta

import can
import pytest

from fleet_demo.bus import Listener, VehicleBus
from fleet_demo.scenarios import Fleet, build_fleet
from fleet_demo.truck import SimulatedVehicle

PATIENCE_S = 10.0


@pytest.fixture(scope="module")
def fleet() -> Fleet:
    return build_fleet(12, 5, 1, end=date(2026, 11, 25))


def busy(fleet: Fleet) -> SimulatedVehicle:
    return next(v for v in fleet.vehicles if any(ecu.busy for ecu in v.ecus.values()))


def heavy(fleet: Fleet) -> SimulatedVehicle:
    return next(v for v in fleet.vehicles if v.protocol == "j1939")


@contextmanager
def driving(fleet: Fleet, vehicle: SimulatedVehicle) -> Iterator[can.BusABC]:
    assert vehicle.ended_at is not None
    vehicle.key_on(vehicle.ended_at + timedelta(hours=8), fleet.live_plan(vehicle.unit))
    vehicle.show_driving(400, 50)
    with VehicleBus(vehicle) as bus:
        tester = bus.tester()
        try:
            yield tester
        finally:
            tester.shutdown()
            vehicle.key_off()


def hear(bus: can.BusABC, until: Callable[[list[can.Message]], bool]) -> list[can.Message]:
    """All frames up to the one that makes `until` true; fails when it never comes."""
    heard: list[can.Message] = []
    end = time.monotonic() + PATIENCE_S
    while not until(heard):
        message = bus.recv(0.1)
        if message is not None:
            heard.append(message)
        assert time.monotonic() < end, heard
    return heard


def ask(bus: can.BusABC, request: str) -> None:
    data = bytes.fromhex(request)
    frame = (bytes((len(data),)) + data).ljust(8, b"\xcc")
    bus.send(can.Message(arbitration_id=0x7DF, data=frame, is_extended_id=False))


def test_a_vehicle_talks_before_it_is_asked(fleet: Fleet) -> None:
    with driving(fleet, busy(fleet)) as tester:
        heard = hear(tester, lambda frames: len(frames) >= 4)
    assert all(frame.arbitration_id < 0x7DF and not frame.is_extended_id for frame in heard)


def test_a_busy_controller_sends_two_answers_with_a_pause(fleet: Fleet) -> None:
    # 7F 09 78 = response pending (SAE J1979; C); then the answer, and nothing is sent twice
    with driving(fleet, busy(fleet)) as tester:
        ask(tester, "09 0A")
        heard = hear(tester, lambda frames: any(f.data[:1] == b"\x10" for f in answers(frames)))
        first, second = answers(heard)
        assert bytes(first.data[:4]) == bytes.fromhex("03 7F 09 78")
        assert bytes(second.data[:5]) == bytes.fromhex("10 17 49 0A 01")


def answers(frames: list[can.Message]) -> list[can.Message]:
    return [frame for frame in frames if frame.arbitration_id == 0x7E8]


def test_the_heavy_truck_broadcasts_its_codes_and_answers_nothing(fleet: Fleet) -> None:
    heavy(fleet).break_part("3251/2")
    heavy(fleet).break_part("100/17")
    with driving(fleet, heavy(fleet)) as tester:
        ask(tester, "01 00")
        heard = hear(tester, lambda frames: {0x18ECFF00, 0x18EBFF00, 0x0CF00400} <= numbers(frames))
    assert all(frame.is_extended_id for frame in heard)
    assert all(number >> 8 != 0x18DAF1 for number in numbers(heard))


def numbers(frames: list[can.Message]) -> set[int]:
    return {frame.arbitration_id for frame in frames}


def test_the_listener_counts_requests_and_not_the_ordinary_traffic(fleet: Fleet) -> None:
    listener = Listener()
    vehicle = busy(fleet)
    channel = f"vehicle-{vehicle.unit}"
    with driving(fleet, vehicle) as tester, listener.on(vehicle.unit, channel):
        hear(tester, lambda frames: len(frames) >= 4)
        ask(tester, "01 00")
        hear(tester, lambda frames: bool(answers(frames)))
        end = time.monotonic() + PATIENCE_S
        while not listener.requests and time.monotonic() < end:  # it counts in a thread of its own
            time.sleep(0.01)
    assert dict(listener.requests) == {1: 1}
