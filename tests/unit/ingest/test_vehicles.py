"""The vehicle list: good rows, and every fault of bad ones."""

from __future__ import annotations

from datetime import date

import pytest

from gateway.facts import Ignition
from ingest.domain.vehicles import Vehicle, read_rows

GOOD = {
    "unit": "V-01",
    "vin": "11111111111111111",
    "plate": "abc 123",
    "depot": "North",
    "depot_tz": "America/Chicago",
    "program": "us-federal",
    "model_year": "2001",
    "ignition": "spark",
    "gvwr_lb": "8500",
    "gateway": "gw-0001",
    "fitted_from": "2026-01-02",
    "due_date": "",
}
PROGRAMS = {"us-federal"}


def test_a_good_row_becomes_a_vehicle():
    vehicles, faults = read_rows([GOOD], PROGRAMS)
    assert faults == []
    assert vehicles == [
        Vehicle(
            unit="V-01",
            vin="11111111111111111",
            plate="ABC 123",
            depot="North",
            depot_tz="America/Chicago",
            program="us-federal",
            model_year=2001,
            ignition=Ignition.SPARK,
            gvwr_lb=8500,
            gateway="gw-0001",
            fitted_from=date(2026, 1, 2),
        )
    ]


@pytest.mark.parametrize(
    "field, value",
    [
        pytest.param("unit", " ", id="no unit"),
        pytest.param("vin", "1M8GDM9AXKP042789", id="bad check digit, North America"),
        pytest.param("vin", "123", id="VIN too short"),
        pytest.param("plate", "", id="no plate"),
        pytest.param("depot", "", id="no depot"),
        pytest.param("depot_tz", "Mars/Olympus", id="no such zone"),
        pytest.param("depot_tz", "../etc", id="zone that is a path"),
        pytest.param("depot_tz", "", id="no zone"),
        pytest.param("program", "us-nowhere", id="unknown program"),
        pytest.param("model_year", "1980", id="just before the first model year"),
        pytest.param("model_year", "2061", id="just after the last model year"),
        pytest.param("model_year", "two thousand", id="year in words"),
        pytest.param("ignition", "steam", id="no such ignition"),
        pytest.param("gvwr_lb", "0", id="no weight"),
        pytest.param("gateway", "GW 1", id="gateway in capitals"),
        pytest.param("fitted_from", "2026-02-30", id="day that does not exist"),
        pytest.param("due_date", "31/12/2026", id="another way to write a date"),
    ],
)
def test_one_bad_field_is_one_fault(field, value):
    vehicles, faults = read_rows([{**GOOD, field: value}], PROGRAMS)
    assert vehicles == []
    assert [(fault.line, fault.field, fault.warning) for fault in faults] == [(2, field, False)]
    assert faults[0].expected


def test_all_faults_of_all_rows_are_told_at_once():
    second = {**GOOD, "program": "x", "ignition": "y", "due_date": "z"}
    _, faults = read_rows([{}, second], PROGRAMS)
    told = {(fault.line, fault.field) for fault in faults}
    assert {(2, "unit"), (2, "vin"), (2, "plate"), (2, "model_year")} <= told
    assert {(3, "program"), (3, "ignition"), (3, "due_date")} <= told


@pytest.mark.parametrize("field", ["unit", "vin", "plate", "gateway"])
def test_a_second_vehicle_with_the_same_identity_is_a_fault(field):
    other = {
        **GOOD, "unit": "V-02", "vin": "1M8GDM9AXKP042788", "plate": "X2", "gateway": "gw-0002",
    }  # fmt: skip
    _, faults = read_rows([GOOD, {**other, field: GOOD[field]}], PROGRAMS)
    assert [(one.line, one.field) for one in faults if not one.warning] == [(3, field)]
    assert "line 2" in str(faults[-1])


def test_a_wrong_check_digit_outside_north_america_is_only_a_warning():
    # 49 CFR 565: the check digit is a North American duty (B).
    vehicles, faults = read_rows([{**GOOD, "vin": "WP0ZZZ99ZTS392124"}], PROGRAMS)
    assert len(vehicles) == 1
    assert [fault.warning for fault in faults] == [True]
