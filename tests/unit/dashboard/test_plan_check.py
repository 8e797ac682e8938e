"""The checker finds each kind of fault that is put into a sound plan; all data invented."""

from collections.abc import Callable
from dataclasses import replace
from datetime import UTC, date, datetime, time, timedelta

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from dashboard.planning.check import violations
from dashboard.planning.model import Bay, Depot, Job, Placement, Plan, working_week

QUARTER = timedelta(minutes=15)
NOW = datetime(2026, 11, 23, 12, tzinfo=UTC)
DEPOT = Depot(
    "Harbor",
    "America/New_York",
    (Bay("Bay 1"), Bay("Bay 2")),
    working_week(time(7), time(17)),
    frozenset({date(2026, 11, 26)}),
)


def at(start: datetime, slots: int = 4, vehicle_id: int = 1, bay: str = "Bay 1") -> Placement:
    starts = tuple(start + QUARTER * n for n in range(slots))
    unit = f"H-{vehicle_id:03d}"
    end = start + QUARTER * slots
    return Placement(vehicle_id, unit, "Harbor", bay, start, end, starts, False, "Because.")


def utc(day: int, hour: int, minute: int = 0) -> datetime:
    return datetime(2026, 11, day, hour, minute, tzinfo=UTC)


# Worked by hand: 7:00 a.m. to 5:00 p.m. in New York in November is 12:00 to 22:00 UTC.
SOUND = (at(NOW), at(utc(23, 13), 4, 2), at(utc(24, 21), 4, 3), at(NOW, 40, 4, "Bay 2"))
JOBS = tuple(
    Job(p.vehicle_id, p.unit, "Harbor", len(p.slots) / 4, date(2026, 11, 27), "Why", "Work")
    for p in SOUND
)


def plan_of(*placements: Placement, unplaced: tuple[tuple[Job, str], ...] = ()) -> Plan:
    return Plan("Harbor", "2026-W48", NOW, placements, unplaced)


def test_a_sound_plan_has_no_violation() -> None:
    assert violations(plan_of(*SOUND), DEPOT, JOBS) == []


FAULTS = [
    pytest.param(at(utc(23, 12, 45), 4, 9), "overlap", id="overlap-by-one-slot"),
    pytest.param(at(utc(23, 15), 4, 9, "Bay 2"), "overlap", id="overlap-inside-a-long-job"),
    pytest.param(at(utc(24, 11, 45), 4, 9), "outside hours", id="one-slot-before-opening"),
    pytest.param(at(utc(24, 21, 15), 4, 9, "Bay 2"), "outside hours", id="one-slot-past-closing"),
    pytest.param(at(utc(24, 22), 60, 9), "outside hours", id="overnight"),
    pytest.param(at(utc(26, 15), 4, 9), "closed day", id="closed-day"),
    pytest.param(at(utc(28, 15), 4, 9), "closed day", id="saturday"),
    pytest.param(at(utc(24, 15), 4, 2), "duplicate vehicle", id="vehicle-twice"),
    pytest.param(at(utc(24, 15), 4, 9, "Bay 7"), "no such bay", id="unknown-bay"),
    pytest.param(at(utc(30, 15), 4, 9), "outside week", id="next-week"),
    pytest.param(at(utc(23, 11, 45), 1, 9), "placed before now", id="just-before-now"),
    pytest.param(at(utc(24, 15), 0, 9), "wrong length", id="no-slots"),
    pytest.param(at(utc(24, 15, 5), 4, 9), "quarter hour", id="off-the-grid"),
    pytest.param(replace(at(utc(24, 15), 4, 9), reason=" "), "missing reason", id="no-reason"),
    pytest.param(replace(at(utc(24, 15), 4, 9), depot="Hilltop"), "wrong depot", id="depot"),
    pytest.param(
        replace(at(utc(24, 15), 4, 9), end=utc(24, 16, 15)), "wrong length", id="end-one-slot-late"
    ),
    pytest.param(
        replace(at(utc(24, 15), 2, 9), slots=(utc(24, 15), utc(24, 16))), "wrong length", id="gap"
    ),
]


@pytest.mark.parametrize(("fault", "word"), FAULTS)
def test_each_injected_fault_is_found(fault: Placement, word: str) -> None:
    found = violations(plan_of(*SOUND, fault), DEPOT, JOBS)

    assert any(word in line and fault.unit in line for line in found), found


def test_only_what_the_plan_adds_must_lie_ahead() -> None:
    begun = replace(plan_of(at(utc(23, 12), 4, 9)), as_of=utc(23, 12, 1))

    assert any("placed before now" in line for line in violations(begun, DEPOT))
    kept = replace(begun, placements=(replace(begun.placements[0], booked=True),))
    assert violations(kept, DEPOT) == []


@pytest.mark.parametrize(
    ("change", "word"),
    [
        pytest.param(lambda j: replace(j, hours=1.25), "wrong length", id="one-slot-too-short"),
        pytest.param(lambda j: replace(j, hours=0.75), "wrong length", id="one-slot-too-long"),
        pytest.param(lambda j: replace(j, vehicle_id=77), "neither placed", id="lost"),
        pytest.param(
            lambda j: replace(j, in_shop_from=date(2026, 11, 24)), "in the shop", id="not-here-yet"
        ),
    ],
)
def test_the_plan_is_held_against_its_jobs(change: Callable[[Job], Job], word: str) -> None:
    found = violations(plan_of(*SOUND), DEPOT, [change(JOBS[0])])

    assert len(found) == 1
    assert word in found[0]


def test_unplaced_work_needs_its_reason_too() -> None:
    found = violations(plan_of(unplaced=((JOBS[0], ""),)), DEPOT)

    assert found == ["H-001: unplaced, missing reason"]


@settings(max_examples=60, deadline=None)
@given(st.sampled_from(SOUND), st.integers(-700, 700))
def test_any_move_into_taken_or_closed_time_is_found(victim: Placement, quarters: int) -> None:
    shift = QUARTER * quarters
    moved = replace(
        victim,
        start=victim.start + shift,
        end=victim.end + shift,
        slots=tuple(slot + shift for slot in victim.slots),
    )
    others = [p for p in SOUND if p is not victim]
    first, last = moved.start - timedelta(hours=5), moved.end - timedelta(hours=5)
    opens, closes = (first.replace(hour=h, minute=0) for h in (7, 17))
    is_open = first.date() in {date(2026, 11, d) for d in (23, 24, 25, 27)}
    free = all(p.bay != moved.bay or p.end <= moved.start or p.start >= moved.end for p in others)
    sound = is_open and opens <= first and last <= closes and free and moved.start >= NOW

    assert (violations(plan_of(*others, moved), DEPOT) == []) == sound
