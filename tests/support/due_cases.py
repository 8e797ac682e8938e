"""The golden table of due days: its rows as vehicles and results, and what a row has otherwise.

The table is described in `tests/unit/ingest/test_due_cases.py`.
"""

from __future__ import annotations

import csv
from collections.abc import Mapping
from datetime import date
from pathlib import Path

from gateway.facts import Ignition
from ingest.domain.due_dates import Due, due_of
from ingest.domain.inspections import Inspection, Result
from ingest.domain.programs import Program
from ingest.domain.vehicles import Vehicle

Row = dict[str, str]
TABLE = Path(__file__).parents[1] / "golden" / "programs" / "due_days.csv"


def read_due_cases() -> list[Row]:
    """Every row of the table."""
    with TABLE.open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


def due(row: Row, programs: Mapping[str, Program]) -> Due:
    """What a row's vehicle owes by its results."""
    program = row["program"]
    one = Vehicle(
        unit="V-1", vin="1" * 17, plate="P", depot="D", depot_tz="UTC", program=program,
        model_year=int(row["year"]), ignition=Ignition.SPARK, due_date=_day(row["listed"]),
        registration_expiry=_day(row["expiry"]),
    )  # fmt: skip
    history = []
    if passed := _day(row["passed"]):
        until = _day(row["valid_until"])
        history.append(Inspection(program, passed, Result.PASSED, valid_until=until))
    if failed := _day(row["failed"]):
        history.append(Inspection(program, failed, Result.FAILED))
    return due_of(one, programs[program], history, date.fromisoformat(row["today"]))


def differences(row: Row, found: Due) -> list[str]:
    """The days that are not as the row has them, in words; [] when all are."""
    days = {"opens": found.opens, "due": found.due, "retest_by": found.retest_by}
    return [
        f"{name}: {day}, expected {row[name] or None}"
        for name, day in days.items()
        if day != _day(row[name])
    ]


def _day(text: str) -> date | None:
    return date.fromisoformat(text) if text else None
