"""One vehicle foreseen: which dates are given, which are not and why, and that they hang together.

What is checked here are choices of this project (X); the arithmetic is checked in test_forecast,
test_conformal and test_repair_by.
"""

from __future__ import annotations

import itertools
from dataclasses import replace
from datetime import UTC, date, datetime, timedelta
from zoneinfo import ZoneInfo

import pytest

from gateway.facts import Ignition, Monitor
from ingest.domain.completion import Beta
from ingest.domain.completion_priors import PRIORS
from ingest.domain.conformal import LEVELS, Calibration
from ingest.domain.cycles import Cycle
from ingest.domain.driving_habit import daily_counts, habit, parked
from ingest.domain.episodes import Episode
from ingest.domain.explanation import WhyNot
from ingest.domain.foresight import Facts, Forecast, foresee
from ingest.domain.hindsight import VEHICLE
from ingest.domain.lamp_options import AfterClear
from ingest.domain.lay_up import parse_seasons
from ingest.domain.learned import Learned, decode, encode, fit_priors
from ingest.domain.picture import EcuPicture, Picture
from ingest.domain.stuck_causes import Cause, Found
from ingest.domain.vehicles import Vehicle
from ingest.domain.verdict import Outcome, Verdict

NOW = datetime(2026, 3, 2, 18, 0, tzinfo=UTC)  # a Monday, noon in Chicago
TODAY = date(2026, 3, 2)
CHICAGO = ZoneInfo("America/Chicago")
CAT, EVAP, O2 = Monitor.CATALYST, Monitor.EVAPORATIVE_SYSTEM, Monitor.OXYGEN_SENSOR
TRUCK = Vehicle(
    unit="12", vin="1" * 17, plate="P", depot="Harbor", depot_tz="America/Chicago",
    program="us-federal", model_year=2019, ignition=Ignition.SPARK,
)  # fmt: skip
COUNTERS = {
    "ignition_cycles": 400, "catalyst_bank_1_completions": 150, "catalyst_bank_1_conditions": 300,
    "evaporative_system_completions": 60, "evaporative_system_conditions": 120,
    "oxygen_sensor_bank_1_completions": 200, "oxygen_sensor_bank_1_conditions": 300,
}  # fmt: skip


def cycles(days: int = 40, each: int = 4) -> tuple[Cycle, ...]:
    """So many driving cycles on each of the last days, the newest first."""
    found = []
    for ago in range(1, days + 1):
        for number in range(each):
            at = int((NOW - timedelta(days=ago, hours=2 - number)).timestamp() * 1000)
            found.append(
                Cycle(
                    journal="j", seq=ago * 10 + number, observed_at=at, started_at=at,
                    ended_at=at + 900_000, propulsion_on_s=900, engine_on_s=900,
                )
            )  # fmt: skip
    return tuple(sorted(found, key=lambda one: -one.started_at))


def facts(
    *waiting: Monitor, outcome: Outcome = Outcome.NOT_READY, allowed: int | None = 1
) -> Facts:
    """A vehicle with these monitors not complete, seven driving cycles after a clear."""
    monitors = {one: one not in waiting for one in (CAT, EVAP, O2)}
    ecu = EcuPicture(
        heard_at=0, monitors=monitors, in_use_counters=COUNTERS,
        confirmed=["P0420"] if outcome is Outcome.WOULD_FAIL else [],
    )  # fmt: skip
    picture = Picture(ecus={"7E8": ecu}, driving_cycles=100, driving_cycles_since_clear=7)
    verdict = Verdict(outcome, "", (), (), tuple(waiting), allowed)
    events = tuple(
        Episode(
            kind="not_complete", subject=one.value, started_at=1, start_key=("j", 1),
            details={"driving_cycles_at_start": 93},
        )
        for one in waiting
    )  # fmt: skip
    return Facts(
        vehicle=TRUCK, picture=picture, verdict=verdict, due=TODAY + timedelta(days=30),
        as_of=NOW, events=events, cycles=cycles(),
    )  # fmt: skip


def test_a_waiting_vehicle_gets_its_dates_chance_and_reasons() -> None:
    found = foresee(facts(CAT, EVAP))
    assert found.ready_50 is not None
    assert found.ready_90 is not None
    assert TODAY <= found.ready_50 <= found.ready_90 <= TODAY + timedelta(days=30)
    assert found.chance is not None
    assert found.chance > 0.9
    assert found.repair_by is None
    assert found.repair_reason == "No repair is needed."
    assert [one.monitor for one in found.monitors] == [CAT, EVAP]
    assert "its in-use counters: 60 of 393 driving cycles" in found.monitors[1].reason
    assert "not checked against outcomes yet" in found.reason
    assert set(found.said.chances) == {CAT.value, EVAP.value, VEHICLE}
    assert all(a <= b for said in found.said.chances.values() for a, b in itertools.pairwise(said))


def test_the_same_facts_give_the_same_forecast() -> None:
    assert foresee(facts(CAT, EVAP)) == foresee(facts(CAT, EVAP))


def test_what_may_be_incomplete_is_not_waited_for() -> None:
    one, none = (foresee(facts(CAT, EVAP, allowed=n)) for n in (1, 0))
    assert one.ready_90 is not None
    assert none.ready_90 is not None
    assert one.ready_90 < none.ready_90
    unknown = foresee(facts(CAT, EVAP, allowed=None))
    assert unknown.ready_90 == none.ready_90
    assert "not known: all are waited for" in unknown.reason


def test_a_retest_waits_for_its_monitor() -> None:
    free = foresee(facts(CAT, EVAP))
    bound = foresee(replace(facts(CAT, EVAP), retest=frozenset({EVAP})))
    assert free.ready_90 is not None
    assert bound.ready_90 is not None
    assert bound.ready_90 > free.ready_90


def test_a_vehicle_that_would_pass_is_ready_now_and_nothing_is_promised_of_faults() -> None:
    found = foresee(facts(outcome=Outcome.WOULD_PASS))
    assert (found.ready_50, found.ready_90, found.chance) == (TODAY, TODAY, None)
    assert "faults still to come are not forecast" in found.reason


@pytest.mark.parametrize("outcome", [Outcome.CANNOT_TELL])
def test_what_cannot_be_told_is_not_forecast(outcome: Outcome) -> None:
    found = foresee(facts(CAT, outcome=outcome))
    assert (found.chance, found.ready_90, found.repair_by) == (None, None, None)
    assert found.reason.startswith("Cannot tell")


@pytest.mark.parametrize("days, said", [(6, True), (7, False)])
def test_too_few_days_of_driving_are_not_enough_data(days: int, said: bool) -> None:
    found = foresee(replace(facts(CAT, EVAP), cycles=cycles(days)))
    assert ("Not enough data" in found.reason) is said
    assert (found.ready_90 is None) is said


@pytest.mark.parametrize("waited, said", [(4, True), (5, False)])
def test_an_assumed_prior_alone_is_not_enough_data(waited: int, said: bool) -> None:
    known = facts(CAT)
    assert known.picture is not None
    ecu = EcuPicture(heard_at=0, monitors={CAT: False})
    bare = replace(
        known, verdict=replace_verdict(known.verdict, 0), events=(),
        picture=Picture(ecus={"7E8": ecu}, driving_cycles=100, driving_cycles_since_clear=waited),
    )  # fmt: skip
    found = foresee(bare)
    assert ("Not enough data" in found.reason) is said
    fleet = Learned({"": {CAT: Beta(3, 6, "the whole fleet: fitted from 40 vehicles")}})
    assert foresee(bare, fleet).ready_90 is not None


def replace_verdict(verdict: Verdict, allowed: int) -> Verdict:
    return Verdict(verdict.outcome, "", (), (), verdict.incomplete, allowed)


def _held(cause: Cause, weight: float, stuck: str | None = None) -> WhyNot:
    return WhyNot(CAT, (Found(cause, weight, "P0101 is stored", "P0101"),), "advice", stuck)


def test_a_monitor_held_up_by_a_code_has_no_date_and_a_day_to_repair_by() -> None:
    held = replace(facts(CAT, EVAP, allowed=0), whys=(_held(Cause.CODE, 0.97),))
    found = foresee(held)
    assert (found.ready_50, found.ready_90, found.chance) == (None, None, None)
    assert found.reason == "No date until what holds them up is put right: catalyst."
    assert "until it is repaired: P0101 is stored" in found.monitors[0].reason
    assert "2 monitors still to complete after it; do not clear codes." in found.repair_reason
    assert found.monitors[0].ready_90 is None
    assert found.monitors[1].ready_90 is not None  # the other one still completes
    assert found.repair_by is not None
    assert TODAY < found.repair_by < TODAY + timedelta(days=30)


def test_a_monitor_that_may_be_incomplete_holds_nothing_up() -> None:
    held = replace(facts(CAT, EVAP), whys=(_held(Cause.CODE, 0.97),))
    found = foresee(held)
    assert found.ready_90 is not None
    assert found.repair_by is None


def test_a_weak_cause_holds_nothing_up_but_a_stuck_monitor_does() -> None:
    weak = foresee(replace(facts(CAT, EVAP, allowed=0), whys=(_held(Cause.CODE, 0.6),)))
    assert weak.ready_90 is not None
    stuck = _held(Cause.STANDS_STILL, 0.6, "still not complete after 90 driving cycles")
    found = foresee(replace(facts(CAT, EVAP, allowed=0), whys=(stuck,)))
    assert found.ready_90 is None
    assert "until its cause is found" in found.monitors[0].reason


APRIL = date(2026, 4, 1)


def test_the_evaporative_monitor_waits_for_its_season() -> None:
    """Driving before it counts for the other monitors only."""
    free = foresee(facts(CAT, EVAP, allowed=0))
    bound = foresee(replace(facts(CAT, EVAP, allowed=0), evap_from=APRIL))
    assert free.ready_50 is not None
    assert free.ready_50 < APRIL
    assert bound.ready_50 is not None
    assert bound.ready_50 >= APRIL
    assert bound.chance is not None
    assert bound.chance < 0.01  # due on April 1
    assert "Evaporative system: not before about April" in bound.reason
    assert "not before about April" in bound.monitors[1].reason
    assert bound.monitors[0] == free.monitors[0]
    # Where one may be left, it is this one.
    assert (
        foresee(replace(facts(CAT, EVAP), evap_from=APRIL)).ready_90 == bound.monitors[0].ready_90
    )
    far = foresee(replace(facts(CAT, EVAP, allowed=0), evap_from=date(2026, 9, 1)))
    assert far.ready_50 is None


def test_a_monitor_that_only_the_air_holds_up_needs_no_repair() -> None:
    cold = WhyNot(EVAP, (Found(Cause.AMBIENT, 1.0, "7 of 7 cold starts"),), "advice", "stuck")
    known = replace(facts(EVAP, allowed=0), whys=(cold,))
    found = foresee(replace(known, evap_from=APRIL))
    assert found.ready_90 is not None
    assert found.ready_90 >= APRIL
    assert found.repair_by is None
    assert found.repair_reason == "No repair is needed."
    assert foresee(known).ready_90 is None  # no season known: its cause has to be found


def test_a_repair_before_the_season_leaves_the_evaporative_monitor_waiting() -> None:
    due = TODAY + timedelta(days=60)
    free, bound = (_failing(due=due, evap_from=day) for day in (None, APRIL))
    strict = foresee(
        replace(facts(outcome=Outcome.WOULD_FAIL, allowed=0), due=due, evap_from=APRIL)
    )
    assert free.repair_by == bound.repair_by  # one may be left: this one
    assert strict.repair_by is not None
    assert free.repair_by is not None
    assert strict.repair_by < free.repair_by


def _failing(**changes: object) -> Forecast:
    return foresee(replace(facts(outcome=Outcome.WOULD_FAIL), **changes))  # type: ignore[arg-type]


def test_a_vehicle_that_would_fail_has_a_day_to_repair_it_by() -> None:
    found = _failing()
    assert (found.chance, found.ready_90) == (None, None)
    assert found.repair_by is not None
    assert "with a 95% chance of being ready in time" in found.repair_reason
    assert found.chance_if_repaired_today is not None
    assert found.chance_if_repaired_today >= 0.95


def test_what_brings_the_day_to_repair_by_forward() -> None:
    plain = _failing().repair_by
    hold = _failing(vehicle=replace(TRUCK, hold_reason="recall")).repair_by
    spare = _failing(has_spare=False).repair_by
    warm = _failing(after=AfterClear(warm_ups=15)).repair_by
    visit = (NOW + timedelta(days=26), NOW + timedelta(days=28))  # due in 30
    away = _failing(in_bays=(visit,)).repair_by
    laid = _failing(vehicle=replace(TRUCK, lay_up=parse_seasons("03-27 to 03-30"))).repair_by
    assert plain is not None
    assert hold is not None
    assert hold == spare
    for earlier in (hold, warm, away, laid):
        assert earlier is not None
        assert earlier < plain


def test_a_permanent_code_that_counts_has_to_be_erased_first() -> None:
    """Its monitor is no longer the one that may be left: the evaporative one, the slowest here."""
    known = facts(outcome=Outcome.WOULD_FAIL)
    assert known.picture is not None
    known.picture.ecus["7E8"].confirmed = ["P0455"]
    plain = foresee(known).repair_by
    strict = foresee(replace(known, after=AfterClear(permanent_counts=True))).repair_by
    assert plain is not None
    assert strict is not None
    assert strict < plain


def test_no_day_is_left_or_no_due_date_is_known() -> None:
    near = _failing(due=TODAY + timedelta(days=2))
    assert near.repair_by is None
    assert "No day is left with a 95% chance" in near.repair_reason
    assert near.chance_if_repaired_today is not None
    assert near.chance_if_repaired_today < 0.95
    assert _failing(due=None).repair_reason == "No due date is known."
    assert _failing(due=TODAY).chance_if_repaired_today == 0.0


def test_a_far_due_date_is_looked_at_as_it_is() -> None:
    near, far = (_failing(due=TODAY + timedelta(days=n)).repair_by for n in (30, 200))
    assert near is not None
    assert far is not None
    assert abs((far - near).days - 170) <= 7  # the same week-day pattern, 170 days on


@pytest.mark.parametrize("state", ["in shop", "down", "not in use"])
def test_a_vehicle_that_does_not_drive_has_no_date(state: str) -> None:
    found = foresee(replace(facts(CAT, EVAP), vehicle=replace(TRUCK, state=state)))
    assert (found.ready_90, found.chance) == (None, None)
    assert state in found.reason


def test_a_calibration_of_its_own_moves_the_vehicle() -> None:
    slow = Calibration(tuple(min(1.0, level**0.3) for level in LEVELS), 200, "calibrated on 200")
    before = foresee(facts(CAT, EVAP, allowed=0))
    after = foresee(facts(CAT, EVAP, allowed=0), Learned({}, {VEHICLE: slow}))
    assert before.ready_90 is not None
    assert after.ready_90 is not None
    assert after.ready_90 > before.ready_90
    assert "calibrated on 200" in after.reason


def test_habits_are_counted_by_the_depots_own_days() -> None:
    zone = NOW.astimezone().tzinfo
    assert zone is not None
    rate = habit(cycles(21, 3), TODAY, CHICAGO)
    assert rate.days == 21
    # One assumed week (weekends a quarter of a weekday) beside three of its own, the latest first.
    assert rate.by_weekday[:5] == pytest.approx((3.0,) * 5, abs=0.35)
    assert rate.by_weekday[5:] == pytest.approx((3.0,) * 2, abs=0.65)
    assert daily_counts(cycles(3, 2), TODAY, CHICAGO) == [2.0, 2.0, 2.0]
    plan = parked(replace(TRUCK, duty_days=(0, 1, 2, 3, 4)), [], TODAY, 14)
    assert {day.weekday() for day in plan.idle} == {5, 6}


def test_a_monitor_is_called_stuck_by_a_start_value_held_in_more_doubt() -> None:
    """The mean stays; the weight is at most that of the most doubtful assumed one (X)."""
    sure = Beta(50, 50, "the whole fleet: fitted from 400 vehicles")
    found = Learned({"": {CAT: sure}}).cautious(TRUCK)
    assert found[CAT].mean == pytest.approx(0.5)
    assert found[CAT].a == PRIORS[EVAP].a
    assert {one: prior for one, prior in found.items() if one is not CAT} == {
        one: prior for one, prior in PRIORS.items() if one is not CAT
    }


def test_what_was_learned_survives_being_written_down() -> None:
    priors = fit_priors([("a", CAT, float(n % 7), 20.0) for n in range(40)])
    assert set(priors) == {"a", ""}
    held = {"catalyst": Calibration(LEVELS, 120, "calibrated on 120")}
    learned = Learned(priors, held, {"Harbor": {1: 0.05, 4: 0.5}})
    assert decode(encode(learned)) == learned
    assert fit_priors([("a", CAT, 1.0, 9.0)]) == {}
