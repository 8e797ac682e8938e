"""The heavy truck's broadcasts against SAE J1939-73 and its transport protocol."""

from __future__ import annotations

from datetime import date, timedelta

import pytest

from fleet_demo.heavy import HeavyController
from fleet_demo.scenarios import Fleet, KeyOff, KeyOn, build_fleet, iter_day
from fleet_demo.sensors import Live
from fleet_demo.traffic import ordinary
from fleet_demo.truck import SimulatedVehicle

END = date(2026, 11, 25)


def heavy_of(fleet: Fleet) -> list[SimulatedVehicle]:
    return [vehicle for vehicle in fleet.vehicles if vehicle.protocol == "j1939"]


@pytest.mark.parametrize(
    "active, expected",
    [
        # SAE J1939-73 DM1 layout (A, an older edition); the strings are worked out by hand (X)
        pytest.param({}, "00 FF 00 00 00 00 FF FF", id="no code: SPN 0 FMI 0, from memory"),
        pytest.param({"3251/2": 3}, "44 FF B3 0C 02 03 FF FF", id="malfunction and warning lamp"),
        pytest.param({"100/17": 1}, "04 FF 64 00 11 01 FF FF", id="warning lamp only"),
        pytest.param(
            {"3251/2": 3, "100/17": 1}, "44 FF B3 0C 02 03 64 00 11 01", id="two codes, ten bytes"
        ),
    ],
)
def test_dm1_bytes(active: dict[str, int], expected: str) -> None:
    assert HeavyController(active=active).dm1() == bytes.fromhex(expected)


def test_one_code_is_one_frame() -> None:
    frames = list(HeavyController(active={"3251/2": 3}).beat(Live()))
    found = [frame.data.hex(" ") for frame in frames if frame.can_id == 0x18FECA00]
    assert found == ["44 ff b3 0c 02 03 ff ff"]


def test_several_codes_go_by_broadcast_announcement() -> None:
    # BAM (C): 20 size(2) packets FF PGN(3); then number and seven bytes, 50 to 200 ms apart
    frames = list(HeavyController(active={"3251/2": 3, "100/17": 1}).beat(Live()))
    assert [f.data.hex(" ") for f in frames if f.can_id == 0x18ECFF00] == [
        "20 0a 00 02 ff ca fe 00"
    ]
    packets = [frame for frame in frames if frame.can_id == 0x18EBFF00]
    assert [frame.data.hex(" ") for frame in packets] == [
        "01 44 ff b3 0c 02 03 64",
        "02 00 11 01 ff ff ff ff",
    ]
    assert 0.05 <= packets[1].after_s - packets[0].after_s <= 0.2
    assert not [frame for frame in frames if frame.can_id == 0x18FECA00]


def test_engine_speed_road_speed_and_coolant_are_broadcast() -> None:
    # EEC1 0.125 rpm in bytes 4-5, CCVS 1/256 km/h in 2-3, ET1 degC + 40 in 1 (from memory)
    live = Live(rpm=1500, speed_kmh=80, coolant_c=85)
    data = {frame.can_id: frame.data for frame in HeavyController().beat(live)}
    assert int.from_bytes(data[0x0CF00400][3:5], "little") == 12000
    assert int.from_bytes(data[0x18FEF100][1:3], "little") == 80 * 256
    assert data[0x18FEEE00][0] == 125


@pytest.mark.parametrize("controller", [HeavyController(), HeavyController(active={"3251/2": 1})])
def test_a_beat_is_in_order_and_ends_within_its_second(controller: HeavyController) -> None:
    for frames in (list(controller.beat(Live())), list(ordinary(Live()))):
        times = [frame.after_s for frame in frames]
        assert times == sorted(times)
        assert times[0] >= 0
        assert times[-1] < 1
        assert all(len(frame.data) <= 8 for frame in frames)


def test_ordinary_traffic_stays_below_the_ids_of_diagnosis() -> None:
    frames = list(ordinary(Live(rpm=900)))
    assert 3 <= len(frames) <= 10
    assert all(frame.can_id < 0x7DF for frame in frames)


@pytest.mark.parametrize("vehicles, expected", [(11, 0), (12, 1), (60, 1)])
def test_fleets_from_twelve_vehicles_on_own_one_heavy_truck(vehicles: int, expected: int) -> None:
    found = heavy_of(build_fleet(vehicles, 5, 1, end=END))
    assert len(found) == expected
    assert all(vehicle.ecus == {} for vehicle in found)


def test_the_truck_drives_like_others_and_its_codes_come_one_after_the_other() -> None:
    fleet = build_fleet(12, 30, 1, end=END)
    (truck,) = heavy_of(fleet)
    sizes, kinds = [], set()
    for day in fleet.days():
        for moment in iter_day(fleet, day):
            if moment.vehicle is truck:
                kinds.add(type(moment))
                assert truck.heavy is not None
                sizes.append(len(truck.heavy.active))
    assert kinds == {KeyOn, KeyOff}
    assert sizes == sorted(sizes)
    assert set(sizes) == {0, 1, 2}
    assert truck.lamp_on()
    truck.repair("3251/2")
    assert not truck.lamp_on()
    with pytest.raises(KeyError):
        truck.break_part("1/1")
    assert truck.ended_at is not None
    truck.drive(truck.ended_at + timedelta(hours=9), fleet.live_plan(truck.unit))
