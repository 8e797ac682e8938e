"""What forecasts said against what came: waits that ended, that were cut short, that go on.

The rules are choices of this project (X); order statistics and quantiles are checked elsewhere.
"""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta
from zoneinfo import ZoneInfo

import numpy as np
import pytest

from gateway.facts import Ignition, Monitor
from ingest.domain import hindsight
from ingest.domain.conformal import ENOUGH, FEW, Score
from ingest.domain.episodes import Episode
from ingest.domain.evidence import counted
from ingest.domain.expected_late import late_this_month
from ingest.domain.forecast import Rule
from ingest.domain.foresight import Forecast
from ingest.domain.hindsight import DAY_MS, NIGHTS, VEHICLE, Said, scores_of, to_be_kept, wait_began
from ingest.domain.learned import records_of
from ingest.domain.outcome import Outcome
from ingest.domain.picture import EcuPicture, Picture
from ingest.domain.vehicles import Vehicle

CAT, EVAP, O2 = Monitor.CATALYST, Monitor.EVAPORATIVE_SYSTEM, Monitor.OXYGEN_SENSOR
CHICAGO = ZoneInfo("America/Chicago")
AT = int(datetime(2026, 3, 2, 23, 0, tzinfo=UTC).timestamp() * 1000)  # 5 PM in Chicago
STEPS = tuple(float(one) for one in np.linspace(0.1, 0.9, 9))
SAID = Said({CAT.value: STEPS, EVAP.value: STEPS, VEHICLE: STEPS}, (CAT, EVAP), Rule(1))
TRUCK = Vehicle(
    unit="12", vin="1" * 17, plate="P", depot="Harbor", depot_tz="America/Chicago",
    program="us-federal", model_year=2019, ignition=Ignition.SPARK,
)  # fmt: skip


def later(days: float) -> int:
    return AT + int(days * DAY_MS)


def wait(monitor: Monitor, ended: float | None, began: float = -3.0) -> Episode:
    return Episode(
        kind="not_complete", subject=monitor.value, started_at=later(began), start_key=("j", 1),
        ended_at=None if ended is None else later(ended), details={"driving_cycles_at_start": 93},
    )  # fmt: skip


def clear(at: float) -> Episode:
    return Episode(kind="clear", subject="", started_at=later(at), start_key=("j", 2))


def scored(*events: Episode, until: float = 8.0) -> dict[str, Score]:
    return {one.group: one for one in scores_of(SAID, AT, events, later(until), CHICAGO, 1)}


def test_a_wait_that_ended_scores_the_chance_given_by_its_day() -> None:
    found = scored(wait(CAT, 2.0), wait(EVAP, 5.0))
    assert found[CAT.value].resolved
    assert STEPS[1] <= found[CAT.value].chance <= STEPS[2]
    assert STEPS[4] <= found[EVAP.value].chance <= STEPS[5]
    # One may be left: the vehicle was ready with the first of the two.
    assert STEPS[1] <= found[VEHICLE].chance <= STEPS[2]


def test_days_are_the_depots_own() -> None:
    """8 hours on is 1 AM in Chicago, the next day; 6 hours on is the same evening."""
    assert scored(wait(CAT, 8 / 24))[CAT.value].chance >= STEPS[0]
    assert scored(wait(CAT, 6 / 24))[CAT.value].chance < STEPS[0]


def test_a_clear_and_the_last_reading_cut_a_wait_short() -> None:
    """Cut on a day, nothing is known of that day: the score is at least that of the day before."""
    cleared = scored(wait(CAT, 6.0), wait(EVAP, None), clear(-3.0), clear(3.0))
    gone = scored(wait(CAT, None), wait(EVAP, None), until=3.0)
    for found in (cleared, gone):
        for one in found.values():
            assert not one.resolved
            assert one.chance == STEPS[2]


def test_beyond_what_was_said_a_wait_is_only_known_to_be_longer() -> None:
    found = scored(wait(CAT, 30.0), wait(EVAP, None), until=40.0)
    assert found[CAT.value] == Score(CAT.value, AT, STEPS[-1], resolved=False)


def test_a_wait_that_the_facts_no_longer_bear_out_gives_no_score() -> None:
    assert set(scored(wait(CAT, 2.0))) == {CAT.value}
    assert set(scored(wait(CAT, -1.0), wait(EVAP, 2.0))) == {EVAP.value}


def test_one_forecast_of_a_wait_is_kept_on_one_of_its_first_nights() -> None:
    nights = []
    for vehicle in range(60):
        since = later(-3)
        nights.append(next(n for n in range(10) if to_be_kept(vehicle, since, since + n * DAY_MS)))
        kept = [to_be_kept(vehicle, since, since + n * DAY_MS) for n in range(10)]
        assert kept == sorted(kept)  # a night that was missed is made up for
    assert set(nights) == set(range(NIGHTS))


def test_when_a_wait_began() -> None:
    picture = Picture(last_clear_at=later(-1.0))
    assert wait_began(SAID, picture, [wait(CAT, None), wait(EVAP, None)]) == later(-1.0)
    late = [wait(CAT, None), wait(EVAP, None, began=-0.5)]
    assert wait_began(SAID, picture, late) == later(-0.5)
    assert wait_began(Said(), picture, late) is None


def test_said_survives_being_written_down() -> None:
    assert hindsight.decode(hindsight.encode(SAID)) == SAID


def test_the_vehicle_takes_the_calibration_of_all_monitors_until_it_has_its_own() -> None:
    def group(name: str, count: int, low: float) -> list[Score]:
        chances = low + (1 - low) * (np.arange(count) + 0.5) / count
        return [Score(name, n, float(one), True) for n, one in enumerate(chances)]

    few = hindsight.calibrations(group("catalyst", FEW, 0.5) + group(VEHICLE, ENOUGH - 1, 0.0))
    assert set(few) == {""}
    assert few[""].raw_level(0.5) == pytest.approx(0.75, abs=0.02)
    more = hindsight.calibrations(group("catalyst", FEW, 0.5) + group(VEHICLE, ENOUGH, 0.0))
    assert more[VEHICLE].raw_level(0.5) == pytest.approx(0.5, abs=0.02)
    assert more[""] == few[""]


# ------------------------------------------------------------------------- what counters tell
BANKS = {
    "ignition_cycles": 400,
    "catalyst_bank_1_completions": 150, "catalyst_bank_1_conditions": 300,
    "catalyst_bank_2_completions": 0, "catalyst_bank_2_conditions": 0,
}  # fmt: skip


def driven(counters: dict[str, int], confirmed: list[str] | None = None) -> Picture:
    monitors = {Monitor.MISFIRE: True, CAT: False, EVAP: False}
    ecu = EcuPicture(heard_at=0, monitors=monitors, in_use_counters=counters, confirmed=confirmed)
    return Picture(ecus={"7E8": ecu}, driving_cycles=100, driving_cycles_since_clear=7)


@pytest.mark.parametrize(
    "conditions, done",
    [  # SAE J1979 info type 08 has a place for two banks, zero where there is one (M)
        pytest.param(0, 150, id="one bank"),
        pytest.param(280, 0, id="a second bank that never completes"),
    ],
)
def test_a_bank_that_is_not_there_is_no_bank_that_fails(conditions: int, done: int) -> None:
    found = counted(CAT, driven(BANKS | {"catalyst_bank_2_conditions": conditions}), 0)
    assert found is not None
    assert (found.done, found.cycles) == (done, 400)


def test_what_one_vehicle_teaches() -> None:
    """Its counters, else its waits, with the one of now unless a code may hold it up."""
    events = [wait(EVAP, None)]
    family = "any make 2019 spark"
    found = records_of(TRUCK, driven(BANKS), events)
    assert found == [(family, CAT, 150, 400), (family, EVAP, 0.0, 7.0)]
    with_code = records_of(TRUCK, driven(BANKS, confirmed=["P0101"]), events)
    assert with_code == [(family, CAT, 150, 400)]


# ------------------------------------------------------------------------- late this month
TODAY = date(2026, 3, 10)


def _ahead(chance: float | None, repaired: float | None = None) -> Forecast:
    return Forecast(chance, None, None, "", None, "", repaired)


def test_the_count_expected_late_is_the_sum_of_the_chances() -> None:
    """Expected value of a sum of indicators, whatever they share (X)."""
    fleet = [
        (date(2026, 3, 9), Outcome.WOULD_PASS, _ahead(None)),  # overdue
        (date(2026, 3, 20), Outcome.WOULD_PASS, _ahead(None)),
        (date(2026, 3, 20), Outcome.NOT_READY, _ahead(0.25)),
        (date(2026, 3, 31), Outcome.WOULD_FAIL, _ahead(None, 0.5)),
        (date(2026, 3, 10), Outcome.NOT_READY, _ahead(None)),  # today, not ready
        (date(2026, 3, 30), Outcome.NOT_READY, _ahead(None)),  # not enough data
        (date(2026, 3, 30), Outcome.CANNOT_TELL, _ahead(None)),
        (date(2026, 4, 1), Outcome.NOT_READY, _ahead(0.0)),  # next month
        (None, Outcome.NOT_READY, _ahead(0.0)),
    ]
    found = late_this_month(fleet, TODAY)
    assert (found.counted, found.overdue, found.not_told) == (5, 1, 2)
    assert found.expected == pytest.approx(1 + 0 + 0.75 + 0.5 + 1)
    assert found.words() == (
        "Expected late this month: 1 overdue now and about 2 of the 4 still due. "
        "Of 2 more vehicles due it cannot be told."
    )


@pytest.mark.parametrize(
    "chances, words",
    [
        ((), "No inspection is due this month."),
        ((1.0, 1.0), "Expected late this month: none of the 2 still due."),
        ((0.9, 0.9), "Expected late this month: fewer than 1 of the 2 still due."),
        ((0.3, 0.4), "Expected late this month: about 1 of the 2 still due."),
    ],
)
def test_how_the_count_is_told(chances: tuple[float, ...], words: str) -> None:
    day = TODAY + timedelta(days=9)
    fleet = [(day, Outcome.NOT_READY, _ahead(one)) for one in chances]
    assert late_this_month(fleet, TODAY).words() == words
