"""What a forecast said, held against what came: the scores by which later ones are set right.

One forecast is kept for each wait. Which night of the wait it is made on is spread over the first
six, so that waits just begun and waits that drag on both count, and a long one counts once.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from zoneinfo import ZoneInfo

import msgspec
import numpy as np

from gateway.facts import Monitor
from ingest.domain.conformal import Calibration, Score, calibrate, score_of
from ingest.domain.episodes import Episode
from ingest.domain.explanation import set_back_at
from ingest.domain.forecast import Rule, whole
from ingest.domain.picture import Picture

VEHICLE = "vehicle"
"""The group of a vehicle as a whole; every other group is a monitor's value."""
NIGHTS = 6
KEEP_DAYS = 400
"""A forecast so old is forgotten: calibrations rest on the latest (X)."""
DAY_MS = 86_400_000


@dataclass(frozen=True, slots=True)
class Said:
    """What was said: by group, the raw chance by the end of that day and of each day after.

    `waiting` are the monitors then not complete that count, `rule` what the program needed.
    """

    chances: Mapping[str, tuple[float, ...]] = field(default_factory=dict)
    waiting: tuple[Monitor, ...] = ()
    rule: Rule = field(default_factory=Rule)


def encode(said: Said) -> str:
    """As JSON text."""
    return msgspec.json.encode(said).decode()


def decode(text: str) -> Said:
    """From JSON text. Raises msgspec.ValidationError for another shape."""
    return msgspec.json.decode(text, type=Said)


def to_be_kept(vehicle_id: int, since: int, at: int) -> bool:
    """Whether the night of this wait has come on which its forecast is kept (epoch ms)."""
    return (at - since) // DAY_MS >= (vehicle_id + since // DAY_MS) % NIGHTS


def wait_began(said: Said, picture: Picture, events: Sequence[Episode]) -> int | None:
    """When the vehicle's present wait began (epoch ms); None where nothing was said of one."""
    if not said.chances:
        return None
    return max(set_back_at(monitor, picture, events) for monitor in said.waiting)


def scores_of(
    said: Said, at: int, events: Sequence[Episode], until: int, zone: ZoneInfo, number: int
) -> list[Score]:
    """The scores of one forecast made `at`, as far as known `until` then (epoch ms).

    A wait is cut short by the next clear, and by the last reading. `events` are all of the
    vehicle; a monitor whose wait they do not hold gives no score. `number` is the forecast's place
    among all.
    """
    cut = min([until, *(one.started_at for one in events if one.kind == "clear" and _on(one, at))])
    ends = {one: _end(one, at, events) for one in said.waiting}
    known = {one: end for one, end in ends.items() if end is not None}
    took: dict[str, float] = {one.value: end for one, end in known.items()}
    if len(known) == len(ends):
        needed = whole({one: np.array([end]) for one, end in known.items()}, said.rule)
        if needed is not None:
            took[VEHICLE] = float(needed[0])
    return [
        _score(group, chances, at, min(took[group], cut), took[group] <= cut, zone, number)
        for group, chances in said.chances.items()
        if group in took and chances
    ]


def calibrations(scores: Iterable[Score]) -> Mapping[str, Calibration]:
    """By group; a monitor without enough takes that of all monitors, and so does the vehicle."""
    every = list(scores)
    monitors = calibrate([one for one in every if one.group != VEHICLE])
    whole_ones = calibrate([one for one in every if one.group == VEHICLE])
    return {**monitors, **{name: one for name, one in whole_ones.items() if name}}


def _on(event: Episode, at: int) -> bool:
    return event.started_at > at


def _end(monitor: Monitor, at: int, events: Sequence[Episode]) -> float | None:
    """When the wait of a monitor at `at` ended; inf while it has not, None where none is known."""
    for one in events:
        if one.kind != "not_complete" or one.subject != monitor.value or one.started_at > at:
            continue
        if one.ended_at is None:
            return float("inf")
        if one.ended_at > at:
            return float(one.ended_at)
    return None


def _score(
    group: str, chances: Sequence[float], at: int, end: float, came: bool, zone: ZoneInfo,
    number: int,
) -> Score:  # fmt: skip
    day = max(0, (_day(end, zone) - _day(at, zone)).days)
    if day >= len(chances):
        return Score(group, at, chances[-1], resolved=False)
    before = chances[day - 1] if day else 0.0
    return score_of(group, at, number, before, chances[day], came)


def _day(at: float, zone: ZoneInfo) -> datetime:
    return datetime.fromtimestamp(at / 1000, zone).replace(
        hour=0, minute=0, second=0, microsecond=0, tzinfo=None
    )
