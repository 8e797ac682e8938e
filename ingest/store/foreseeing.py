"""Gathers what a forecast of one vehicle rests on."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from zoneinfo import ZoneInfo

from sqlalchemy import Connection, select

from ingest.domain.cycles import Cycle
from ingest.domain.driving_rate import WINDOW_DAYS
from ingest.domain.episodes import Episode
from ingest.domain.evap_season import season_begins
from ingest.domain.explanation import WhyNot, set_back_at, why_not
from ingest.domain.foresight import Facts, Forecast, foresee
from ingest.domain.lamp_choice import after_clear
from ingest.domain.learned import Learned
from ingest.domain.programs import Program
from ingest.domain.verdict import Outcome
from ingest.store import appointments, cycle_log, episode_log, learning
from ingest.store.answers import Standing
from ingest.store.schema import vehicle
from ingest.store.times import from_ms, to_ms

DAY_MS = 86_400_000
FAR = 2**62
_FORECAST = (Outcome.WOULD_FAIL, Outcome.NOT_READY)


@dataclass(frozen=True, slots=True)
class Common:
    """What the forecasts of one look share. `in_bays` by vehicle; `spared` are the units that
    have a spare, None where the list names no spares.
    """

    learned: Learned
    in_bays: Mapping[int, Sequence[tuple[datetime, datetime]]]
    spared: frozenset[str] | None


def common(connection: Connection, as_of: datetime) -> Common:
    """Read it once for many vehicles."""
    in_bays: dict[int, list[tuple[datetime, datetime]]] = {}
    for row, _ in appointments.between(connection, to_ms(as_of), FAR):
        in_bays.setdefault(row.vehicle_id, []).append((from_ms(row.start), from_ms(row.end)))
    query = select(vehicle.c.spare_for).where(vehicle.c.spare_for.is_not(None))
    spared = frozenset(connection.execute(query).scalars())
    return Common(learning.learned(connection), in_bays, spared or None)


@dataclass(frozen=True, slots=True)
class Past:
    """What a vehicle did: `events` in order of start, `cycles` the newest first, and the causes."""

    events: Sequence[Episode] = ()
    cycles: Sequence[Cycle] = ()
    whys: Sequence[WhyNot] = ()


def past(connection: Connection, standing: Standing, shared: Common, as_of: datetime) -> Past:
    """The part of it that a forecast looks at; nothing where none is made."""
    picture, number = standing.picture, standing.vehicle.id
    if picture is None or number is None or standing.verdict.outcome not in _FORECAST:
        return Past()
    rows = episode_log.stored(connection, number, kinds=("not_complete",))
    events = [episode_log.episode_of(row) for row in rows]
    since = to_ms(as_of) - (WINDOW_DAYS + 1) * DAY_MS
    for monitor in picture.incomplete():
        since = min(since, set_back_at(monitor, picture, events))
    cycles = cycle_log.newest_first(connection, number, since)
    priors = shared.learned.cautious(standing.vehicle)
    return Past(events, cycles, why_not(picture, events, cycles, as_of, priors))


def forecast(
    standing: Standing, shared: Common, program: Program, known: Past, as_of: datetime
) -> Forecast:
    """Foresee one vehicle as it stands at `as_of`."""
    one, picture = standing.vehicle, standing.picture
    failed = standing.dues[0].failed_codes if standing.dues else ()
    today = as_of.astimezone(ZoneInfo(one.depot_tz)).date()
    facts = Facts(
        vehicle=one,
        picture=picture,
        verdict=standing.verdict,
        due=standing.need.deadline,
        as_of=as_of,
        events=known.events,
        cycles=known.cycles,
        whys=known.whys,
        in_bays=shared.in_bays.get(one.id or 0, ()),
        after=after_clear(program, one.model_year),
        retest=frozenset(
            rule.monitor for rule in program.retest_must_be_complete if rule.names(failed)
        ),
        evap_from=season_begins(shared.learned.air.get(one.depot, {}), today),
        has_spare=None if shared.spared is None else one.unit in shared.spared,
    )
    return foresee(facts, shared.learned)
