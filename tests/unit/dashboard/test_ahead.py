"""Forecasts on the board and in the week plan: dates, chances, and the last day for a repair.

The words and the rule that a repair-by day comes before the due date are this project's own (X).
"""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, date, datetime
from zoneinfo import ZoneInfo

import pytest

from dashboard import present, reads
from dashboard.views import ahead_rows
from gateway.facts import Ignition, Monitor
from ingest.domain.due import Need
from ingest.domain.foresight import Forecast, MonitorForecast
from ingest.domain.outcome import Outcome, Verdict
from ingest.domain.vehicles import Vehicle
from ingest.queries import FleetToday, Standing

CHICAGO = ZoneInfo("America/Chicago")
NOW = datetime(2026, 3, 2, 18, 0, tzinfo=UTC)
TODAY = date(2026, 3, 2)
DUE = date(2026, 3, 20)
TRUCK = Vehicle(
    unit="12", vin="1" * 17, plate="P", depot="Harbor", depot_tz="America/Chicago",
    program="us-federal", model_year=2019, ignition=Ignition.SPARK, id=12,
)  # fmt: skip
NEEDS_REPAIR = Forecast(
    None, None, None, "Not ready until it is repaired: see repair by.", date(2026, 3, 14),
    "The last day for the repair with a 95% chance of being ready in time.", 0.97,
)  # fmt: skip
TOO_LATE = replace(
    NEEDS_REPAIR, repair_by=None, repair_reason="No day is left with a 95% chance.",
    chance_if_repaired_today=0.4,
)  # fmt: skip
WAITS = Forecast(
    0.93, date(2026, 3, 5), date(2026, 3, 12), "It makes about 20 driving cycles a week.",
    monitors=(
        MonitorForecast(Monitor.CATALYST, 0.995, date(2026, 3, 2), date(2026, 3, 12), "a"),
        MonitorForecast(Monitor.EVAPORATIVE_SYSTEM, 0.4, date(2026, 3, 9), None, "b"),
        MonitorForecast(Monitor.OXYGEN_SENSOR, None, None, None, "Not enough data."),
    ),
)  # fmt: skip


def standing(outcome: Outcome, said: Forecast, due: date | None = DUE) -> Standing:
    left = None if due is None else (due - TODAY).days
    need = Need(2.0, "The MIL is on.", "Repair P0420.", due, False, left)
    return Standing(TRUCK, None, Verdict(outcome, "", (), ()), need, NOW, None, (), said)


def test_the_dates_and_the_chance_of_a_vehicle_are_one_sentence_each() -> None:
    (line,) = ahead_rows.ahead_lines(WAITS, TODAY)
    assert line == (
        "Ready by Thu Mar 5 with a chance of 50%, by Thu Mar 12 with 90%. "
        "Chance of being ready in time: 93%. It makes about 20 driving cycles a week."
    )
    never = replace(WAITS, ready_90=None)
    assert "by not within" not in ahead_rows.ahead_lines(never, TODAY)[0]
    assert "with 90% not within 120 days" in ahead_rows.ahead_lines(never, TODAY)[0]


@pytest.mark.parametrize(
    "said, words",
    [
        (NEEDS_REPAIR, "Repair by Sat Mar 14. The last day for the repair with a 95% chance"),
        (TOO_LATE, "Repair now. No day is left with a 95% chance."),
    ],
)
def test_a_needed_repair_has_its_day(said: Forecast, words: str) -> None:
    first, second = ahead_rows.ahead_lines(said, TODAY)
    assert first == "Not ready until it is repaired: see repair by."
    assert second.startswith(words)


def test_a_monitor_without_a_date_is_not_one_beyond_the_horizon() -> None:
    one, two, three = ahead_rows.monitor_rows(WAITS, TODAY)
    assert (one["Complete by, chance 50%"], one["Chance in time"]) == ("today", "over 99%")
    assert two["Complete by, chance 90%"] == "not within 120 days"
    assert (three["Complete by, chance 90%"], three["Chance in time"]) == ("no date", "no date")


@pytest.mark.parametrize(
    "said, due, deadline",
    [
        pytest.param(NEEDS_REPAIR, DUE, date(2026, 3, 14), id="repair by comes first"),
        pytest.param(NEEDS_REPAIR, date(2026, 3, 10), date(2026, 3, 10), id="due comes first"),
        pytest.param(NEEDS_REPAIR, None, date(2026, 3, 14), id="no due date"),
        pytest.param(TOO_LATE, DUE, TODAY, id="no day left: as early as can be"),
        pytest.param(WAITS, DUE, DUE, id="no repair"),
    ],
)
def test_the_plan_works_to_the_day_for_the_repair(
    said: Forecast, due: date | None, deadline: date
) -> None:
    job = reads.job_of(standing(Outcome.WOULD_FAIL, said, due), TODAY)
    assert job is not None
    assert job.deadline == deadline
    assert ("95% chance" in job.reason) is (said is not WAITS and deadline != due)


@pytest.mark.parametrize(
    "outcome, said, due, words",
    [
        (Outcome.NOT_READY, WAITS, DUE, "93%"),
        (Outcome.WOULD_FAIL, TOO_LATE, DUE, "40% if repaired today"),
        (Outcome.WOULD_PASS, replace(WAITS, chance=None), DUE, "ready now"),
        (Outcome.CANNOT_TELL, replace(WAITS, chance=None), DUE, "not known"),
        (Outcome.WOULD_PASS, replace(WAITS, chance=None), date(2026, 3, 1), "overdue"),
    ],
)
def test_the_chance_in_time(outcome: Outcome, said: Forecast, due: date, words: str) -> None:
    assert present.chance_in_time(standing(outcome, said, due), TODAY) == words


def test_the_count_expected_late_is_told_for_the_depot() -> None:
    fleet = (standing(Outcome.WOULD_FAIL, TOO_LATE), standing(Outcome.NOT_READY, WAITS))
    today = FleetToday(NOW, fleet, 2, (), (), 0, 0, 0)
    assert present.late_words(today, CHICAGO) == (
        "Expected late this month: about 1 of the 2 still due."
    )
