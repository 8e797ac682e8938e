"""The vehicle list: good rows, and every fault of bad ones."""

from __future__ import annotations

from datetime import date

import pytest

from gateway.facts import Ignition
from ingest.domain import vehicle_columns
from ingest.domain.vehicles import Vehicle, read_rows
from ingest.vehicle_files import cells_of

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


FULL = GOOD | {
    "make": "Northfield", "fuel": "CNG", "fitted_until": "2026-06-01", "hold_reason": "seats",
    "vehicle_class": "van", "spare_for": "V-02", "lay_up": "12-01 to 03-31",
    "duty_days": "Mon Tue Wed Thu Fri", "in_service_date": "2020-01-02", "odometer_mi": "12345",
    "odometer_source": "cluster", "odometer_date": "2026-01-05", "registration_state": "IL",
    "registration_expiry": "2026-12-31", "plate_class": "B", "garaging_county": "Cook",
    "owner": "City", "lessor": "Lender", "lease_end": "2027-01-01", "certificate_number": "C-1",
    "certificate_until": "2026-11-30", "retest_by": "2026-12-20", "open_recalls": "two",
    "state": "in shop", "other_programs": "us-federal",
}  # fmt: skip


def test_every_column_is_read_and_shown_the_same():
    assert set(FULL) == set(vehicle_columns.BY_NAME)
    (vehicle,), faults = read_rows([FULL], PROGRAMS)
    assert faults == []
    assert cells_of(vehicle) == FULL | {"plate": "ABC 123", "due_date": ""}


@pytest.mark.parametrize(
    "field, value",
    [
        ("other_programs", "us-federal; atlantis"),
        ("fuel", "steam"),
        ("lay_up", "winter"),
        ("duty_days", "Fri-Mon"),
        ("duty_days", "someday"),
        ("odometer_mi", "0"),
        ("odometer_source", ""),
        ("odometer_date", ""),
        ("registration_state", "ZZ"),
        ("registration_state", ""),
        ("lessor", ""),
        ("certificate_number", ""),
        ("gateway", ""),
        ("fitted_until", "2026-01-02"),
        ("lease_end", "2020-01-02"),
        ("spare_for", "V-01"),
        ("hold_reason", "x" * 501),
        ("state", "out of service"),
    ],
)
def test_a_bad_particular_is_a_fault_with_row_and_column(field, value):
    vehicles, faults = read_rows([FULL | {field: value}], PROGRAMS)
    assert vehicles == []
    assert field in {fault.field for fault in faults if not fault.warning}
    assert {fault.line for fault in faults} == {2}


def test_a_model_year_that_the_vin_does_not_say_is_a_warning():
    vehicles, faults = read_rows([GOOD | {"model_year": "2002"}], PROGRAMS)
    assert len(vehicles) == 1
    assert [(fault.field, fault.warning) for fault in faults] == [("model_year", True)]


@pytest.mark.parametrize("until, wrong", [("2026-03-01", 0), ("2026-03-02", 1), ("", 1)])
def test_a_gateway_in_two_rows_must_leave_the_first_before_the_second(until, wrong):
    first = GOOD | {"fitted_until": until}
    second = GOOD | {
        "unit": "V-02", "vin": "1M8GDM9AXKP042788", "model_year": "1989", "plate": "X2",
        "fitted_from": "2026-03-01",
    }  # fmt: skip
    _, faults = read_rows([first, second], PROGRAMS)
    assert len([fault for fault in faults if fault.field == "gateway"]) == wrong
