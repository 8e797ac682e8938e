"""Freeze frames: the causing code, the scaled values, and answers that are none."""

from __future__ import annotations

import pytest

from gateway.protocol.decode import FrameError
from gateway.protocol.freeze import decode_cause, decode_frame_value
from gateway.protocol.live import LIVE, MEMORY, TABLED, all_rows_for, decode_row, rows_for

ALL = frozenset(range(1, 256)) - {0x1D}


@pytest.mark.parametrize(
    "answer, code",
    [
        # SAE J1979 as tabulated (B): P0143 recomputed; 0000 = no frame.
        pytest.param("42 02 00 01 43", "P0143", id="a frame"),
        pytest.param("42 02 00 00 00", None, id="no frame"),
    ],
)
def test_the_cause_is_a_code_or_none(answer, code):
    assert decode_cause(bytes.fromhex(answer)) == code


@pytest.mark.parametrize(
    "answer",
    [
        pytest.param("", id="nothing"),
        pytest.param("42 02 00 01", id="cut short"),
        pytest.param("42 02 00 01 43 00", id="a tail"),
        pytest.param("42 02 00 01 43 00 00", id="a tail that looks like padding"),
        pytest.param("42 02 01 43", id="no frame number"),
        pytest.param("42 02 01 01 43", id="another frame"),
        pytest.param("42 0C 00 01 43", id="another PID"),
        pytest.param("41 02 00 01 43", id="another service"),
    ],
)
def test_a_cause_in_another_layout_is_refused(answer):
    with pytest.raises(FrameError):
        decode_cause(bytes.fromhex(answer))


def test_a_frame_value_scales_as_the_live_one():
    row = all_rows_for(ALL)[0x0C]
    # Published example (C): 42 0C 00 1F 40 = 2000 rpm at the fault.
    assert decode_frame_value(bytes.fromhex("420C001F40"), row) == {"engine_speed_rpm": 2000.0}
    for bad in ("420C1F40", "420C001F", "410C1F40", "420C001F4000"):
        with pytest.raises(FrameError):
            decode_frame_value(bytes.fromhex(bad), row)


@pytest.mark.parametrize(
    "pid, data, numbers",
    [
        # SAE J1979 as tabulated in a public encyclopedia (B); constructed, recomputed.
        pytest.param(0x03, "0200", {"fuel_system_1_status": 2, "fuel_system_2_status": 0}, id="03"),
        pytest.param(0x04, "FF", {"engine_load_pct": 100}, id="04 at the top"),
        pytest.param(0x06, "00", {"short_term_fuel_trim_bank_1_pct": -100}, id="06 lowest"),
        pytest.param(0x07, "80", {"long_term_fuel_trim_bank_1_pct": 0}, id="07 middle"),
        pytest.param(0x09, "FF", {"long_term_fuel_trim_bank_2_pct": 99.21875}, id="09 highest"),
        pytest.param(0x0B, "65", {"manifold_pressure_kpa": 101}, id="0B"),
        pytest.param(0x10, "0A28", {"mass_air_flow_g_s": 26.0}, id="10 of the facts"),
        pytest.param(0x11, "33", {"throttle_pct": 20.0}, id="11 of the facts"),
        pytest.param(0x5C, "FF", {"oil_c": 215}, id="5C"),
        pytest.param(0xC7, "0100", {"distance_since_reflash_km": 256}, id="C7"),
        # SAE J1979 (from memory), worked by hand.
        pytest.param(0x0A, "64", {"fuel_pressure_kpa": 300}, id="0A"),
        pytest.param(0x0E, "80", {"timing_advance_deg": 0}, id="0E middle"),
        pytest.param(0x0E, "00", {"timing_advance_deg": -64}, id="0E lowest"),
        pytest.param(
            0x14,
            "5A80",
            {
                "oxygen_sensor_bank_1_sensor_1_v": 0.45,
                "oxygen_sensor_bank_1_sensor_1_fuel_trim_pct": 0,
            },
            id="14 with a trim",
        ),
        pytest.param(0x19, "5AFF", {"oxygen_sensor_bank_2_sensor_2_v": 0.45}, id="19 no trim"),
        pytest.param(0x22, "03E8", {"fuel_rail_pressure_over_manifold_kpa": 79.0}, id="22"),
        pytest.param(0x23, "03E8", {"fuel_rail_pressure_kpa": 10000}, id="23"),
        pytest.param(
            0x24,
            "80004000",
            {
                "oxygen_sensor_bank_1_sensor_1_lambda": 1.0,
                "oxygen_sensor_bank_1_sensor_1_wide_v": 2.0,
            },
            id="24",
        ),
        pytest.param(0x32, "FFFC", {"evaporative_vapor_pressure_pa": -1.0}, id="32 is signed"),
        pytest.param(
            0x34,
            "80008000",
            {
                "oxygen_sensor_bank_1_sensor_1_lambda": 1.0,
                "oxygen_sensor_bank_1_sensor_1_ma": 0.0,
            },
            id="34",
        ),
        pytest.param(0x3C, "0190", {"catalyst_bank_1_sensor_1_c": 0.0}, id="3C"),
        pytest.param(0x5D, "6900", {"injection_timing_deg": 0.0}, id="5D"),
        pytest.param(0x5E, "0014", {"fuel_rate_l_h": 1.0}, id="5E"),
    ],
)
def test_a_live_value_scales_as_its_source_says(pid, data, numbers):
    raw = bytes.fromhex(data)
    assert decode_row(LIVE[pid], raw) == pytest.approx(numbers)
    for wrong in (raw[:-1], raw + b"\0"):
        with pytest.raises(FrameError):
            decode_row(LIVE[pid], wrong)


def test_sensors_are_counted_two_to_a_bank_where_the_ecu_says_so():
    # SAE J1979 PIDs 13 and 1D (from memory).
    four = rows_for(frozenset({0x13, 0x16}))[0x16]
    two = rows_for(frozenset({0x1D, 0x16}))[0x16]
    assert four.parts[0].name == "oxygen_sensor_bank_1_sensor_3_v"
    assert two.parts[0].name == "oxygen_sensor_bank_2_sensor_1_v"


def test_every_row_has_a_source_and_names_that_the_contract_takes():
    import re

    for row in all_rows_for(ALL).values():
        assert row.source in (TABLED, MEMORY)
        assert max(part.start + part.size for part in row.parts) == row.width
        for part in row.parts:
            assert re.fullmatch(r"[a-z][a-z0-9_]{0,47}", part.name)
