"""The golden table of verdicts: its rows as vehicles and facts, and whether a verdict is the row's.

The table is described in `tests/unit/ingest/test_verdict_cases.py`.
"""

from __future__ import annotations

import csv
from collections.abc import Mapping
from datetime import UTC, datetime, timedelta
from pathlib import Path

from gateway.facts import CONTINUOUS, Ignition, Monitor
from ingest.domain.observed_lamp import ObservedLamp
from ingest.domain.picture import EcuPicture, Picture
from ingest.domain.programs import Program
from ingest.domain.vehicles import Vehicle
from ingest.domain.verdict import Outcome, Verdict, judge

Row = dict[str, str]
TABLE = Path(__file__).parents[1] / "golden" / "programs" / "cases.csv"
KM_PER_MILE = 1.609344  # exact: NIST SP 811
SPARK = [
    Monitor.CATALYST, Monitor.EVAPORATIVE_SYSTEM, Monitor.OXYGEN_SENSOR,
    Monitor.OXYGEN_SENSOR_HEATER,
]  # fmt: skip
COMPRESSION = [
    Monitor.NMHC_CATALYST, Monitor.NOX_AFTERTREATMENT, Monitor.EXHAUST_GAS_SENSOR,
    Monitor.PM_FILTER,
]  # fmt: skip


def read_cases() -> list[Row]:
    """Every row of the table."""
    with TABLE.open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


def judged(row: Row, programs: Mapping[str, Program]) -> Verdict:
    """The verdict of a row's vehicle by its facts."""
    now = datetime.fromisoformat(row["on"] or "2026-03-01").replace(tzinfo=UTC)
    read = now - timedelta(days=_number(row["age_days"]) or 0)
    return judge(
        programs[row["program"]], _vehicle(row), _picture(row, int(read.timestamp() * 1000)), now,
        failed_codes=row["failed"].split(), observed=_observed(row, now),
    )  # fmt: skip


def differences(row: Row, verdict: Verdict) -> list[str]:
    """What of a verdict is not as the row has it, in words; [] when it is the row's."""
    first = verdict.outcome is not Outcome.WOULD_PASS
    reasons = verdict.reasons[:1] if first else verdict.reasons
    cited = {(one.rule, one.tag) for one in reasons}
    checks = {
        "outcome": (verdict.outcome.value, row["outcome"]),
        "word": (verdict.program_word, row["word"]),
        "exempt": ("yes" if verdict.exempt else "", row["exempt"]),
        "spare": (str(verdict.spare) if row["spare"] else "", row["spare"]),
        "rule": ((row["rule"], row["tag"]) in cited, True),
    }
    return [
        f"{name}: {got!r}, expected {due!r}" for name, (got, due) in checks.items() if got != due
    ]


def _number(text: str) -> int | None:
    return int(text) if text else None


def _ignition(row: Row) -> Ignition:
    return Ignition.COMPRESSION if row["fuel"].startswith("diesel") else Ignition.SPARK


def _vehicle(row: Row) -> Vehicle:
    return Vehicle(
        unit="V-1", vin="1" * 17, plate="P", depot="D", depot_tz="UTC", program=row["program"],
        model_year=int(row["year"]), ignition=_ignition(row), fuel=row["fuel"] or None,
        gvwr_lb=_number(row["gvwr"]) or 8000, odometer_mi=_number(row["odometer_mi"]),
    )  # fmt: skip


def _picture(row: Row, at: int) -> Picture:
    own = COMPRESSION if _ignition(row) is Ignition.COMPRESSION else SPARK
    unset = {Monitor(name) for name in row["unset"].split()}
    assert unset <= {*own, *CONTINUOUS}
    miles = _number(row["miles"])
    ecu = EcuPicture(
        heard_at=at, readiness_at=at, mil=row["mil"] == "on", ignition=_ignition(row),
        monitors={one: one not in unset for one in [*CONTINUOUS, *own]},
        code_count=_number(row["count"]), confirmed=row["confirmed"].split(), pending=[],
        permanent=None if row["permanent"] == "-" else row["permanent"].split(),
    )  # fmt: skip
    return Picture(
        ecus={"7E8": ecu}, heard_at=at, warm_ups_since_clear=_number(row["warm_ups"]),
        distance_since_clear_km=None if miles is None else miles * KM_PER_MILE,
        minutes_since_clear_min=_number(row["minutes"]),
    )  # fmt: skip


def _observed(row: Row, now: datetime) -> ObservedLamp | None:
    where, _, what = row["seen"].partition(" ")
    if not where:
        return None
    lit = what == "lit"
    return ObservedLamp(
        now,
        lit_at_key_on=lit if where == "key-on" else None,
        lit_while_running=lit if where == "running" else None,
        by="T",
    )
