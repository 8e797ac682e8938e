"""What a vehicle needs from the shop and until when: the input of the week plan.

Hours are the middle of the code table's labour span (common practice, unsourced), else 1.0.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import date

from gateway.facts import FULL_NAMES, Monitor
from ingest.domain.codes import can_flash_lamp, meaning
from ingest.domain.due_dates import Due
from ingest.domain.explanation import WhyNot
from ingest.domain.observed_lamp import LampFinding
from ingest.domain.outcome import plural
from ingest.domain.picture import Picture
from ingest.domain.stuck_causes import Cause
from ingest.domain.vehicles import NOT_IN_USE, Vehicle
from ingest.domain.verdict import Outcome, Verdict

DEFAULT_HOURS = 1.0
SOON_DAYS = 14
_DARK = frozenset({LampFinding.DARK_AT_KEY_ON, LampFinding.DARK_WHILE_COMMANDED})
_FIND_DARK = "Find why the lamp stays dark: bulb, fuse or wiring."


@dataclass(frozen=True, slots=True)
class Need:
    """What the plan needs: bay hours, why, the one next step, and the deadline (depot's day).

    `hours` is 0.0 when no bay is needed. `do_not_dispatch`: the lamp is on for a code at which it
    may flash, and driving on can damage the catalyst.
    """

    hours: float
    reason: str
    next_step: str
    deadline: date | None
    do_not_dispatch: bool
    days_left: int | None = None

    @property
    def overdue(self) -> bool:
        """Whether the deadline lies before the day asked about."""
        return self.days_left is not None and self.days_left < 0

    @property
    def soon(self) -> bool:
        """Whether the deadline is within 14 days (or past)."""
        return self.days_left is not None and self.days_left <= SOON_DAYS


def urgency(
    vehicle: Vehicle,
    verdict: Verdict,
    picture: Picture | None,
    as_of_date: date,
    due: Due | None = None,
) -> Need:
    """What one vehicle needs on the depot's day `as_of_date`.

    The deadline is the day to be tested by of `due`, else the due date of the vehicle list.
    """
    deadline = vehicle.due_date if due is None else due.test_by
    codes = sorted(picture.codes("confirmed") or ()) if picture is not None else []
    lamp = picture is not None and picture.mil() is True
    left = None if deadline is None else (deadline - as_of_date).days
    unread = picture.unread() if picture is not None else None
    hours, next_step = _work(verdict, codes, left, unread)
    quiet = vehicle.quiet_because(as_of_date)
    if quiet and verdict.missing == "reading" and (left is None or left > SOON_DAYS):
        hours, next_step = 0.0, "Nothing now: take a reading before it goes back to work."
    if vehicle.state == NOT_IN_USE:
        hours, next_step = 0.0, f"Not in use: nothing is planned. For its return: {next_step}"
    return Need(
        hours=hours,
        reason=" ".join(_why(deadline, verdict)),
        next_step=next_step,
        deadline=deadline,
        do_not_dispatch=lamp and any(can_flash_lamp(code) for code in codes),
        days_left=left,
    )


def step_by_cause(need: Need, verdict: Verdict, why: Sequence[WhyNot]) -> Need:
    """The need with its next step by the cause that keeps a monitor from completing, if one is.

    `why` explains the monitors not complete. A code goes first: driving completes nothing then.
    What the program lets be not complete is left to the evaporative system, unless it is a retest.
    """
    waiting = [one for one in why if one.monitor in verdict.incomplete]
    if verdict.outcome is not Outcome.NOT_READY or not waiting:
        return need
    spare = bool(verdict.allowed_incomplete) and not verdict.retest
    spared = Monitor.EVAPORATIVE_SYSTEM if spare else None
    first = min(waiting, key=lambda one: _order(one, spared))
    name = FULL_NAMES[first.monitor]
    step = f"{name[0].upper()}{name[1:]}: {first.advice} Do not clear codes."
    if others := sum(one is not first and one.monitor is not spared for one in waiting):
        step += f" Then {plural(others, 'more monitor')}: see below."
    return replace(need, next_step=step)


def _order(one: WhyNot, spared: Monitor | None) -> tuple[bool, bool, bool]:
    """Those held up by a code, then those that are not spared, then those with a known cause."""
    held_up = bool(one.causes) and one.causes[0].cause is Cause.CODE
    return (not held_up, one.monitor is spared, not one.causes)


def repair_hours(codes: list[str]) -> float:
    """Bay hours for confirmed codes: the longest single job, since one fault sets several codes."""
    known = [info for code in codes if (info := meaning(code)) is not None]
    spans = [(info.labour_low + info.labour_high) / 2 for info in known]
    return max(spans, default=DEFAULT_HOURS)


def _work(
    verdict: Verdict, codes: list[str], left: int | None, unread: str | None
) -> tuple[float, str]:
    if verdict.outcome is Outcome.WOULD_FAIL:
        dark = not _DARK.isdisjoint(verdict.observed)
        named = f"Repair {', '.join(codes)}; do not just clear the codes." if codes else ""
        steps = [named, _FIND_DARK if dark else ""]
        step = " ".join(one for one in steps if one)
        return repair_hours(codes), step or "Repair what the first reason names."
    if verdict.outcome is Outcome.NOT_READY:
        if not verdict.incomplete:  # too little operation since codes were cleared
            return 0.0, "Drive normally. Do not clear codes."
        names = ", ".join(FULL_NAMES[monitor] for monitor in verdict.incomplete)
        return 0.0, f"Let it complete {names}; its record says how. Do not clear codes."
    if verdict.exempt and not verdict.in_scope:
        return 0.0, "No test is asked of it: keep the proof with the vehicle."
    if not verdict.in_scope:
        return 0.0, "Ask the inspection authority: this program does not cover the vehicle."
    if unread is not None:  # a fresh reading would say no more than the last one
        soon = left is not None and left <= SOON_DAYS
        return DEFAULT_HOURS if soon else 0.0, "Have lamp, codes and monitors read by hand."
    if verdict.missing == "rule":  # a fresh reading would say no more: the rule is not clear
        if verdict.incomplete:
            return 0.0, "Let every monitor complete; its record says how. Or ask the agency."
        return 0.0, "Ask the inspection authority how it treats this."
    if verdict.missing == "list":
        return 0.0, "Mend the vehicle list."
    if verdict.outcome is Outcome.CANNOT_TELL:
        return DEFAULT_HOURS, "Take a fresh reading; check the gateway if it stays silent."
    if left is not None and left <= SOON_DAYS:
        return DEFAULT_HOURS, "Take it to the inspection."
    return 0.0, "Nothing to do."


def _why(deadline: date | None, verdict: Verdict) -> list[str]:
    """The first reason of the verdict; the deadline itself is `Need.deadline`."""
    why = [reason.text for reason in verdict.reasons[:1]]
    return why if deadline else [*why, "No inspection due date in the vehicle list."]
