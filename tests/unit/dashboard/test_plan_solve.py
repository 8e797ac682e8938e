"""The week planner. All depots, units and jobs here are invented.

Clock changes: second Sunday of March and first Sunday of November at 2:00 a.m. local standard or
daylight time, 15 U.S.C. 260a (from memory).
"""

from dataclasses import replace
from datetime import UTC, date, datetime, time, timedelta
from random import Random

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from dashboard.planning.check import violations
from dashboard.planning.model import (
    Bay,
    Depot,
    Job,
    Placement,
    Plan,
    Shift,
    working_week,
)
from dashboard.planning.solve import plan_week, shift_slots

MONDAY = date(2026, 11, 23)
BEFORE = datetime(2026, 11, 20, 12, tzinfo=UTC)
HARBOR = Depot(
    "Harbor", "America/New_York", (Bay("Bay 1"), Bay("Bay 2")), working_week(time(7), time(17))
)
ONE_BAY = replace(HARBOR, bays=(Bay("Bay 1"),))


def job(n: int, hours: float = 2, deadline: date = date(2026, 11, 27), **more: object) -> Job:
    base = Job(n, f"H-{n:03d}", "Harbor", hours, deadline, f"Reason {n}", f"Work {n}")
    return replace(base, **more)  # type: ignore[arg-type]


def plan_one(the_job: Job, now: datetime = BEFORE, depot: Depot = ONE_BAY) -> Plan:
    return plan_week(depot, MONDAY, [the_job], (), now)


def utc(day: int, hour: int, minute: int = 0) -> datetime:
    return datetime(2026, 11, day, hour, minute, tzinfo=UTC)


@pytest.mark.parametrize(
    ("day", "opens", "closes", "first_utc_hour", "slots"),
    [
        # 7:00 a.m. is 12:00 UTC in standard time (UTC-5), 11:00 UTC in daylight time (UTC-4).
        pytest.param(date(2026, 3, 7), time(7), time(17), 12, 40, id="day-before-spring"),
        pytest.param(date(2026, 3, 8), time(7), time(17), 11, 40, id="spring-day"),
        pytest.param(date(2026, 3, 8), time(0), time(6), 5, 20, id="spring-night-has-5-hours"),
        pytest.param(date(2026, 3, 8), time(2), time(3), 0, 0, id="skipped-hour-has-no-slots"),
        pytest.param(date(2026, 10, 31), time(7), time(17), 11, 40, id="day-before-fall"),
        pytest.param(date(2026, 11, 1), time(7), time(17), 12, 40, id="fall-day"),
        pytest.param(date(2026, 11, 1), time(0), time(6), 4, 28, id="fall-night-has-7-hours"),
    ],
)
def test_open_hours_follow_the_clock_change_of_new_york(
    day: date, opens: time, closes: time, first_utc_hour: int, slots: int
) -> None:
    found = shift_slots(HARBOR, day, Shift(opens, closes))

    assert len(found) == slots
    if slots:
        assert found[0] == datetime(day.year, day.month, day.day, first_utc_hour, tzinfo=UTC)


@pytest.mark.parametrize(
    "monday",
    [
        pytest.param(date(2026, 3, 2), id="week-of-spring-change"),
        pytest.param(date(2026, 10, 26), id="week-of-fall-change"),
    ],
)
def test_a_week_with_a_clock_change_is_full_and_sound(monday: date) -> None:
    depot = replace(ONE_BAY, hours=working_week(time(0), time(8), range(7)))
    jobs = [job(n, 4, monday + timedelta(days=n)) for n in range(20)]
    plan = plan_week(depot, monday, jobs, (), datetime(2026, 1, 1, tzinfo=UTC))

    assert violations(plan, depot, jobs) == []
    # Two jobs of 4 h on each day of 8 h; the spring Sunday has 7 h, the fall Sunday 9 h.
    assert len(plan.placements) == (13 if monday.month == 3 else 14)
    assert all(p.end - p.start == timedelta(hours=4) for p in plan.placements)


def test_the_most_urgent_deadline_goes_first_and_ties_go_by_unit() -> None:
    late, tie_b, tie_a = job(1, 2, date(2026, 11, 28)), job(9, 2), job(8, 2)
    plan = plan_week(ONE_BAY, MONDAY, [late, tie_b, tie_a], (), BEFORE)

    assert [p.unit for p in plan.placements] == ["H-008", "H-009", "H-001"]
    assert plan.placements[0].start == utc(23, 12)


@pytest.mark.parametrize(
    ("now", "start"),
    [
        pytest.param(utc(23, 11, 59), utc(23, 12), id="just-before-opening"),
        pytest.param(utc(23, 12), utc(23, 12), id="at-opening"),
        pytest.param(utc(23, 12, 1), utc(23, 12, 15), id="just-after-opening"),
        pytest.param(utc(23, 20), utc(23, 20), id="last-start-that-fits-before-closing"),
        pytest.param(utc(23, 20, 1), utc(24, 12), id="no-longer-fits-today"),
    ],
)
def test_nothing_is_placed_before_now(now: datetime, start: datetime) -> None:
    assert plan_one(job(1, 2), now).placements[0].start == start


@pytest.mark.parametrize(
    ("deadline", "words"),
    [
        pytest.param(date(2026, 11, 22), "has passed before this week opens", id="just-before"),
        pytest.param(date(2026, 11, 23), "0 days to spare", id="at-the-day"),
        pytest.param(date(2026, 11, 24), "1 day before its deadline Tue Nov 24", id="just-after"),
        pytest.param(date(2027, 1, 4), "42 days before its deadline Mon Jan 4, 2027", id="far"),
    ],
)
def test_each_placement_says_how_far_its_deadline_is(deadline: date, words: str) -> None:
    (placement,) = plan_one(job(1, 2, deadline)).placements

    assert placement.reason.startswith("Reason 1. ")
    assert words in placement.reason


def test_a_deadline_passed_within_the_week_is_overdue_without_blaming_the_week() -> None:
    (placement,) = plan_one(job(1, 2, date(2026, 11, 24)), utc(25, 12)).placements

    assert "Overdue: the deadline Tue Nov 24 has passed. Placed as early" in placement.reason


def test_work_that_fits_only_after_its_deadline_is_placed_and_called_late() -> None:
    first, second = job(1, 10, MONDAY), job(2, 10, MONDAY)
    plan = plan_week(ONE_BAY, MONDAY, [first, second], (), BEFORE)

    assert "Late: misses its deadline Mon Nov 23 by 1 day" in plan.placements[1].reason
    assert "needs 10 h and no bay has that much left" in plan.placements[1].reason


def test_a_vehicle_that_comes_after_its_deadline_is_late_for_that_reason() -> None:
    (placement,) = plan_one(job(1, 2, MONDAY, in_shop_from=date(2026, 11, 25))).placements

    assert placement.start == utc(25, 12)
    assert "the vehicle is not in the shop before Wed Nov 25" in placement.reason


@pytest.mark.parametrize(
    ("the_job", "depot", "now", "words"),
    [
        pytest.param(job(1, 10.25), ONE_BAY, BEFORE, "longest shift this week is 10 h", id="long"),
        pytest.param(job(1), ONE_BAY, utc(29, 12), "No open hours are left", id="week-over"),
        pytest.param(job(1), replace(HARBOR, bays=()), BEFORE, "no bay", id="no-bay"),
        pytest.param(
            job(1, 6),
            ONE_BAY,
            utc(27, 17),
            "Needs 6 h in one stretch; no bay has that much left before Fri Nov 27 closes",
            id="too-little-left",
        ),
        pytest.param(
            job(1, in_shop_from=date(2026, 11, 30)), ONE_BAY, BEFORE, "before Mon Nov 30", id="away"
        ),
    ],
)
def test_work_without_a_place_says_why(
    the_job: Job, depot: Depot, now: datetime, words: str
) -> None:
    plan = plan_one(the_job, now, depot)

    assert plan.placements == ()
    ((listed, reason),) = plan.unplaced
    assert listed == the_job
    assert words in reason
    assert "Nov 27" in reason


def test_work_never_runs_over_a_pause_or_a_night() -> None:
    pause = (Shift(time(7), time(12)), Shift(time(12, 30), time(17)))
    depot = replace(ONE_BAY, hours=(pause,) * 5 + ((), ()))
    plan = plan_week(depot, MONDAY, [job(1, 4), job(2, 4)], (), BEFORE)

    assert [p.start for p in plan.placements] == [utc(23, 12), utc(23, 17, 30)]


def test_closed_days_stay_empty() -> None:
    depot = replace(ONE_BAY, closed=frozenset({MONDAY, date(2026, 11, 24)}))

    assert plan_one(job(1), depot=depot).placements[0].start == utc(25, 12)


def test_standing_appointments_keep_bay_and_time_even_when_begun() -> None:
    booked = plan_one(job(7, 10)).placements
    kept = plan_week(ONE_BAY, MONDAY, [job(1, 10), job(7, 10)], booked, utc(23, 15))

    assert (kept.placements[0].bay, kept.placements[0].slots) == ("Bay 1", booked[0].slots)
    assert kept.placements[0].booked
    assert kept.placements[0].reason.startswith("Appointment kept as booked. Reason 7.")
    assert kept.placements[1].start == utc(24, 12)
    assert violations(kept, ONE_BAY, [job(1, 10), job(7, 10)]) == []


def test_new_work_goes_around_standing_appointments() -> None:
    booked = plan_one(job(7, 4)).placements
    plan = plan_week(ONE_BAY, MONDAY, [job(1, 4)], booked, BEFORE)

    assert [(p.unit, p.start) for p in plan.placements] == [
        ("H-007", utc(23, 12)),
        ("H-001", utc(23, 16)),
    ]


def test_work_does_not_bridge_the_repeated_hour() -> None:
    # 1:30 to 3:00 a.m. on the fall Sunday: the wall clock is back at 1:00 at 06:00 UTC, so the
    # shop is open 05:30-06:00 and again 06:30-08:00 UTC.
    depot = replace(ONE_BAY, hours=working_week(time(1, 30), time(3), [6]))
    plan = plan_week(depot, date(2026, 10, 26), [job(1, 1)], (), datetime(2026, 10, 1, tzinfo=UTC))

    assert plan.placements[0].start == datetime(2026, 11, 1, 6, 30, tzinfo=UTC)
    assert violations(plan, depot, [job(1, 1)]) == []


def test_an_appointment_in_another_week_is_not_planned_twice() -> None:
    later = plan_week(ONE_BAY, date(2026, 11, 30), [job(1)], (), BEFORE).placements
    plan = plan_week(ONE_BAY, MONDAY, [job(1)], later, BEFORE)

    assert plan.placements == ()
    assert "Already has an appointment on Mon Nov 30 at Harbor." in plan.unplaced[0][1]


def test_an_appointment_at_another_depot_does_not_take_this_bay() -> None:
    away = replace(plan_one(job(5)).placements[0], depot="Hilltop")
    plan = plan_week(ONE_BAY, MONDAY, [job(1)], [away], BEFORE)

    assert [(p.unit, p.start) for p in plan.placements] == [("H-001", utc(23, 12))]


def test_a_second_job_of_one_vehicle_is_listed() -> None:
    plan = plan_week(ONE_BAY, MONDAY, [job(1), job(1, 1, next_step="Other")], (), BEFORE)

    assert len(plan.placements) == 1
    assert "already in a bay on Mon Nov 23" in plan.unplaced[0][1]


@pytest.mark.parametrize(
    ("monday", "now"),
    [
        pytest.param(date(2026, 11, 24), BEFORE, id="a-tuesday"),
        pytest.param(MONDAY, BEFORE.replace(tzinfo=None), id="now-without-zone"),
    ],
)
def test_a_wrong_week_or_moment_is_refused(monday: date, now: datetime) -> None:
    with pytest.raises(ValueError, match="expected"):
        plan_week(HARBOR, monday, [], (), now)


@st.composite
def depots(draw: st.DrawFn) -> Depot:
    opens = draw(st.integers(0, 40))
    closes = draw(st.integers(opens + 1, 95))
    at = [time(q // 4, q % 4 * 15) for q in (opens, closes)]
    return Depot(
        "Harbor",
        draw(st.sampled_from(["America/New_York", "America/Phoenix", "Australia/Lord_Howe"])),
        tuple(Bay(f"Bay {n}") for n in range(draw(st.integers(1, 3)))),
        working_week(at[0], at[1], draw(st.sets(st.integers(0, 6)))),
        frozenset(draw(st.sets(st.sampled_from(WEEK_DAYS), max_size=2))),
    )


FIRST = date(2026, 10, 26)
WEEK_DAYS = [FIRST + timedelta(days=n) for n in range(7)]
JOBS = st.lists(
    st.builds(
        job,
        st.integers(1, 30),
        st.floats(0.1, 12),
        st.dates(date(2026, 10, 19), date(2026, 11, 9)),
        in_shop_from=st.none() | st.sampled_from(WEEK_DAYS),
    ),
    min_size=2,
    max_size=14,
    unique_by=lambda j: j.vehicle_id,
)
MOMENTS = st.datetimes(
    datetime.fromisoformat("2026-10-24"),
    datetime.fromisoformat("2026-11-03"),
    timezones=st.just(UTC),
)


def bay_load(placements: tuple[Placement, ...]) -> list[tuple[str, datetime]]:
    return [(p.bay, slot) for p in placements for slot in p.slots]


@settings(max_examples=80, deadline=None)
@given(depots(), JOBS, JOBS, MOMENTS, MOMENTS, st.randoms(use_true_random=False))
def test_every_plan_is_sound_whole_and_repeatable(
    depot: Depot,
    booked_jobs: list[Job],
    jobs: list[Job],
    booked_at: datetime,
    now: datetime,
    dice: Random,
) -> None:
    existing = plan_week(depot, FIRST, booked_jobs, (), booked_at).placements
    plan = plan_week(depot, FIRST, jobs, existing, now)

    assert violations(plan, depot, jobs) == []
    load = bay_load(plan.placements)
    assert len(load) == len(set(load))
    kept = {p.vehicle_id: (p.bay, p.slots) for p in plan.placements if p.booked}
    assert kept == {p.vehicle_id: (p.bay, p.slots) for p in existing}
    for one in jobs:
        places = sum(p.vehicle_id == one.vehicle_id for p in plan.placements)
        lists = sum(j == one for j, _ in plan.unplaced)
        assert places + lists == 1
    shuffled = list(jobs)
    dice.shuffle(shuffled)
    assert plan_week(depot, FIRST, shuffled, existing, now) == plan


@settings(max_examples=30, deadline=None)
@given(depots(), JOBS, MOMENTS)
def test_planning_again_on_the_stored_plan_moves_nothing(
    depot: Depot, jobs: list[Job], now: datetime
) -> None:
    once = plan_week(depot, FIRST, jobs, (), now)
    twice = plan_week(depot, FIRST, jobs, once.placements, now)

    assert bay_load(twice.placements) == bay_load(once.placements)
    assert twice.unplaced == once.unplaced
    thrice = plan_week(depot, FIRST, jobs, twice.placements, now)
    assert thrice == twice
