"""A reading as a conversation: what is asked, what is kept, and what silence means."""

from __future__ import annotations

import pytest
from msgspec import UNSET

from gateway.contract import Calibration
from gateway.facts import CycleStatus, Monitor
from gateway.protocol.guard import allow
from gateway.protocol.session import ReadResult, read_vehicle

# Answers: published examples of SAE J1979 and ISO 15031-5 (B, C), the rest built from their
# layout. The first ECU supports 01 05 0C 1C 20 | 30 31 40 | 41 42 60 | 80 | A0 | A6.
ENGINE = {
    "0100": "410088100011",
    "0120": "412000018001",
    "0140": "4140C0000001",
    "0160": "416000000001",
    "0180": "418000000001",
    "01A0": "41A004000000",
    "0101": "410182076504",
    "0105": "41057B",
    "010C": "410C1F40",
    "011C": "411C01",
    "0130": "413017",
    "0131": "413101F4",
    "0141": "414100076504",
    "0142": "414236B0",
    "01A6": "41A600123456",
    "03": "4306010002000300430082 00C100",
    "07": "4700",
    "0A": "4A010420",
    "0900": "490054000000",
    "0902": "490201314D3847444D3941584B50303432373838",
    "0904": "490401" + b"JMB*36761500".ljust(16, b"\0").hex(),
    "0906": "4906011791BC82",
}
GEARBOX = {"0100": "410088000000", "0101": "410101440000", "0105": "410528", "03": "43010101"}


class FakeVehicle:
    """ECUs that answer from a table and are silent otherwise; notes what it was asked."""

    def __init__(self, **ecus: dict[str, str]) -> None:
        self.ecus = ecus
        self.asked: list[str] = []

    def ask(self, request: bytes) -> dict[str, bytes]:
        """Answer one functional request."""
        key = allow(request).hex().upper()
        self.asked.append(key)
        return {
            ecu.removeprefix("x"): bytes.fromhex(table[key])
            for ecu, table in self.ecus.items()
            if key in table
        }


def two() -> FakeVehicle:
    # The gearbox answers first: order on the bus must not decide who speaks for the vehicle.
    return FakeVehicle(x7E9=GEARBOX, x7E8=ENGINE)


def test_a_reading_holds_what_every_ecu_said():
    result = read_vehicle(two().ask)
    engine, gearbox = result.ecus["7E8"], result.ecus["7E9"]
    assert result.vin == "1M8GDM9AXKP042788"
    assert list(result.ecus) == ["7E8", "7E9"]
    assert (engine.mil, engine.code_count, engine.obd_type) == (True, 2, 1)
    assert engine.monitors is not UNSET
    assert engine.monitors[Monitor.EVAPORATIVE_SYSTEM] is False
    assert engine.monitors_this_cycle is not UNSET
    assert engine.monitors_this_cycle[Monitor.EVAPORATIVE_SYSTEM] is CycleStatus.NOT_COMPLETE
    assert engine.confirmed == ["P0100", "P0200", "P0300", "C0300", "B0200", "U0100"]
    assert (engine.pending, engine.permanent) == ([], ["P0420"])
    assert engine.calibrations == [Calibration(id="JMB*36761500", cvn="1791BC82")]
    assert gearbox.confirmed == ["P0101"]
    assert not result.faults
    assert not result.evidence


def test_a_silent_list_is_absent_and_an_empty_one_is_empty():
    # SAE J1979 5.4 as quoted (C): silence means unsupported, never "no codes".
    result = read_vehicle(two().ask)
    assert result.ecus["7E8"].pending == []
    assert result.ecus["7E9"].pending is UNSET
    assert result.ecus["7E9"].permanent is UNSET
    assert result.ecus["7E9"].monitors_this_cycle is UNSET


def test_the_first_ecu_that_answers_speaks_for_the_vehicle():
    assert read_vehicle(two().ask).values == pytest.approx(
        {
            "coolant_c": 83,
            "engine_speed_rpm": 2000,
            "warm_ups_since_clear": 23,
            "distance_since_clear_km": 500,
            "module_v": 14.0,
            "odometer_km": 119304.6,
        }
    )


def test_only_what_is_supported_is_asked():
    vehicle = FakeVehicle(x7E9=GEARBOX)
    read_vehicle(vehicle.ask)
    assert vehicle.asked == ["0100", "0101", "0105", "03", "07", "0A", "0900", "0902"]


def test_a_second_reading_does_not_ask_again_what_never_changes():
    vehicle = two()
    first = read_vehicle(vehicle.ask)
    vehicle.asked.clear()
    second = read_vehicle(vehicle.ask, static=first)
    assert not {"0100", "0120", "011C", "0900", "0902", "0904", "0906"} & set(vehicle.asked)
    assert second == first
    assert read_vehicle(vehicle.ask, static=second) == first


def test_an_ecu_that_fell_silent_is_not_kept_alive_by_the_earlier_reading():
    first = read_vehicle(two().ask)
    second = read_vehicle(FakeVehicle(x7E9=GEARBOX).ask, static=first)
    assert list(second.ecus) == ["7E9"]
    assert second.vin == first.vin
    assert read_vehicle(lambda _: {}, static=first).ecus == {}


def test_a_silent_vehicle_gives_nothing_and_no_empty_lists():
    vehicle = FakeVehicle()
    assert read_vehicle(vehicle.ask) == ReadResult()
    assert vehicle.asked == ["0100", "0101", "03", "07", "0A", "0900"]


@pytest.mark.parametrize(
    "answer, faults",
    [
        # SAE J1979 table 10 (C): 11 service not supported, 22 conditions not correct.
        pytest.param("7F0311", 0, id="service not supported"),
        pytest.param("7F0322", 0, id="conditions not correct"),
        pytest.param("430201", 1, id="cut short"),
        pytest.param("", 0, id="empty"),
    ],
)
def test_an_answer_that_says_nothing_is_not_an_empty_list(answer, faults):
    result = read_vehicle(FakeVehicle(x7E8={**ENGINE, "03": answer}).ask)
    assert result.ecus["7E8"].confirmed is UNSET
    assert result.ecus["7E8"].mil is True
    assert len(result.faults) == faults


def test_a_bad_value_of_one_ecu_gives_way_to_the_next():
    result = read_vehicle(FakeVehicle(x7E8={**ENGINE, "0105": "4105"}, x7E9=GEARBOX).ask)
    assert result.values["coolant_c"] == 0
    assert len(result.faults) == 1


def test_evidence_holds_every_answer_as_it_stood():
    result = read_vehicle(two().ask, want_evidence=True)
    kept = {(item.ecu, item.request, item.answer) for item in result.evidence}
    assert ("7E8", "0101", "410182076504") in kept
    assert ("7E9", "03", "43010101") in kept
    assert len(result.evidence) == len(ENGINE) + len(GEARBOX)


def test_an_ecu_with_29_bit_ids_is_named_by_them():
    result = read_vehicle(FakeVehicle(x18DAF110=ENGINE).ask)
    assert list(result.ecus) == ["18DAF110"]
    assert result.vin == "1M8GDM9AXKP042788"
