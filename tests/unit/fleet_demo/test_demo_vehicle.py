"""A simulated vehicle between key on and key off."""

from __future__ import annotations

from datetime import date, timedelta

import pytest

from fleet_demo.scenarios import build_fleet
from fleet_demo.truck import DriveFacts, SimulatedVehicle

PLAN = DriveFacts(
    propulsion_on_s=1830,
    engine_on_s=1800,
    distance_km=24.0,
    seconds_at_or_above_40_kmh=900,
    longest_idle_s=60,
)


@pytest.fixture
def vehicle() -> SimulatedVehicle:
    return build_fleet(1, 1, 1, end=date(2026, 6, 10)).vehicles[0]


def test_a_cycle_moves_the_odometer_the_counters_and_the_fuel(vehicle: SimulatedVehicle) -> None:
    assert vehicle.ended_at is not None
    vehicle.clear_codes()
    before, start = vehicle.odometer_km, vehicle.ended_at + timedelta(hours=10)
    facts = vehicle.drive(start, PLAN)
    assert facts.started_at == start
    assert facts.ended_at == start + timedelta(seconds=1830)
    assert facts.soak_s == 36000
    assert facts.warm_up
    assert facts.coolant_start_c < 35 < 71.1 <= facts.coolant_peak_c
    assert vehicle.odometer_km == pytest.approx(before + 24.0)
    assert facts.fuel_end_pct < facts.fuel_start_pct
    engine = vehicle.ecus["7E8"]
    assert engine.answer(b"\x01\x30") == b"\x41\x30\x01"
    assert engine.answer(b"\x01\x31") == b"\x41\x31\x00\x18"
    assert engine.answer(b"\x01\x4e") == b"\x41\x4e\x00\x1e"


def test_sensors_can_be_set_while_the_key_is_on_and_rest_when_it_is_off(
    vehicle: SimulatedVehicle,
) -> None:
    assert vehicle.ended_at is not None
    engine = vehicle.ecus["7E8"]
    vehicle.key_on(vehicle.ended_at + timedelta(hours=1), PLAN)
    assert engine.answer(b"\x01\x0c") == b"\x41\x0c\x00\x00"
    vehicle.show_driving(300, 50)
    assert engine.answer(b"\x01\x0d") == b"\x41\x0d\x32"
    assert engine.answer(b"\x01\x1f") == b"\x41\x1f\x01\x2c"
    assert engine.answer(b"\x01\x0c") == b"\x41\x0c" + (1820 * 4).to_bytes(2, "big")
    vehicle.key_off()
    assert engine.answer(b"\x01\x0d") == b"\x41\x0d\x00"


def test_keys_turn_in_order(vehicle: SimulatedVehicle) -> None:
    assert vehicle.ended_at is not None
    start = vehicle.ended_at + timedelta(hours=1)
    with pytest.raises(ValueError, match="not on"):
        vehicle.key_off()
    with pytest.raises(ValueError, match="before it stopped"):
        vehicle.key_on(start - timedelta(hours=2), PLAN)
    vehicle.key_on(start, PLAN)
    with pytest.raises(ValueError, match="on already"):
        vehicle.key_on(start, PLAN)


def test_a_fault_no_monitor_would_find_is_refused(vehicle: SimulatedVehicle) -> None:
    assert vehicle.ignition == "spark"
    with pytest.raises(ValueError, match="P2463"):
        vehicle.break_part("P2463")
