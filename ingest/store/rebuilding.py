"""Every projection recomputed from the stored reports, to mend it or to check it."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from typing import Any

from sqlalchemy import Connection, Engine, select

from ingest.domain import episodes as rules
from ingest.domain.episodes import Episode
from ingest.store import cycle_log, episode_log, fold_states, folding
from ingest.store.assigning import known_gateways, reassign
from ingest.store.database import read, write
from ingest.store.fold_states import FIRST
from ingest.store.folding import LAMP, Fold
from ingest.store.projections import rows_of, stored_rows
from ingest.store.report_order import stored_reports
from ingest.store.schema import alert, episode, vehicle, vehicle_state
from ingest.store.times import to_ms


@dataclass(frozen=True, slots=True)
class RebuildResult:
    """What a rebuild went through. `differences` holds one sentence each; none is a good check."""

    vehicles: int
    reports: int
    differences: tuple[str, ...]


def rebuild(engine: Engine, *, check: bool, now: datetime) -> RebuildResult:
    """Fold every vehicle from its first report; write the difference, or only name it (`check`).

    `now` dates the events of alerts that had to move; it decides nothing.
    """
    if not check:
        with write(engine) as connection:
            reassign(connection, known_gateways(connection))
    with read(engine) as connection:
        query = select(vehicle.c.id, vehicle.c.unit, vehicle.c.vin).order_by(vehicle.c.unit)
        vehicles = connection.execute(query).all()
    differences: list[str] = []
    reports = 0
    for row in vehicles:
        with read(engine) as connection:
            fold = folding.fold_all(connection, row.id, row.vin)
            found = [f"{row.unit}: {text}" for text in _differences(connection, fold)]
        reports += fold.reports
        differences += found
        if found and not check:
            with write(engine) as connection:
                folding.refold(connection, [row.id], to_ms(now))
    return RebuildResult(len(vehicles), reports, tuple(differences))


def bring_up_to_date(engine: Engine, *, now: datetime) -> int:
    """Fold again every vehicle whose state is of another edition of the rules; return how many.

    Each in a transaction of its own, so that a start that is cut short goes on at the next one.
    """
    query = (
        select(vehicle_state.c.vehicle_id)
        .where(vehicle_state.c.fold_version != rules.FOLD_VERSION)
        .order_by(vehicle_state.c.vehicle_id)
    )
    with read(engine) as connection:
        old = list(connection.execute(query).scalars())
    for vehicle_id in old:
        with write(engine) as connection:
            folding.refold(connection, [vehicle_id], to_ms(now))
    return len(old)


def _differences(connection: Connection, fold: Fold) -> list[str]:
    found = [] if _state_agrees(connection, fold) else ["the state differs"]
    if fold.moved:
        found.append(f"{len(fold.moved)} reports have another observed time")
    stored = stored_rows(connection, [fold.vehicle_id])[fold.vehicle_id]
    names = ("current monitors", "current codes", "current lamp")
    for name, mine, fresh in zip(names, stored, rows_of(fold.state.picture), strict=True):
        if mine != fresh:
            found.append(f"{name}: {len(mine)} stored, {len(fresh)} folded, not the same")
    rows = list(episode_log.stored(connection, fold.vehicle_id))
    kept = {row.natural: episode_log.episode_of(row) for row in rows}
    found += _episode_differences(kept, fold.episodes)
    if cycle_log.stored(connection, fold.vehicle_id) != fold.cycles:
        found.append("driving cycles: those stored are not those folded")
    found += _alert_differences(connection, fold)
    folded = {one.reports: one for one in fold.checkpoints}
    for one in fold_states.checkpoints(connection, fold.vehicle_id):
        if folded.get(one.reports) != one:
            found.append(f"the checkpoint after {one.reports} reports differs")
    return found


def _state_agrees(connection: Connection, fold: Fold) -> bool:
    query = select(vehicle_state).where(vehicle_state.c.vehicle_id == fold.vehicle_id)
    row = connection.execute(query).one_or_none()
    if row is None:
        return fold.reports == 0
    return (
        row.fold_version == rules.FOLD_VERSION
        and fold_states.position_of_row(row) == fold.position
        and row.reports == fold.reports
        and fold_states.decode_state(row.state) == fold.state
    )


def _episode_differences(kept: dict[str, Episode], fresh: dict[str, Episode]) -> list[str]:
    found = [f"event {name}: stored, not folded" for name in sorted(kept.keys() - fresh.keys())]
    found += [f"event {name}: folded, not stored" for name in sorted(fresh.keys() - kept.keys())]
    both = sorted(kept.keys() & fresh.keys())
    found += [f"event {name}: differs" for name in both if kept[name] != fresh[name]]
    return found


def _alert_differences(connection: Connection, fold: Fold) -> list[str]:
    """Lamp alerts are a function of the reports; what people said of them is not."""
    query = (
        select(alert.c.since, alert.c.ended_at)
        .join(episode, episode.c.id == alert.c.episode_id)
        .where(
            alert.c.vehicle_id == fold.vehicle_id,
            alert.c.kind == LAMP,
            episode.c.withdrawn_reason.is_(None),
        )
    )
    stored = sorted(((row.since, row.ended_at) for row in connection.execute(query)), key=str)
    lamps = [e for e in fold.episodes.values() if e.kind == LAMP]
    fresh = sorted(((e.started_at, e.ended_at) for e in lamps), key=str)
    return [] if stored == fresh else [f"lamp alerts: {len(stored)} stored, {len(fresh)} folded"]


def snapshot(engine: Engine) -> dict[str, Any]:
    """Everything folded, keyed by unit and natural ids: equal for equal sets of reports."""
    result: dict[str, Any] = {}
    with read(engine) as connection:
        vehicles = connection.execute(select(vehicle.c.id, vehicle.c.unit)).all()
        states = {row.vehicle_id: row for row in connection.execute(select(vehicle_state))}
        for row in vehicles:
            state = states.get(row.id)
            result[row.unit] = {
                "state": fold_states.decode_state(state.state) if state else None,
                "reports": state.reports if state else 0,
                "current": stored_rows(connection, [row.id])[row.id],
                "events": {
                    item.natural: episode_log.episode_of(item)
                    for item in episode_log.stored(connection, row.id)
                },
                "driving cycles": cycle_log.stored(connection, row.id),
                "observed": [
                    (*one.placed.position[2:], one.observed_at)
                    for one in stored_reports(connection, row.id, FIRST)
                ],
            }
    return result
