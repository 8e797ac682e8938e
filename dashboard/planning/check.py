"""An independent check of a plan: reads the finished plan and lists every rule it breaks.

Shares the data model with the planner and nothing else: hours are checked on the depot's wall
clock here and computed from UTC there, so that one mistake is not made twice.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Sequence
from datetime import date, datetime, time, timedelta
from itertools import combinations
from zoneinfo import ZoneInfo

from dashboard.planning.model import Depot, Job, Placement, Plan

_QUARTER = timedelta(minutes=15)


def violations(plan: Plan, depot: Depot, jobs: Sequence[Job] = ()) -> list[str]:
    """Every rule the plan breaks, as sentences naming unit and bay; empty when it is sound.

    With `jobs`, also checks that each has its hours and that none is lost.
    """
    found: list[str] = []
    for placement in plan.placements:
        found += _shape(placement, depot)
        found += _hours(placement, depot)
        found += _times(placement, plan, depot)
        if not placement.reason.strip():
            found.append(f"{_name(placement)}: missing reason")
    found += _overlaps(plan)
    found += _duplicates(plan)
    bare = [job for job, why in plan.unplaced if not why.strip()]
    found += [f"{job.unit}: unplaced, missing reason" for job in bare]
    found += _against_jobs(plan, depot, jobs)
    return found


def _name(placement: Placement) -> str:
    return f"{placement.unit} in {placement.bay} at {placement.start:%Y-%m-%d %H:%M%z}"


def _shape(placement: Placement, depot: Depot) -> Iterator[str]:
    if placement.depot != depot.name:
        yield f"{_name(placement)}: wrong depot {placement.depot}"
    if placement.bay not in [bay.name for bay in depot.bays]:
        yield f"{_name(placement)}: no such bay"
    if any(m.utcoffset() != timedelta(0) for m in (placement.start, placement.end)):
        yield f"{_name(placement)}: times are not UTC"
    expected = []
    at = placement.start
    while at < placement.end:
        expected.append(at)
        at += _QUARTER
    if not expected or at != placement.end or list(placement.slots) != expected:
        yield f"{_name(placement)}: wrong length, slots do not fill start to end"
    if any(slot.minute % 15 or slot.second or slot.microsecond for slot in placement.slots):
        yield f"{_name(placement)}: slots are off the quarter hour"


def _hours(placement: Placement, depot: Depot) -> Iterator[str]:
    zone = ZoneInfo(depot.tz)
    starts = [slot.astimezone(zone) for slot in placement.slots or (placement.start,)]
    days = {start.date() for start in starts}
    closed = sorted(day for day in days if day in depot.closed or not depot.hours[day.weekday()])
    if closed:
        yield f"{_name(placement)}: on a closed day, {closed[0].isoformat()}"
    elif len(days) > 1:
        yield f"{_name(placement)}: outside hours, runs overnight"
    elif not any(
        all(shift.opens <= s.time() and _minute(s) + 15 <= _minute(shift.closes) for s in starts)
        for shift in depot.hours[starts[0].weekday()]
    ):
        yield f"{_name(placement)}: outside hours"


def _minute(clock: datetime | time) -> int:
    return clock.hour * 60 + clock.minute


def _times(placement: Placement, plan: Plan, depot: Depot) -> Iterator[str]:
    day = placement.start.astimezone(ZoneInfo(depot.tz)).date()
    year, week, _ = day.isocalendar()
    if f"{year:04d}-W{week:02d}" != plan.iso_week:
        yield f"{_name(placement)}: outside week {plan.iso_week}"
    # A standing appointment may have begun; only what this plan adds must lie ahead.
    if not placement.booked and placement.start < plan.as_of:
        yield f"{_name(placement)}: placed before now"


def _overlaps(plan: Plan) -> Iterator[str]:
    for one, other in combinations(plan.placements, 2):
        same_bay = (one.depot, one.bay) == (other.depot, other.bay)
        if same_bay and one.start < other.end and other.start < one.end:
            yield f"{_name(one)}: overlap with {other.unit}"


def _duplicates(plan: Plan) -> Iterator[str]:
    counts = Counter(placement.vehicle_id for placement in plan.placements)
    for placement in plan.placements:
        if counts.pop(placement.vehicle_id, 0) > 1:
            yield f"{placement.unit}: duplicate vehicle in the plan"


def _against_jobs(plan: Plan, depot: Depot, jobs: Sequence[Job]) -> Iterator[str]:
    listed = {job.vehicle_id for job, _ in plan.unplaced}
    for job in jobs:
        if job.depot != depot.name:
            continue
        places = [p for p in plan.placements if p.vehicle_id == job.vehicle_id]
        if not places and job.vehicle_id not in listed:
            yield f"{job.unit}: neither placed nor listed"
        if job.vehicle_id in listed:
            continue
        for placement in places:
            yield from _against_job(placement, job, _local_day(placement, depot))


def _against_job(placement: Placement, job: Job, day: date) -> Iterator[str]:
    if placement.booked:
        return
    spare = (placement.end - placement.start) - timedelta(hours=job.hours)
    if not -timedelta(milliseconds=1) < spare < _QUARTER:
        yield f"{_name(placement)}: wrong length, the job needs {job.hours:g} h"
    if job.in_shop_from is not None and day < job.in_shop_from:
        yield f"{_name(placement)}: before the vehicle is in the shop"


def _local_day(placement: Placement, depot: Depot) -> date:
    return placement.start.astimezone(ZoneInfo(depot.tz)).date()
