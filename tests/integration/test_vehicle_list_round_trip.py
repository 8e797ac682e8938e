"""Every column of the vehicle list out and in again, CSV and XLSX: no text is another after."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from ingest import queries, rows
from ingest.__main__ import main
from ingest.domain import vehicle_columns
from tests.support.reports import opened

FULL = {
    "unit": "0042", "vin": "1M8GDM9AXKP042788", "plate": "'=1+1", "depot": "-North; =East",
    "depot_tz": "America/Argentina/Buenos_Aires", "program": "illinois", "model_year": "1989",
    "ignition": "compression", "gvwr_lb": "33000", "gateway": "gw-0042",
    "fitted_from": "2024-02-29", "due_date": "2026-12-22", "state": "in shop",
    "make": "Zoë & Søn", "fuel": "diesel hybrid", "fitted_until": "2026-11-30",
    "hold_reason": "two\nlines, \"quoted\"", "vehicle_class": "+8", "spare_for": "0043",
    "lay_up": "12-01 to 03-31; 2027-06-01 to 2027-06-15", "duty_days": "Mon Wed Sat",
    "in_service_date": "1989-01-01", "odometer_mi": "123456", "odometer_source": "@cluster",
    "odometer_date": "2026-01-31", "registration_state": "IL",
    "registration_expiry": "2026-12-31", "plate_class": "1e5", "garaging_county": "007",
    "owner": "TRUE", "lessor": "Lessor", "lease_end": "2030-01-01",
    "certificate_number": "00012345678901234567890", "certificate_until": "2027-01-01",
    "retest_by": "2026-12-24", "open_recalls": "26V-001; 26V-002",
    "other_programs": "us-federal; wisconsin",
}  # fmt: skip
"""Invented, but for the VIN: an encyclopedia's example of a check digit (1M8GDM9AXKP042788; C)."""
BARE = {
    **dict.fromkeys(FULL, ""), "unit": "0043", "vin": "WZZZZZ00000000001", "plate": "007",
    "depot": "South", "depot_tz": "America/Chicago", "program": "us-federal", "model_year": "2019",
    "ignition": "spark", "state": "in service",
}  # fmt: skip
HEADING = [column.name for column in vehicle_columns.ALL]


def _table(path: Path) -> list[dict[str, str]]:
    return rows.read_table(path, HEADING, HEADING).rows


@pytest.mark.parametrize("ending", ["csv", "xlsx"])
def test_export_load_export_is_the_same_in_every_column(tmp_path: Path, ending: str) -> None:
    assert set(FULL) == set(HEADING), "a new column stands in this test too"
    assert all(FULL.values())
    first, again = tmp_path / f"first.{ending}", tmp_path / f"again.{ending}"
    given = tmp_path / f"given.{ending}"
    rows.write_table(given, HEADING, [[one[name] for name in HEADING] for one in (FULL, BARE)])
    one, other = ["--data", str(tmp_path / "one")], ["--data", str(tmp_path / "other")]
    assert main(["vehicles", "--load", str(given), *one]) == 0
    assert main(["vehicles", "--export", str(first), *one]) == 0
    assert _table(first) == [FULL, BARE]
    assert main(["vehicles", "--load", str(first), *other]) == 0
    assert main(["vehicles", "--export", str(again), *other]) == 0
    assert _table(again) == _table(first)
    if ending == "csv":
        assert again.read_bytes() == first.read_bytes() == given.read_bytes()
    found = []
    for folder in ("one", "other"):
        with opened(f"sqlite:///{tmp_path}/{folder}/fleet.sqlite3") as engine:
            found.append(queries.vehicle_list(engine))
    assert found[0] == found[1]


def test_the_record_tells_every_column_to_a_person_and_to_a_program(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    given, data = tmp_path / "given.csv", ["--data", str(tmp_path)]
    rows.write_table(given, HEADING, [[FULL[name] for name in HEADING]])
    assert main(["vehicles", "--load", str(given), *data]) == 0
    capsys.readouterr()
    assert main(["record", FULL["unit"], "--json", *data]) == 0
    (item,) = json.loads(capsys.readouterr().out)["items"]
    assert {name: str(value) for name, value in item["vehicle_list"].items()} == FULL
    assert main(["record", FULL["unit"], *data]) == 0
    said = capsys.readouterr().out
    for column in vehicle_columns.PARTICULARS:
        assert f"by the list, {column.label}: {FULL[column.name]}" in said
