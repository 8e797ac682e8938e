"""Every column of the vehicle list has a place on the look-up page; days are the calendar's."""

from __future__ import annotations

from datetime import date

from dashboard.views import listed_rows
from ingest.domain import vehicle_columns
from ingest.domain.vehicles import Vehicle, read_rows

TODAY = date(2026, 11, 25)
FULL = {
    "unit": "V-01", "vin": "1M8GDM9AXKP042788", "plate": "X2", "depot": "North",
    "depot_tz": "America/Chicago", "program": "illinois", "model_year": "1989",
    "ignition": "compression", "gvwr_lb": "12000", "gateway": "gw-1", "fitted_from": "2026-01-02",
    "due_date": "2027-06-01", "state": "in shop", "make": "Northfield", "fuel": "diesel",
    "fitted_until": "2027-01-05", "hold_reason": "seats torn", "vehicle_class": "van",
    "spare_for": "V-02", "lay_up": "12-01 to 03-31; 2026-07-04 to 2026-07-05",
    "duty_days": "Mon-Wed", "in_service_date": "2020-01-02", "odometer_mi": "12345",
    "odometer_source": "cluster", "odometer_date": "2026-01-05", "registration_state": "IL",
    "registration_expiry": "2026-12-31", "plate_class": "B", "garaging_county": "Cook",
    "owner": "City", "lessor": "Lender", "lease_end": "2027-01-01", "certificate_number": "C-1",
    "certificate_until": "2026-11-30", "retest_by": "2026-12-20", "open_recalls": "two",
    "other_programs": "illinois",
}  # fmt: skip


def _full() -> Vehicle:
    (vehicle,), _ = read_rows([FULL], {"illinois"})
    return vehicle


def test_every_column_is_in_the_rows_or_above_them() -> None:
    assert set(FULL) == set(vehicle_columns.BY_NAME)
    labels = [row["What"] for row in listed_rows.listed_rows(_full(), TODAY)]
    above = {
        "unit", "vin", "plate", "depot", "depot_tz", "program", "model_year", "ignition", "make",
        "state", "hold_reason", "open_recalls",
    }  # fmt: skip
    wanted = [one.label for one in vehicle_columns.ALL if one.name not in above]
    assert labels == wanted


def test_days_and_numbers_are_written_as_in_the_united_states() -> None:
    said = {row["What"]: row["Value"] for row in listed_rows.listed_rows(_full(), TODAY)}
    assert said["GVWR, lb"] == "12,000"
    assert said["Certificate valid until"] == "Mon Nov 30"
    assert said["Lease ends"] == "Fri Jan 1, 2027"
    assert said["Duty days"] == "Mon Tue Wed"
    assert said["Seasonal lay-up"] == "Dec 1 to Mar 31, every year; Sat Jul 4 to Sun Jul 5"


def test_a_hold_and_open_recalls_are_said_beside_the_answer() -> None:
    hold, recalls = listed_rows.warnings(_full())
    assert hold == "Hold: seats torn."
    assert recalls.startswith("Open recalls as entered: two. No inspection result covers")


def test_a_short_list_has_short_rows() -> None:
    (bare,), _ = read_rows(
        [FULL | {one.name: "" for one in (*vehicle_columns.PARTICULARS, vehicle_columns.STATE)}],
        {"illinois"},
    )
    labels = [row["What"] for row in listed_rows.listed_rows(bare, TODAY)]
    assert labels == ["GVWR, lb", "Gateway", "Gateway fitted from", "Inspection due"]
    assert listed_rows.warnings(bare) == []
