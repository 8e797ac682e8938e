"""A full reading: what it asks beside the usual one, and what silence means in it."""

from __future__ import annotations

import msgspec
import pytest
from msgspec import UNSET

from gateway.contract import EcuReading
from gateway.protocol.guard import allow
from gateway.protocol.session import ReadResult, read_vehicle

# Layouts of SAE J1979 (B, C); published numbers where there are some, the rest built from them.
# Service 01: 01 04 05 06 0C 10 14 1C; service 02: 02 05 0C; service 06: 01 21; service 09: 02 08.
ENGINE = {
    "0100": "41009C111010",
    "0101": "410182076504",
    "0104": "410433",
    "0105": "41057B",
    "0106": "410680",
    "010C": "410C1F40",
    "0110": "41100A28",
    "0114": "41145AFF",
    "011C": "411C01",
    "03": "43010143",
    "07": "4700",
    "0A": "4A00",
    "020200": "4202000143",
    "020000": "42000048100000",
    "020500": "4205007B",
    "020C00": "420C001F40",
    "0600": "460080000001",
    "0620": "462080000000",
    "0601": "4601010A0BB00BB00BB0 01051000480000 0060",
    "0621": "46218024000000000000",
    "0900": "490041000000",
    "0902": "490201314D3847444D3941584B50303432373838",
    "0908": "490810" + "".join(f"{number:04X}" for number in range(1, 17)),
}
GEARBOX = {"0100": "410088000000", "0101": "410101440000", "0105": "410528", "03": "43010101"}


class FakeVehicle:
    """ECUs that answer from a table and are silent otherwise; notes what it was asked."""

    def __init__(self, **ecus: dict[str, str]) -> None:
        self.ecus = {ecu.removeprefix("x"): table for ecu, table in ecus.items()}
        self.asked: list[str] = []

    def ask(self, request: bytes) -> dict[str, bytes]:
        """Answer one functional request."""
        key = allow(request).hex().upper()
        self.asked.append(key)
        return {ecu: bytes.fromhex(table[key]) for ecu, table in self.ecus.items() if key in table}


def two() -> FakeVehicle:
    return FakeVehicle(x7E9=GEARBOX, x7E8=ENGINE)


def full(vehicle: FakeVehicle, static: ReadResult | None = None) -> ReadResult:
    return read_vehicle(vehicle.ask, static=static, depth="full")


def test_a_full_reading_holds_frames_results_counters_and_live_values():
    result = full(two())
    engine = result.ecus["7E8"]
    assert not result.faults
    assert engine.freeze_frames is not UNSET
    (frame,) = engine.freeze_frames
    assert (frame.frame, frame.code) == (0, "P0143")
    assert frame.values == {"coolant_c": 83.0, "engine_speed_rpm": 2000.0}
    assert engine.test_results is not UNSET
    assert [(r.monitor_id, r.test_id, r.passed) for r in engine.test_results] == [
        (1, 1, True),
        (1, 5, True),
        (0x21, 0x80, UNSET),
    ]
    assert engine.in_use_counters is not UNSET
    assert engine.in_use_counters["evaporative_system_conditions"] == 16
    assert result.live == pytest.approx(
        {
            "engine_load_pct": 20.0,
            "short_term_fuel_trim_bank_1_pct": 0.0,
            "mass_air_flow_g_s": 26.0,
            "oxygen_sensor_bank_1_sensor_1_v": 0.45,
        }
    )


def test_a_usual_reading_asks_none_of_it():
    vehicle = two()
    result = read_vehicle(vehicle.ask)
    assert {request[:2] for request in vehicle.asked} == {"01", "03", "07", "0A", "09"}
    assert not {"0104", "0110", "0114", "0908"} & set(vehicle.asked)
    assert result.live == {}
    assert result.ecus["7E8"].freeze_frames is UNSET
    assert result.ecus["7E8"].test_results is UNSET
    assert result.ecus["7E8"].in_use_counters is UNSET


def test_a_full_reading_finds_what_the_usual_one_finds():
    usual, more = read_vehicle(two().ask), full(two())
    assert (usual.vin, usual.values, usual.support) == (more.vin, more.values, more.support)
    assert list(usual.ecus) == list(more.ecus)


def test_silence_of_an_ecu_stays_apart_from_none():
    result = full(two())
    assert result.ecus["7E9"].freeze_frames is UNSET
    assert result.ecus["7E9"].test_results is UNSET
    assert result.ecus["7E9"].in_use_counters is UNSET


def test_no_freeze_frame_is_an_empty_list_and_asks_no_more_of_it():
    # SAE J1979 (B): 0000 = no frame, and all other data of service 02 are meaningless.
    vehicle = FakeVehicle(x7E8={**ENGINE, "020200": "4202000000"})
    assert full(vehicle).ecus["7E8"].freeze_frames == []
    assert [request for request in vehicle.asked if request.startswith("02")] == ["020200"]


def test_a_frame_of_a_second_ecu_is_kept_apart():
    gearbox = {**GEARBOX, "020200": "4202000700", "020000": "42000048000000", "020500": "42050028"}
    result = full(FakeVehicle(x7E9=gearbox, x7E8=ENGINE))
    frames = result.ecus["7E9"].freeze_frames
    assert frames is not UNSET
    assert (frames[0].code, frames[0].values) == ("P0700", {"coolant_c": 0.0})


def test_a_later_full_reading_does_not_ask_the_bitmaps_again():
    vehicle = two()
    first = full(vehicle)
    vehicle.asked.clear()
    second = full(vehicle, static=first)
    assert not {"0100", "020000", "0600", "0620", "0900", "0902"} & set(vehicle.asked)
    assert {"020200", "020C00", "0601", "0621", "0908"} <= set(vehicle.asked)
    assert second == first


def test_a_full_reading_after_usual_ones_asks_the_bitmaps_it_lacks():
    usual = read_vehicle(two().ask)
    vehicle = two()
    more = full(vehicle, static=usual)
    assert {"020000", "0600", "0908"} <= set(vehicle.asked)
    assert more.ecus["7E8"].test_results == full(two()).ecus["7E8"].test_results
    assert read_vehicle(two().ask, static=more).result_support == more.result_support


def test_a_silent_vehicle_is_asked_nothing_more():
    vehicle = FakeVehicle()
    assert full(vehicle) == ReadResult()
    assert vehicle.asked == ["0100", "0101", "03", "07", "0A", "0900"]


@pytest.mark.parametrize(
    "request_, answer, field",
    [
        # SAE J1979 layouts (B, C), broken in one place each.
        pytest.param("020200", "42020001", "freeze_frames", id="cause cut short"),
        pytest.param("020200", "7F0212", "freeze_frames", id="service 02 refused"),
        pytest.param("0600", "4600800000", "test_results", id="bitmap of 06 cut short"),
        pytest.param("0908", "490810" + "0001" * 15, "in_use_counters", id="wrong count"),
        pytest.param("0908", "7F0978", "in_use_counters", id="pending and nothing after"),
    ],
)
def test_a_broken_answer_leaves_its_field_absent_and_the_rest_whole(request_, answer, field):
    result = full(FakeVehicle(x7E8={**ENGINE, request_: answer}))
    assert getattr(result.ecus["7E8"], field) is UNSET
    assert result.ecus["7E8"].confirmed == ["P0143"]
    assert len(result.faults) == (not answer.startswith("7F"))


def test_a_result_of_another_monitor_takes_only_its_own_answer_with_it():
    result = full(FakeVehicle(x7E8={**ENGINE, "0621": "46228024000000000001"}))
    results = result.ecus["7E8"].test_results
    assert results is not UNSET
    assert {found.monitor_id for found in results} == {1}
    assert len(result.faults) == 1


def test_an_ecu_that_names_monitors_but_answers_none_is_not_an_empty_list():
    silent = {key: value for key, value in ENGINE.items() if key not in ("0601", "0621")}
    assert full(FakeVehicle(x7E8=silent)).ecus["7E8"].test_results is UNSET
    none = {**silent, "0600": "460000000000"}
    assert full(FakeVehicle(x7E8=none)).ecus["7E8"].test_results == []


def test_a_vin_of_ones_is_a_fault_and_no_vin():
    result = full(FakeVehicle(x7E8={**ENGINE, "0902": "490201" + "FF" * 17}))
    assert result.vin is None
    assert len(result.faults) == 1


def test_as_evidence_every_value_of_the_frame_is_asked_and_otherwise_those_we_can_scale():
    # PID 12 of this frame is one that we have no scaling for.
    ecu = {**ENGINE, "020000": "42000048104000", "021200": "42120001"}
    vehicle = FakeVehicle(x7E8=ecu)
    result = read_vehicle(vehicle.ask, want_evidence=True, depth="full")
    assert ("021200", "42120001") in {(item.request, item.answer) for item in result.evidence}
    assert len(set(vehicle.asked)) == len(vehicle.asked)
    vehicle = FakeVehicle(x7E8=ecu)
    full(vehicle)
    assert "021200" not in vehicle.asked


def test_a_full_reading_fits_the_contract():
    ecus = full(two()).ecus
    body = msgspec.json.encode(ecus)
    assert msgspec.json.decode(body, type=dict[str, EcuReading]) == ecus
