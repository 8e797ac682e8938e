"""Plan one depot's week: most urgent deadline first, earliest place that fits.

A greedy plan, honest rather than optimal: people can follow each step by hand. Work stays in one
bay within one shift; standing appointments are never moved.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import replace
from datetime import UTC, date, datetime, timedelta

from dashboard.planning import explain
from dashboard.planning.model import (
    SLOT,
    SLOT_MINUTES,
    Depot,
    Job,
    Placement,
    Plan,
    Shift,
    iso_week_of,
    require_aware,
)

_Taken = dict[str, set[datetime]]


def shift_slots(depot: Depot, day: date, shift: Shift) -> tuple[datetime, ...]:
    """UTC starts of the slots of one shift on one depot-local day.

    On a day of clock change there are as many slots as real quarter hours between opening and
    closing; wall times that do not exist get none.
    """
    zone = depot.zone
    at = datetime.combine(day, shift.opens, zone).astimezone(UTC)
    closes = datetime.combine(day, shift.closes, zone).astimezone(UTC)
    slots = []
    while at < closes:
        local = at.astimezone(zone)
        minute = local.hour * 60 + local.minute
        # The wall clock is asked again: where an hour is skipped or repeated, the two ends of a
        # shift alone would let a slot stand outside the hours on the door.
        if (
            minute >= shift.opens.hour * 60 + shift.opens.minute
            and minute + SLOT_MINUTES <= shift.closes.hour * 60 + shift.closes.minute
        ):
            slots.append(at)
        at += SLOT
    return tuple(slots)


def week_shifts(depot: Depot, week_monday: date) -> list[tuple[date, tuple[datetime, ...]]]:
    """Every shift of the week as its depot-local day and its UTC slots, in order."""
    days = [week_monday + timedelta(days=n) for n in range(7)]
    return [(day, shift_slots(depot, day, s)) for day in days for s in depot.shifts_on(day)]


def plan_week(
    depot: Depot,
    week_monday: date,
    jobs: Iterable[Job],
    existing: Sequence[Placement],
    now: datetime,
) -> Plan:
    """The plan of one depot and week, as decided at `now`.

    Jobs of other depots are left out. Existing appointments keep bay and time. Each job gets a
    place not before `now`, or is in `unplaced` with a reason. Raises ValueError when
    `week_monday` is not a Monday or `now` has no zone.
    """
    if week_monday.weekday() != 0:
        raise ValueError(f"week_monday is {week_monday}: expected a Monday")
    return _Week(depot, week_monday, require_aware(now, "now")).plan(jobs, existing)


def _urgency(job: Job) -> tuple[date, str, int, float, str]:
    # The last parts only break ties between jobs of one unit, so that input order never matters.
    return job.deadline, job.unit, job.vehicle_id, -job.hours, job.next_step


class _Week:
    """The open slots of one week and what is decided from them."""

    def __init__(self, depot: Depot, monday: date, now: datetime) -> None:
        self.depot = depot
        self.monday = monday
        self.now = now
        self.first_day = max(monday, now.astimezone(depot.zone).date())
        self.shifts = week_shifts(depot, monday)

    def plan(self, jobs: Iterable[Job], existing: Sequence[Placement]) -> Plan:
        """Keep what stands, then place each job in order of urgency."""
        ordered = sorted((j for j in jobs if j.depot == self.depot.name), key=_urgency)
        first_job: dict[int, Job] = {}
        for job in ordered:
            first_job.setdefault(job.vehicle_id, job)
        placed = [self._keep(p, first_job.get(p.vehicle_id)) for p in existing if self._is_here(p)]
        # An appointment of this week stands for the vehicle's most urgent job.
        served = [first_job[p.vehicle_id] for p in placed if p.vehicle_id in first_job]
        visits = {p.vehicle_id: p for p in (*existing, *placed)}
        taken = self._taken(existing)
        unplaced: list[tuple[Job, str]] = []
        for job in ordered:
            if any(job is other for other in served):
                continue
            visit = visits.get(job.vehicle_id)
            placement = None if visit else self._place(job, taken)
            if placement is None:
                why = self._visit_stands(visit) if visit else self._why_not(job)
                unplaced.append((job, self._unplaced_reason(job, why)))
                continue
            taken[placement.bay].update(placement.slots)
            visits[job.vehicle_id] = placement
            placed.append(placement)
        return Plan(
            depot=self.depot.name,
            iso_week=iso_week_of(self.monday),
            as_of=self.now,
            placements=tuple(sorted(placed, key=self._order)),
            unplaced=tuple(unplaced),
        )

    def _visit_stands(self, visit: Placement) -> str:
        day = self._day(visit.start)
        if self._is_here(visit):
            return explain.planned_already_sentence(day)
        return explain.booked_elsewhere_sentence(day, visit.depot, self.monday)

    def _day(self, moment: datetime) -> date:
        return moment.astimezone(self.depot.zone).date()

    def _is_here(self, placement: Placement) -> bool:
        inside = 0 <= (self._day(placement.start) - self.monday).days < 7
        return placement.depot == self.depot.name and inside

    def _order(self, placement: Placement) -> tuple[datetime, int, str, int]:
        names = [bay.name for bay in self.depot.bays]
        # An appointment in a bay that no longer exists sorts last; the checker names it.
        rank = names.index(placement.bay) if placement.bay in names else len(names)
        return placement.start, rank, placement.unit, placement.vehicle_id

    def _taken(self, existing: Sequence[Placement]) -> _Taken:
        taken: _Taken = {bay.name: set() for bay in self.depot.bays}
        for placement in existing:
            if placement.depot == self.depot.name and placement.bay in taken:
                taken[placement.bay].update(slot.astimezone(UTC) for slot in placement.slots)
        return taken

    def _keep(self, placement: Placement, job: Job | None) -> Placement:
        if job is None:
            return replace(placement, booked=True, reason=placement.reason.strip() or explain.KEPT)
        slack = explain.slack_sentence(self._day(placement.end), job.deadline)
        return replace(
            placement,
            booked=True,
            reason=explain.sentence(explain.KEPT, job.reason, slack),
            work=placement.work or job.next_step,
        )

    def _place(self, job: Job, taken: _Taken) -> Placement | None:
        found = self._earliest(job, taken)
        if found is None:
            return None
        bay, slots = found
        end = slots[-1] + SLOT
        return Placement(
            vehicle_id=job.vehicle_id,
            unit=job.unit,
            depot=self.depot.name,
            bay=bay,
            start=slots[0],
            end=end,
            slots=slots,
            locked=False,
            reason=explain.sentence(job.reason, self._timing(job, self._day(end))),
            work=job.next_step,
        )

    def _earliest(self, job: Job, taken: _Taken) -> tuple[str, tuple[datetime, ...]] | None:
        """First start in the week with a free bay; bays in the depot's own order."""
        need = job.slots_needed
        for day, slots in self.shifts:
            if job.in_shop_from is not None and day < job.in_shop_from:
                continue
            for i in range(len(slots) - need + 1):
                run = slots[i : i + need]
                if run[0] < self.now or run[-1] - run[0] != SLOT * (need - 1):
                    continue
                for bay in self.depot.bays:
                    if taken[bay.name].isdisjoint(run):
                        return bay.name, run
        return None

    def _timing(self, job: Job, end_day: date) -> str:
        if job.deadline < self.first_day:
            return explain.overdue_sentence(end_day, job.deadline, self.monday)
        if job.deadline < end_day:
            return explain.late_sentence(end_day, job.deadline, job.slots_needed, job.in_shop_from)
        return explain.slack_sentence(end_day, job.deadline)

    def _why_not(self, job: Job) -> str:
        if not self.depot.bays:
            return explain.NO_BAY
        still_open = [(day, slots) for day, slots in self.shifts if slots and slots[-1] >= self.now]
        if not still_open:
            return explain.NOTHING_OPEN
        last_day = still_open[-1][0]
        if job.in_shop_from is not None and job.in_shop_from > last_day:
            return explain.not_here_sentence(job.in_shop_from, last_day)
        longest = max(len(slots) for _, slots in self.shifts)
        if job.slots_needed > longest:
            return explain.too_long_sentence(job.slots_needed, longest)
        return explain.no_room_sentence(job.slots_needed, last_day)

    def _unplaced_reason(self, job: Job, reason: str) -> str:
        due = explain.deadline_sentence(job.deadline, self.first_day, self.monday)
        return explain.sentence(reason, due)
