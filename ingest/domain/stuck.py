"""Monitors not setting: not complete long after a healthy one would be.

The limit is plain and documented: at least 40 driving cycles and 14 days since the later of the
last clear and the first time it was seen not complete (common practice, no source).
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime

from gateway.facts import CONTINUOUS, FULL_NAMES, Monitor
from ingest.domain.episodes import Episode
from ingest.domain.picture import Picture

MIN_CYCLES = 40
MIN_DAYS = 14
_DAY_MS = 86_400_000


@dataclass(frozen=True, slots=True)
class StuckMonitor:
    """A monitor not setting since `since` (epoch ms), over so many driving cycles."""

    monitor: Monitor
    since: int
    cycles: int
    reason: str
    episode: Episode


def stuck_monitors(
    picture: Picture, episodes_open: Iterable[Episode], as_of: datetime
) -> list[StuckMonitor]:
    """The monitors past the limit at `as_of` (aware), in the order of the open episodes."""
    now = int(as_of.timestamp() * 1000)
    found: list[StuckMonitor] = []
    for episode in episodes_open:
        if episode.kind != "not_complete" or Monitor(episode.subject) in CONTINUOUS:
            continue
        monitor = Monitor(episode.subject)
        since = max(episode.started_at, picture.last_clear_at or 0)
        begun = int(episode.details.get("driving_cycles_at_start", 0))
        cycles = min(picture.driving_cycles - begun, picture.driving_cycles_since_clear)
        days = (now - since) / _DAY_MS
        if cycles >= MIN_CYCLES and days >= MIN_DAYS:
            reason = (
                f"The {FULL_NAMES[monitor]} monitor is still not complete after {cycles} driving "
                f"cycles and {days:.0f} days (limit {MIN_CYCLES} and {MIN_DAYS}: "
                "common practice, no source)."
            )
            found.append(StuckMonitor(monitor, since, cycles, reason, episode))
    return found
