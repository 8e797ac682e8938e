"""Whether the facts show that a repair held: open, tried, not yet shown, verified, came back.

A monitor that runs once a driving cycle must have run and passed since the repair: "complete"
alone means that it ran (New York's note; A). Misfire, fuel system and comprehensive components run
all the time and read complete as a rule (from memory): they need driving cycles in which the
freeze-frame conditions were met again (375 rpm, 20 % load, same warm-up state: 13 CCR 1968.2
(d)(2.5), from memory), or the permanent code erased by the ECU itself ((d)(2.5.2); A* for the
class of monitor). The counts of driving cycles are choices of this project (X).
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from enum import StrEnum
from types import MappingProxyType

from gateway.contract import FreezeFrame, MonitorResult
from gateway.facts import FULL_NAMES, Monitor
from ingest.domain.codes import meaning
from ingest.domain.cycles import Cycle
from ingest.domain.episodes import Episode
from ingest.domain.repairs import Repair

DAY_MS = 86_400_000
BACK_DAYS = 30
BACK_KM = 1_609.344  # 1,000 miles
CYCLES = 3
INTERMITTENT_TIMES = 3
"""A fault that came and went needs so many times the driving cycles."""
INTERMITTENT_DAYS = 90
RPM, LOAD_PCT, WARM_C = 375.0, 20.0, 71.0
"""Similar conditions (M); the same warm-up state is taken as both sides of 160 degF (X)."""


class State(StrEnum):
    """Where the proof of a repair stands; the value is the text on screen."""

    OPEN = "open"
    TRIED = "tried"
    NOT_SHOWN = "not yet shown"
    VERIFIED = "verified"
    CAME_BACK = "came back"


MONITOR_OF: Mapping[str, Monitor] = MappingProxyType(
    {
        "catalyst": Monitor.CATALYST,
        "heated_catalyst": Monitor.HEATED_CATALYST,
        "evap": Monitor.EVAPORATIVE_SYSTEM,
        "secondary_air": Monitor.SECONDARY_AIR,
        "exhaust_gas_sensor": Monitor.OXYGEN_SENSOR,
        "o2_heater": Monitor.OXYGEN_SENSOR_HEATER,
        "egr_vvt": Monitor.EGR_VVT,
        "nox_aftertreatment": Monitor.NOX_AFTERTREATMENT,
        "boost_pressure": Monitor.BOOST_PRESSURE,
        "pm_filter": Monitor.PM_FILTER,
    }
)
"""The once-a-cycle monitor behind a family of the code table; all else runs all the time."""
_DIESEL = MappingProxyType(
    {
        Monitor.OXYGEN_SENSOR: Monitor.EXHAUST_GAS_SENSOR,
        Monitor.CATALYST: Monitor.NMHC_CATALYST,
    }
)


@dataclass(frozen=True, slots=True)
class Snapshot:
    """Engine speed, load and coolant at one moment of a driving cycle (epoch ms, rpm, %, degC)."""

    at: int
    rpm: float
    load_pct: float
    coolant_c: float


@dataclass(frozen=True, slots=True)
class Since:
    """What is known since a repair: readings with code lists, driving cycles, results, frames.

    `code_lists_at` are the moments at which pending and confirmed codes were both answered.
    `results` were read at `results_at`.
    """

    code_lists_at: Sequence[int] = ()
    cycles: Sequence[Cycle] = ()
    snapshots: Sequence[Snapshot] = ()
    frame: FreezeFrame | None = None
    results: Mapping[Monitor, Sequence[MonitorResult]] = field(default_factory=dict)
    results_at: int | None = None


@dataclass(frozen=True, slots=True)
class Proof:
    """The state of one repaired code, with why, and what still has to happen."""

    code: str
    state: State
    reasons: tuple[str, ...]
    still: str = ""


def family(code: str) -> str:
    """Codes of one family: the table's, or the first four characters of components and unknowns."""
    info = meaning(code)
    return code[:4] if info is None or info.family == "comprehensive" else info.family


def prove(
    code: str,
    repair: Repair | None,
    events: Sequence[Episode],
    since: Since,
    supported: Iterable[Monitor],
) -> Proof:
    """The proof for one code from its last recorded repair."""
    if repair is None:
        return Proof(code, State.OPEN, ("No repair is recorded.",), "Repair it and record that.")
    back = _came_back(code, repair, events, since)
    if back is not None:
        return Proof(code, State.CAME_BACK, (back,), "Diagnose again: the repair did not hold.")
    cycles = [one for one in since.cycles if one.started_at >= repair.at]
    read = [at for at in since.code_lists_at if at > repair.at]
    if not cycles or not read:
        reason = "Nothing was read since the repair that could show it."
        return Proof(code, State.TRIED, (reason,), "Drive it and let the gateway read it.")
    kept = _permanent(code, events)
    erased = kept is not None and kept.ended_at is not None and kept.ended_at > repair.at
    if erased:
        return Proof(code, State.VERIFIED, ("The ECU itself erased the permanent code.",))
    if kept is not None and kept.ended_at is None:
        still = "The monitor must run and pass until the ECU erases the permanent code."
        return Proof(code, State.NOT_SHOWN, ("The permanent code is still stored.",), still)
    monitor = monitor_of_code(code, supported)
    if monitor is None:
        return _all_the_time(code, repair, events, since, cycles, read)
    return _once_a_cycle(code, monitor, repair, since, cycles, read, events)


def monitor_of_code(code: str, supported: Iterable[Monitor]) -> Monitor | None:
    """The once-a-cycle monitor that finds a code; None for one that runs all the time."""
    info = meaning(code)
    monitor = None if info is None else MONITOR_OF.get(info.family)
    have = set(supported)
    if monitor is not None and monitor not in have and _DIESEL.get(monitor) in have:
        return _DIESEL[monitor]
    return monitor


def _came_back(code: str, repair: Repair, events: Sequence[Episode], since: Since) -> str | None:
    """A code of the family that began after the repair, within 30 days or 1,000 miles."""
    for one in sorted(events, key=lambda event: event.started_at):
        other, _, kind = one.subject.partition(":")
        if one.kind != "code" or kind == "permanent" or one.started_at <= repair.at:
            continue
        if family(other) != family(code):
            continue
        days = (one.started_at - repair.at) / DAY_MS
        km = sum(
            cycle.distance_km or 0.0
            for cycle in since.cycles
            if repair.at <= cycle.started_at <= one.started_at
        )
        if days <= BACK_DAYS or km <= BACK_KM:
            return f"{kind} code {other} came {days:.0f} days and {km / 1.609344:,.0f} miles after."
    return None


def _permanent(code: str, events: Sequence[Episode]) -> Episode | None:
    wanted = f"{code}:permanent"
    found = [one for one in events if one.kind == "code" and one.subject == wanted]
    return max(found, key=lambda one: one.started_at, default=None)


def _times(code: str, repair: Repair, events: Sequence[Episode]) -> int:
    """How often a code of the family came in the 90 days before its repair."""
    return sum(
        one.kind == "code"
        and one.subject.endswith(":pending")
        and family(one.subject[:5]) == family(code)
        and repair.at - INTERMITTENT_DAYS * DAY_MS <= one.started_at <= repair.at
        for one in events
    )


def _wanted(code: str, repair: Repair, events: Sequence[Episode]) -> tuple[int, tuple[str, ...]]:
    times = _times(code, repair, events)
    if times < 2:
        return CYCLES, ()
    wanted = CYCLES * INTERMITTENT_TIMES
    return wanted, (f"It came and went {times} times before: {wanted} driving cycles are wanted.",)


def _once_a_cycle(
    code: str,
    monitor: Monitor,
    repair: Repair,
    since: Since,
    cycles: Sequence[Cycle],
    read: Sequence[int],
    events: Sequence[Episode],
) -> Proof:
    name = FULL_NAMES[monitor]
    ran = [one for one in cycles if monitor in (one.monitors_completed or ())]
    times, why = _wanted(code, repair, events)
    wanted = 1 if times == CYCLES else times // CYCLES
    passed = [one for one in ran if any(at >= one.ended_at for at in read)]
    still = f"The {name} monitor must run and pass {wanted}×: {len(passed)} so far."
    if len(passed) < wanted:
        reason = f"The {name} monitor has run in {len(ran)} driving cycles since the repair."
        return Proof(code, State.NOT_SHOWN, (reason, *why), still)
    results = since.results.get(monitor, ()) if (since.results_at or 0) > repair.at else ()
    failed = [one for one in results if one.passed is False]
    if failed:
        reason = f"{len(failed)} test results of the {name} monitor are beyond their limits."
        return Proof(code, State.NOT_SHOWN, (reason, *why), "See the monitor test results.")
    said = f"The {name} monitor ran in {len(ran)} driving cycles since, with no code after it."
    proved = [one for one in results if one.passed is True]
    if not proved:
        return Proof(code, State.VERIFIED, (said, "No test result was given for it.", *why))
    margin = min(margin_of(one) for one in proved)
    text = f"Its test results lie within their limits, the closest by {margin:.0%} of the range."
    return Proof(code, State.VERIFIED, (said, text, *why))


def margin_of(result: MonitorResult) -> float:
    """How far a result lies from its nearer limit, as a share of the range; 0 at a limit.

    A low limit of 0 is none for an unsigned scaling (SAE J1979 scaling ids below 80; M).
    """
    span = result.high - result.low
    if span <= 0:
        return 0.0
    above = result.high - result.value
    if result.low == 0 and result.scaling_id < 0x80:
        return above / span
    return min(above, result.value - result.low) / span


def similar(frame: FreezeFrame, one: Snapshot) -> bool | None:
    """Whether a moment is like the freeze frame; None when the frame lacks a figure."""
    values = frame.values
    rpm, load = values.get("engine_speed_rpm"), values.get("engine_load_pct")
    coolant = values.get("coolant_c")
    if rpm is None or load is None or coolant is None:
        return None
    warm = (coolant >= WARM_C) == (one.coolant_c >= WARM_C)
    return warm and abs(one.rpm - rpm) <= RPM and abs(one.load_pct - load) <= LOAD_PCT


def _all_the_time(
    code: str,
    repair: Repair,
    events: Sequence[Episode],
    since: Since,
    cycles: Sequence[Cycle],
    read: Sequence[int],
) -> Proof:
    wanted, why = _wanted(code, repair, events)
    never = "Readiness shows nothing of this code: its monitor runs all the time."
    frame = since.frame
    if frame is None or all(similar(frame, one) is None for one in since.snapshots):
        reason = "No freeze frame with speed, load and coolant is kept, or none was met since."
        still = "Only the permanent code erased by the ECU can show it."
        return Proof(code, State.NOT_SHOWN, (never, reason, *why), still)
    good = sum(
        any(
            one.started_at <= shot.at <= one.ended_at and similar(frame, shot)
            for shot in since.snapshots
        )
        and any(at >= one.ended_at for at in read)
        for one in cycles
    )
    reason = f"The freeze-frame conditions were met in {good} driving cycles with no code after."
    if good >= wanted:
        return Proof(code, State.VERIFIED, (reason, *why))
    still = f"{wanted} driving cycles under those conditions are wanted: {good} so far."
    return Proof(code, State.NOT_SHOWN, (never, reason, *why), still)
