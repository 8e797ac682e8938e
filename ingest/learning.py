"""The nightly look back: how often monitors complete in this fleet, and how forecasts came out.

One short look at each vehicle, so that memory stays flat however many there are; what was learned
takes the place of what was known before in one transaction.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import TYPE_CHECKING
from zoneinfo import ZoneInfo

from ingest import queries
from ingest.domain.conformal import Score
from ingest.domain.hindsight import (
    DAY_MS,
    KEEP_DAYS,
    Said,
    calibrations,
    scores_of,
    to_be_kept,
    wait_began,
)
from ingest.domain.learned import Learned, Record, fit_priors, records_of
from ingest.domain.programs import Program
from ingest.store import depot_habits, explaining, learning
from ingest.store.database import read, write
from ingest.store.times import to_ms

if TYPE_CHECKING:
    from sqlalchemy import Engine


@dataclass(frozen=True, slots=True)
class Lessons:
    """How many vehicles were looked at, and what that gave: priors, forecasts kept, and scored."""

    vehicles: int
    priors: int
    kept: int
    scored: int


def learn_when_due(
    engine: Engine, as_of: datetime, programs: Mapping[str, Program]
) -> Lessons | None:
    """`learn`, where it was not done yet on this day (UTC); else None."""
    with read(engine) as connection:
        last = learning.learned_at(connection)
    if last is not None and as_of.astimezone(UTC).date() <= last.date():
        return None
    return learn(engine, as_of, programs)


def _air(engine: Engine, as_of: datetime) -> dict[str, Mapping[int, float]]:
    found = {}
    for one in queries.depots(engine):
        with read(engine) as connection:
            found[one.name] = depot_habits.air(connection, one.name, ZoneInfo(one.tz), as_of)
    return found


def learn(engine: Engine, as_of: datetime, programs: Mapping[str, Program]) -> Lessons:
    """Look back at `as_of` over the whole fleet, and keep tonight's forecasts for later nights."""
    records: list[Record] = []
    scores: list[Score] = []
    kept: list[tuple[int, int, int, Said]] = []
    vehicles = said_so_far = 0
    for standing in queries.standings(engine, as_of, programs):
        vehicles += 1
        number = standing.vehicle.id
        if number is None or standing.picture is None:
            continue
        with read(engine) as connection:
            events = explaining.episodes(connection, number)
            before = learning.all_said(connection, number)
        records += records_of(standing.vehicle, standing.picture, events)
        zone, until = ZoneInfo(standing.vehicle.depot_tz), standing.picture.heard_at or 0
        for _, at, said in before:
            scores += scores_of(said, at, events, min(until, to_ms(as_of)), zone, said_so_far)
            said_so_far += 1
        said = standing.forecast.said
        since = wait_began(said, standing.picture, events)
        if since is None or since in {began for began, _, _ in before}:
            continue
        if to_be_kept(number, since, to_ms(as_of)):
            kept.append((number, since, to_ms(as_of), said))
    fresh = Learned(fit_priors(records), calibrations(scores), _air(engine, as_of))
    with write(engine) as connection:
        learning.write_learned(connection, fresh, as_of)
        learning.keep_said(connection, kept)
        learning.forget_said(connection, to_ms(as_of) - KEEP_DAYS * DAY_MS)
    priors = sum(len(monitors) for monitors in fresh.priors.values())
    return Lessons(vehicles, priors, len(kept), len(scores))
