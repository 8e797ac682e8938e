"""Freeze frames, test results, counters, findings, broadcasts and driving cycles as rows."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from typing import Any
from zoneinfo import ZoneInfo

import pytest

from dashboard.views import cycle_rows, detail_rows, record_rows
from gateway.contract import (
    Calibration,
    FreezeFrame,
    Implausible,
    LampBroadcast,
    MonitorResult,
    SuspectCode,
)
from gateway.facts import Monitor
from ingest.domain.cycles import Cycle
from ingest.domain.picture import EcuPicture, Picture

NOW = datetime(2026, 11, 25, 15, 0, tzinfo=UTC)  # Wednesday, 9:00 AM in Chicago
CHICAGO = ZoneInfo("America/Chicago")


def ms(**before):
    return int((NOW - timedelta(**before)).timestamp() * 1000)


def of(ecu=None, **more):
    return Picture(ecus={"7E8": ecu or EcuPicture(heard_at=ms(hours=1))}, **more)


def test_a_freeze_frame_shows_its_causing_code_and_us_units():
    ecu = EcuPicture(
        heard_at=ms(hours=1),
        freeze_frames=[
            FreezeFrame(frame=0, code="P0420", values={"coolant_c": 83.0, "engine_speed_rpm": 2000})
        ],
        freeze_frames_at=ms(hours=1),
    )
    assert detail_rows.freeze_frames(of(ecu), CHICAGO, NOW) == [
        (
            "P0420",
            "ECU 7E8, frame 0, read Wed Nov 25, 8:00 AM.",
            [
                {"What": "Coolant", "Value": "181 °F"},
                {"What": "Engine speed", "Value": "2,000 rpm"},
            ],
        )
    ]
    ((_, origin, _),) = detail_rows.freeze_frames(
        of(ecu, last_clear_at=ms(minutes=5)), CHICAGO, NOW
    )
    assert origin.endswith("8:00 AM, before codes were cleared.")


@pytest.mark.parametrize(
    "frames, text",
    [
        (None, "Freeze frames: not answered."),
        ([], "Asked for freeze frames: none."),
    ],
)
def test_no_freeze_frame_is_not_the_same_as_no_answer(frames, text):
    ecu = EcuPicture(heard_at=0, freeze_frames=frames)
    assert detail_rows.freeze_frame_silence(of(ecu)) == text


def test_test_results_show_value_limits_unit_and_outcome_failed_ones_first():
    facts: dict[str, Any] = {"scaling_id": 10, "low": 0.1, "high": 0.5}
    ecu = EcuPicture(
        heard_at=0,
        test_results_at=ms(hours=1),
        test_results=[
            MonitorResult(monitor_id=1, test_id=0x80, value=0.3, unit="V", passed=True, **facts),
            MonitorResult(monitor_id=0xFD, test_id=0x81, value=0.0, **facts),
            MonitorResult(monitor_id=0xFE, test_id=0x82, value=0.9, passed=False, **facts),
        ],
    )
    rows = detail_rows.result_rows(of(ecu), CHICAGO, NOW)

    assert [row["Result"] for row in rows] == [
        "failed",
        "passed",
        "not run since codes were cleared",
    ]
    assert rows[0]["Monitor"] == "monitor id FE"
    assert [row["Value"] for row in rows] == ["0.9", "0.3 V", "0"]
    assert rows[1]["Limits"] == "0.1 to 0.5 V"


def test_in_use_counters_are_paired_and_the_ratio_is_told():
    # In-use performance ratio = numerator / denominator (13 CCR 1968.2(d)(3.2); from memory).
    ecu = EcuPicture(
        heard_at=0,
        in_use_counters={
            "obd_conditions": 120,
            "ignition_cycles": 1340,
            "catalyst_bank_1_completions": 30,
            "catalyst_bank_1_conditions": 120,
            "egr_vvt_completions": 0,
            "egr_vvt_conditions": 0,
        },
    )
    rows = detail_rows.counter_rows(of(ecu))

    assert [list(row.values()) for row in rows] == [
        ["catalyst bank 1", "7E8", "30", "120", "0.250"],
        ["exhaust gas recirculation or variable valve timing", "7E8", "0", "0", "none yet"],
    ]
    assert detail_rows.counter_words(of(ecu)) == [
        "7E8: times the general conditions were met 120, ignition cycles 1,340."
    ]


def test_findings_live_values_calibrations_and_broadcasts():
    finding = Implausible(
        rule="cold_soak_coolant", text="Coolant 60 degC.", basis="common practice"
    )
    dm1 = LampBroadcast(
        source=0, malfunction="on", stop="off", warning="slow_flash", protect="not_available",
        codes=[SuspectCode(spn=3251, fmi=2)],
    )  # fmt: skip
    ecu = EcuPicture(heard_at=0, calibrations=[Calibration(id="CAL1", cvn="00AB12CD")])
    picture = of(ecu, implausible=[finding], live={"coolant_c": 60.0}, lamp_broadcasts=[dm1])

    assert detail_rows.implausible_rows(picture) == [
        {"Finding": "Coolant 60 degC.", "Basis": "common practice"}
    ]
    assert detail_rows.live_rows(picture) == [{"What": "Coolant", "Value": "140 °F"}]
    assert detail_rows.calibration_rows(picture)[0]["Verification number"] == "00AB12CD"
    assert detail_rows.broadcast_rows(picture) == [
        {
            "Controller": "address 0",
            "Malfunction lamp": "on",
            "Stop lamp": "off",
            "Warning lamp": "slow flash",
            "Protect lamp": "not available",
            "Codes": "SPN 3251, FMI 2",
        }
    ]


def test_a_j1939_vehicle_is_never_said_to_have_no_codes():
    picture = Picture(heard="j1939", heard_at=ms(hours=1))
    said = " ".join(
        [*detail_rows.bus_words(picture, CHICAGO, NOW), record_rows.code_silence(picture)]
    )
    assert "J1939 vehicle, not read yet" in said
    assert "none" not in said


def test_another_tester_is_told_with_the_end_of_the_silence():
    picture = of(quiet="another_tester", quiet_until=ms(minutes=-10))
    assert detail_rows.bus_words(picture, CHICAGO, NOW) == [
        "Another tester is on the bus: the gateway keeps silent until Wed Nov 25, 9:10 AM. "
        "The values below are those read before."
    ]
    assert detail_rows.bus_words(of(), CHICAGO, NOW) == []


@pytest.mark.parametrize(
    "more, cells",
    [
        pytest.param(
            {
                "distance_km": 31.5, "warm_up": True, "soak_s": 40000.0, "fuel_start_pct": 62.4,
                "fuel_end_pct": 58.0, "monitors_completed": [Monitor.CATALYST],
                "denominator_moved": True, "split": True, "seconds_at_or_above_40_kmh": 1500.0,
            },
            ["19.6 miles", "45 min, cut at the longest length", "43 min", "25 min", "counted",
             "11.1 h", "62 % to 58 %", "catalyst", "moved", "nothing missing"],
            id="all given",
        ),
        pytest.param(
            {"not_given": ["fuel_level_pct", "odometer_km"], "warm_up": False,
             "monitors_completed": [], "denominator_moved": False},
            ["not given", "45 min", "43 min", "not given", "not counted", "not given",
             "not given", "none", "not moved", "Fuel level, odometer"],
            id="not all given",
        ),
        pytest.param(
            {"unobserved_s": 600.0},
            ["not given", "45 min, of it 10 min not observed", "43 min", *["not given"] * 6,
             "nothing missing"],
            id="observed in part",
        ),
        pytest.param(
            {},
            ["not given", "45 min", "43 min", "not given", "not given", "not given", "not given",
             "not given", "not given", "nothing missing"],
            id="bare",
        ),
    ],
)  # fmt: skip
def test_a_driving_cycle_says_what_it_did_and_what_was_not_given(more, cells):
    one = Cycle(
        journal="j", seq=1, observed_at=ms(hours=1), started_at=ms(hours=2), ended_at=ms(hours=1),
        propulsion_on_s=2691, engine_on_s=2600, **more,
    )  # fmt: skip
    (row,) = cycle_rows.cycle_rows([one], CHICAGO, NOW)
    assert list(row.values()) == ["Wed Nov 25, 7:00 AM", *cells]
