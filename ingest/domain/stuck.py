"""Monitors not setting: a healthy one would very probably have completed by now.

The chance that a healthy one is still not complete after so many driving cycles is a Beta survival
(`completion`), with the vehicle's own in-use counters as evidence. Limits are choices of this
project (X): below 5 %, and not before three days.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import datetime

from gateway.facts import CONTINUOUS, FULL_NAMES, Monitor
from ingest.domain.completion import Beta
from ingest.domain.completion_priors import PRIORS
from ingest.domain.episodes import Episode
from ingest.domain.evidence import counted
from ingest.domain.picture import Picture

STILL_LIKELY = 0.05
MIN_DAYS = 3
OWN_CYCLES = 30
"""At most so many of the vehicle's own driving cycles count: habits and parts change (X)."""
_DAY_MS = 86_400_000


@dataclass(frozen=True, slots=True)
class StuckMonitor:
    """A monitor not setting since `since` (epoch ms), over so many driving cycles.

    `chance` is that of a healthy one to be still not complete.
    """

    monitor: Monitor
    since: int
    cycles: int
    chance: float
    reason: str
    episode: Episode


def own_chance(monitor: Monitor, picture: Picture, prior: Beta) -> Beta:
    """The prior with what the vehicle's in-use counters say: completions per ignition cycle."""
    own = counted(monitor, picture, 0)
    return prior if own is None else own.chance(prior, 0, most=OWN_CYCLES)


def stuck_monitors(
    picture: Picture,
    episodes_open: Iterable[Episode],
    as_of: datetime,
    priors: Mapping[Monitor, Beta] = PRIORS,
) -> list[StuckMonitor]:
    """The monitors past the limit at `as_of` (aware), in the order of the open episodes."""
    now = int(as_of.timestamp() * 1000)
    found: list[StuckMonitor] = []
    for episode in episodes_open:
        if episode.kind != "not_complete" or Monitor(episode.subject) in CONTINUOUS:
            continue
        monitor = Monitor(episode.subject)
        prior = priors.get(monitor)
        since = max(episode.started_at, picture.last_clear_at or 0)
        if prior is None or now - since < MIN_DAYS * _DAY_MS:
            continue
        begun = int(episode.details.get("driving_cycles_at_start", 0))
        cycles = min(picture.driving_cycles - begun, picture.driving_cycles_since_clear)
        chance = float(own_chance(monitor, picture, prior).survival(max(0, cycles)))
        if chance < STILL_LIKELY:
            share = f"{chance:.1%}" if chance >= 0.001 else "under 0.1%"
            reason = (
                f"The {FULL_NAMES[monitor]} monitor is still not complete after {cycles} driving "
                f"cycles and {(now - since) / _DAY_MS:.0f} days; of healthy ones "
                f"{share} would still not be (limit {STILL_LIKELY:.0%}; a choice of this project)."
            )
            found.append(StuckMonitor(monitor, since, cycles, chance, reason, episode))
    return found
