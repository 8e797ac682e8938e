"""What to do about a monitor that does not complete, in plain words, and one line for a depot.

Advice is common practice, no source, unless a row says otherwise.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from types import MappingProxyType

from gateway.facts import FULL_NAMES, Monitor
from ingest.domain.stuck_causes import Cause, Found

CAUTION = (
    "Obey speed limits, traffic law and hours of service; no test maneuvers on public roads. "
    "Never send a vehicle with a flashing lamp on a drive to complete its self-tests. Do not clear "
    "codes: it sets every monitor back."
)
"""Cautions of the fact sheet: flashing lamp A* / B, clearing A / A*, readiness drives M."""

ADVICE: Mapping[Cause, str] = MappingProxyType(
    {
        Cause.CODE: "Diagnose and repair the code first; driving on will not complete the monitor.",
        Cause.FUEL: (
            "Change the fueling time: let it start cold with 15 to 85 % in the tank, for example "
            "by fueling at midday and not in the evening (above 85 %: 13 CCR 1968.2 (e)(4.3.3), "
            "A*; at or below 15 %: from memory)."
        ),
        Cause.SOAK: (
            "Let it stand for 8 hours or more before one start: rest it overnight, and do not "
            "move it in the yard in between (soak commonly 6 to 8 h, from memory)."
        ),
        Cause.AMBIENT: (
            "Wait for milder weather, or let it stand in a heated hall overnight (evaporative "
            "system 40 to 95 °F, others from 20 °F: from memory)."
        ),
        Cause.SHORT: (
            "Give it one longer route: at least 10 minutes of running with 5 minutes at 25 mph or "
            "more and 30 seconds of idle (13 CCR 1968.2 (d)(4.3), from memory)."
        ),
        Cause.NO_ENGINE: (
            "Plan a route on which the engine runs: beyond the electric range, or in the mode "
            "that holds the charge."
        ),
        Cause.COLD_ENGINE: (
            "Have the thermostat and the coolant sensor checked: the engine never gets as warm as "
            "the monitors want."
        ),
        Cause.ALTITUDE: "Give it a route below 8,000 ft (from memory).",
        Cause.STANDS_STILL: (
            "Have a technician look: the conditions known are met and the test does not finish. "
            "Check the maker's own conditions, service bulletins and the controller's software."
        ),
        Cause.DISABLED: "Read it again after the next start from cold; look for pending codes.",
    }
)
DEPOT_SHARE = 1 / 3
"""From this share of a depot's monitors on, one cause is one line for the depot (the issue; X)."""
_DEPOT_WORDS: Mapping[Cause, str] = MappingProxyType(
    {
        Cause.FUEL: "start with fuel outside 15 to 85 %: change the fueling time",
        Cause.SOAK: "have no cold start: let them rest overnight",
        Cause.AMBIENT: "start in air too cold or too hot: wait for milder weather",
        Cause.SHORT: "make driving cycles too short or too slow: swap routes",
        Cause.NO_ENGINE: "do not run their engine: plan longer routes",
    }
)


def depot_line(depot: str, first_causes: Sequence[Found | None]) -> str | None:
    """One line where a third of a depot's unset evaporative monitors share a cause of its habits.

    `first_causes` has the weightiest cause of each vehicle with that monitor not complete, None
    where none is known. At least three must share it.
    """
    total = len(first_causes)
    counts = {
        cause: sum(one is not None and one.cause is cause for one in first_causes)
        for cause in _DEPOT_WORDS
    }
    cause = max(counts, key=lambda one: counts[one])
    if counts[cause] < 3 or counts[cause] < DEPOT_SHARE * total:
        return None
    name = FULL_NAMES[Monitor.EVAPORATIVE_SYSTEM]
    return (
        f"{depot}: {counts[cause]} of {total} vehicles with the {name} monitor not complete "
        f"{_DEPOT_WORDS[cause]}."
    )


def allowance_advice(incomplete: Sequence[Monitor], allowed: int | None) -> str | None:
    """Where the program allows one not complete, it is best spent on the evaporative monitor."""
    if not allowed or Monitor.EVAPORATIVE_SYSTEM not in incomplete:
        return None
    others = [one for one in incomplete if one is not Monitor.EVAPORATIVE_SYSTEM]
    if len(others) < allowed:
        return "The evaporative system may stay not complete: the program allows it."
    names = ", ".join(FULL_NAMES[one] for one in others)
    return (
        f"The program allows {allowed} not complete: leave that to the evaporative system, which "
        f"waits longest, and complete {names}."
    )
