"""The golden table: program, vehicle and facts to verdict, each row worked out by hand.

`rule` and `tag` are the clause each row was worked out from (tags: A the rule itself, A* a copy,
B a secondary page, M from memory, X a choice of ours). The clause must be the first reason where
it stands in the way, and one of the reasons where the vehicle would pass. Blank facts: gasoline,
8,000 lb, 2026-03-01, everything complete, lamp off, no codes, counters not reported. `spare` is
blank where nothing was worked out.
"""

from __future__ import annotations

import csv
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from gateway.facts import CONTINUOUS, Ignition, Monitor
from ingest.domain.observed_lamp import ObservedLamp
from ingest.domain.picture import EcuPicture, Picture
from ingest.domain.vehicles import Vehicle
from ingest.domain.verdict import Outcome, judge
from ingest.program_files import load_programs

PROGRAMS = load_programs()
TABLE = Path(__file__).parents[2] / "golden" / "programs" / "cases.csv"
with TABLE.open(encoding="utf-8", newline="") as file:
    CASES = list(csv.DictReader(file))
KM_PER_MILE = 1.609344  # exact: NIST SP 811
SPARK = [
    Monitor.CATALYST, Monitor.EVAPORATIVE_SYSTEM, Monitor.OXYGEN_SENSOR,
    Monitor.OXYGEN_SENSOR_HEATER,
]  # fmt: skip
COMPRESSION = [
    Monitor.NMHC_CATALYST, Monitor.NOX_AFTERTREATMENT, Monitor.EXHAUST_GAS_SENSOR,
    Monitor.PM_FILTER,
]  # fmt: skip


def number(text):
    return int(text) if text else None


def ignition(row):
    return Ignition.COMPRESSION if row["fuel"].startswith("diesel") else Ignition.SPARK


def vehicle(row):
    return Vehicle(
        unit="V-1", vin="1" * 17, plate="P", depot="D", depot_tz="UTC", program=row["program"],
        model_year=int(row["year"]), ignition=ignition(row), fuel=row["fuel"] or None,
        gvwr_lb=number(row["gvwr"]) or 8000, odometer_mi=number(row["odometer_mi"]),
    )  # fmt: skip


def picture(row, at):
    own = COMPRESSION if ignition(row) is Ignition.COMPRESSION else SPARK
    unset = {Monitor(name) for name in row["unset"].split()}
    assert unset <= {*own, *CONTINUOUS}
    miles = number(row["miles"])
    ecu = EcuPicture(
        heard_at=at, readiness_at=at, mil=row["mil"] == "on", ignition=ignition(row),
        monitors={one: one not in unset for one in [*CONTINUOUS, *own]},
        code_count=number(row["count"]), confirmed=row["confirmed"].split(), pending=[],
        permanent=None if row["permanent"] == "-" else row["permanent"].split(),
    )  # fmt: skip
    return Picture(
        ecus={"7E8": ecu}, heard_at=at, warm_ups_since_clear=number(row["warm_ups"]),
        distance_since_clear_km=None if miles is None else miles * KM_PER_MILE,
        minutes_since_clear_min=number(row["minutes"]),
    )  # fmt: skip


def observed(row, now):
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


def judged(row):
    now = datetime.fromisoformat(row["on"] or "2026-03-01").replace(tzinfo=UTC)
    read = now - timedelta(days=number(row["age_days"]) or 0)
    return judge(
        PROGRAMS[row["program"]], vehicle(row), picture(row, int(read.timestamp() * 1000)), now,
        failed_codes=row["failed"].split(), observed=observed(row, now),
    )  # fmt: skip


@pytest.mark.parametrize("row", [pytest.param(row, id=row["case"]) for row in CASES])
def test_a_case_worked_out_by_hand(row):
    verdict = judged(row)
    assert (verdict.outcome, verdict.program_word) == (row["outcome"], row["word"]), verdict.reasons
    assert verdict.exempt is (row["exempt"] == "yes")
    if row["spare"]:
        assert verdict.spare == int(row["spare"])
    decisive = verdict.outcome is not Outcome.WOULD_PASS
    reasons = verdict.reasons[:1] if decisive else verdict.reasons
    assert (row["rule"], row["tag"]) in {(one.rule, one.tag) for one in reasons}
    assert all(one.text and one.fact and one.rule and one.clause for one in verdict.reasons)


def test_the_table_has_at_least_eighty_cases_of_every_program():
    assert len({row["case"] for row in CASES}) == len(CASES) >= 80
    assert {row["program"] for row in CASES} == set(PROGRAMS)
