"""What the shop should know of one vehicle: why not complete, who cleared, what is proven."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime

from gateway.facts import Monitor
from ingest.domain.clear_causes import ClearFinding, explain_clear
from ingest.domain.completion import Beta
from ingest.domain.completion_priors import PRIORS
from ingest.domain.cycles import Cycle
from ingest.domain.episodes import Episode
from ingest.domain.lamp_options import Advice
from ingest.domain.picture import Picture
from ingest.domain.repairs import Repair
from ingest.domain.result_trends import Trend
from ingest.domain.stuck import stuck_monitors
from ingest.domain.stuck_advice import ADVICE, allowance_advice
from ingest.domain.stuck_causes import Found, causes
from ingest.domain.verification import Proof, Since, prove


@dataclass(frozen=True, slots=True)
class WhyNot:
    """One monitor not complete: the causes found, the advice, and whether it does not set."""

    monitor: Monitor
    causes: tuple[Found, ...]
    advice: str
    stuck: str | None


@dataclass(frozen=True, slots=True)
class Explanation:
    """One vehicle explained. `allowance` is how to spend what the program lets be incomplete."""

    monitors: tuple[WhyNot, ...] = ()
    allowance: str | None = None
    clears: tuple[ClearFinding, ...] = ()
    repairs: tuple[Repair, ...] = ()
    proofs: tuple[Proof, ...] = ()
    trends: tuple[Trend, ...] = ()
    lamp: Advice | None = None
    season: str | None = None


NOT_TOLD = "Nothing points at a cause yet: drive normally, and look again."


def set_back_at(monitor: Monitor, picture: Picture, events: Sequence[Episode]) -> int:
    """When a monitor was set back, as far as known (epoch ms): its event, or the last clear."""
    began = [
        one.started_at
        for one in events
        if one.kind == "not_complete" and one.subject == monitor.value and one.ended_at is None
    ]
    return max([*began, picture.last_clear_at or 0])


def why_not(
    picture: Picture,
    events: Sequence[Episode],
    cycles: Sequence[Cycle],
    as_of: datetime,
    priors: Mapping[Monitor, Beta] = PRIORS,
) -> tuple[WhyNot, ...]:
    """Every monitor that is counted and not complete, with its causes."""
    still_open = [one for one in events if one.ended_at is None]
    stuck = {one.monitor: one.reason for one in stuck_monitors(picture, still_open, as_of, priors)}
    found = []
    for monitor in picture.incomplete():
        since = set_back_at(monitor, picture, events)
        said = tuple(causes(monitor, picture, [one for one in cycles if one.started_at >= since]))
        advice = ADVICE[said[0].cause] if said else NOT_TOLD
        found.append(WhyNot(monitor, said, advice, stuck.get(monitor)))
    return tuple(found)


def explain(
    picture: Picture,
    events: Sequence[Episode],
    cycles: Sequence[Cycle],
    repairs: Sequence[Repair],
    since: Since,
    tests: Sequence[Trend],
    allowed: int | None,
    lamp: Advice | None,
    as_of: datetime,
    priors: Mapping[Monitor, Beta] = PRIORS,
) -> Explanation:
    """Explain one vehicle at `as_of` (aware). `repairs` are the newest first."""
    in_use = {
        ecu_id: ecu.in_use_counters.get("ignition_cycles", 0)
        for ecu_id, ecu in picture.ecus.items()
        if ecu.in_use_counters
    }
    clears = [one for one in events if one.kind == "clear"]
    return Explanation(
        monitors=why_not(picture, events, cycles, as_of, priors),
        allowance=allowance_advice(picture.incomplete(), allowed),
        clears=tuple(explain_clear(one, events, repairs, in_use) for one in reversed(clears)),
        repairs=tuple(repairs),
        proofs=_proofs(picture, events, repairs, since),
        trends=tuple(tests),
        lamp=lamp,
    )


def _proofs(
    picture: Picture, events: Sequence[Episode], repairs: Sequence[Repair], since: Since
) -> tuple[Proof, ...]:
    """Codes that stand now and codes with a recorded repair, each by its last repair."""
    last: dict[str, Repair] = {}
    for entry in repairs:
        for code in entry.codes:
            last.setdefault(code, entry)
    standing = {
        code for kind in ("confirmed", "pending", "permanent") for code in picture.codes(kind) or ()
    }
    supported = set(picture.monitors())
    return tuple(
        prove(code, last.get(code), events, since, supported)
        for code in sorted(standing | last.keys())
    )


def monitor_of_test(monitor_id: int) -> Monitor | None:
    """The monitor of PID 01 behind a service 06 monitor id (SAE J1979 ids; B)."""
    for first, last, monitor in _TESTS:
        if first <= monitor_id <= last:
            return monitor
    return None


_TESTS = (
    (0x01, 0x10, Monitor.OXYGEN_SENSOR),
    (0x21, 0x24, Monitor.CATALYST),
    (0x31, 0x38, Monitor.EGR_VVT),
    (0x39, 0x3D, Monitor.EVAPORATIVE_SYSTEM),
    (0x41, 0x50, Monitor.OXYGEN_SENSOR_HEATER),
    (0x61, 0x64, Monitor.HEATED_CATALYST),
    (0x71, 0x74, Monitor.SECONDARY_AIR),
    (0x85, 0x86, Monitor.BOOST_PRESSURE),
    (0x90, 0x99, Monitor.NOX_AFTERTREATMENT),
    (0xB0, 0xB3, Monitor.PM_FILTER),
)
