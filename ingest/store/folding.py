"""From stored reports to what is so: states, episodes, projections and alerts of vehicles.

Reports that follow the last one folded move the state on. One that belongs earlier makes the
vehicle be folded again from its first report, written as a diff that keeps ids.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field

import msgspec
from sqlalchemy import Connection, bindparam, select, update

from gateway import contract
from ingest.domain import alerts as alert_rules
from ingest.domain import episodes as rules
from ingest.domain.cycles import Cycle
from ingest.domain.cycles import Key as CycleKey
from ingest.domain.episodes import Episode, VehicleState
from ingest.store import alert_log, cycle_log, episode_log
from ingest.store.database import upsert
from ingest.store.history import Key
from ingest.store.projections import ProjectionWriter, rows_of, stored_rows
from ingest.store.schema import report, vehicle_state
from ingest.store.times import from_ms, text_to_ms
from ingest.store.vehicles import vins

Position = tuple[int, int, str, int]
"""(fitting start, journal_created_at, journal, seq): the order in which a vehicle is folded."""
FIRST: Position = (-1, -1, "", 0)
LAMP = "mil_on"

_encoder = msgspec.msgpack.Encoder()
_decoder = msgspec.msgpack.Decoder(VehicleState)


@dataclass(frozen=True, slots=True)
class Placed:
    """A report with its place in the order of its vehicle."""

    position: Position
    report: contract.Report


@dataclass(slots=True)
class Fold:
    """A fold under way: the state so far, and what changed since it was loaded."""

    vehicle_id: int
    vin: str
    state: VehicleState
    position: Position = FIRST
    reports: int = 0
    episodes: dict[str, Episode] = field(default_factory=dict)
    conditions: dict[str, alert_rules.Condition] = field(default_factory=dict)
    cycles: dict[CycleKey, Cycle] = field(default_factory=dict)
    moved: list[dict[str, int]] = field(default_factory=list)
    """Report rows whose observed time is another one now (a whole fold only)."""

    def take(self, placed: Placed) -> int:
        """Fold one report, which comes after all folded before; return when it was observed."""
        step = rules.fold(self.state, placed.report, self.vin)
        self.state = step.state
        self.position = placed.position
        self.reports += 1
        for cycle in step.cycles:
            self.cycles[cycle.key] = cycle
        for episode in step.changed:
            self.episodes[episode.natural] = episode
            if episode.kind == LAMP and episode.ended_at is None:
                self._keep_conditions(episode)
        return step.observed_at

    def _keep_conditions(self, episode: Episode) -> None:
        """What to say of a lamp is judged when it comes on, from the reports up to then."""
        for condition in alert_rules.conditions(self.state, from_ms(episode.started_at)):
            if condition.kind == LAMP:
                self.conditions[condition.episode] = condition


def position_of(message: contract.Report, fitted_from: int) -> Position:
    """The place of a report in the order of its vehicle."""
    return (fitted_from, text_to_ms(message.journal_created_at), message.journal, message.seq)


def fold_new(
    connection: Connection,
    placed: Mapping[int, Sequence[Placed]],
    *,
    insert_reports: Callable[[Mapping[Key, int]], None],
    now: int,
) -> None:
    """Fold the new reports of some vehicles, in one transaction with their insertion.

    `insert_reports` writes the report rows, given when those folded straight on were observed;
    it runs before any vehicle is folded again from its rows.
    """
    observed: dict[Key, int] = {}
    folds = load_folds(connection, placed)
    before = {one: fold.state.picture for one, fold in folds.items()}
    again: list[int] = []
    for vehicle_id, items in placed.items():
        ordered = sorted(items, key=lambda item: item.position)
        fold = folds.get(vehicle_id)
        if fold is None or ordered[0].position < fold.position:
            again.append(vehicle_id)
            continue
        for item in ordered:
            message = item.report
            observed[message.gateway, message.journal, message.seq] = fold.take(item)
    insert_reports(observed)
    straight = [folds[one] for one in placed if one not in again]
    writer = ProjectionWriter()
    for fold in straight:
        old = rows_of(before[fold.vehicle_id])
        writer.change(fold.vehicle_id, old, rows_of(fold.state.picture))
    writer.write(connection)
    stored = episode_log.write_changes(connection, {f.vehicle_id: f.episodes for f in straight})
    cycle_log.write_changes(connection, {f.vehicle_id: f.cycles for f in straight})
    _write_alerts(connection, straight, stored, now)
    save_states(connection, straight)
    if again:
        refold(connection, again, now)


def _write_alerts(
    connection: Connection,
    folds: Iterable[Fold],
    stored: Mapping[int, Mapping[str, int]],
    now: int,
) -> None:
    lamps = [
        alert_log.Lamp(
            fold.vehicle_id, stored[fold.vehicle_id][name], episode, fold.conditions.get(name)
        )
        for fold in folds
        for name, episode in fold.episodes.items()
        if episode.kind == LAMP
    ]
    ended = [
        (stored[fold.vehicle_id][name], episode.ended_at)
        for fold in folds
        for name, episode in fold.episodes.items()
        if episode.kind != LAMP and episode.ended_at is not None
    ]
    alert_log.follow_lamps(connection, lamps, now)
    alert_log.return_to_normal(connection, ended, now)


def load_folds(connection: Connection, vehicle_ids: Iterable[int]) -> dict[int, Fold]:
    """Ready-to-go folds; a vehicle whose state is of another edition of the rules is left out."""
    ids = sorted(set(vehicle_ids))
    names = vins(connection, ids)
    start = rules.start()
    folds = {one: Fold(one, names[one], start) for one in ids}
    query = select(vehicle_state).where(vehicle_state.c.vehicle_id.in_(ids)).with_for_update()
    for row in connection.execute(query):
        if row.fold_version != start.fold_version:
            del folds[row.vehicle_id]
            continue
        fold = folds[row.vehicle_id]
        fold.state = _decoder.decode(row.state)
        fold.reports = row.reports
        fold.position = (row.last_fitted_from, row.last_created_at, row.last_journal, row.last_seq)
    return folds


def save_states(connection: Connection, folds: Iterable[Fold]) -> None:
    """Write the states, one row a vehicle."""
    rows = [
        {
            "vehicle_id": fold.vehicle_id,
            "fold_version": fold.state.fold_version,
            "state": encode_state(fold.state),
            "last_fitted_from": fold.position[0],
            "last_created_at": fold.position[1],
            "last_journal": fold.position[2],
            "last_seq": fold.position[3],
            "reports": fold.reports,
        }
        for fold in folds
    ]
    upsert(connection, vehicle_state, rows)


def encode_state(state: VehicleState) -> bytes:
    """The bytes a state is kept as."""
    return _encoder.encode(state)


def decode_state(data: bytes) -> VehicleState:
    """The state of kept bytes."""
    return _decoder.decode(data)


def fold_all(connection: Connection, vehicle_id: int, vin: str) -> Fold:
    """Fold a vehicle from its first stored report, reading them in order."""
    fold = Fold(vehicle_id, vin, rules.start())
    for stored in stored_reports(connection, vehicle_id):
        observed_at = fold.take(stored.placed)
        if observed_at != stored.observed_at:
            fold.moved.append({"b_id": stored.row_id, "observed_at": observed_at})
    return fold


@dataclass(frozen=True, slots=True)
class StoredReport:
    """A report read back, with its row id and when it was taken to be observed (epoch ms)."""

    row_id: int
    observed_at: int | None
    placed: Placed


def stored_reports(connection: Connection, vehicle_id: int) -> Iterator[StoredReport]:
    """The stored reports of a vehicle in folding order."""
    query = (
        select(report.c.id, report.c.observed_at, report.c.fitted_from, report.c.body)
        .where(report.c.vehicle_id == vehicle_id)
        .order_by(report.c.fitted_from, report.c.journal_created_at, report.c.journal, report.c.seq)
    )
    for row in connection.execute(query).yield_per(500):
        message = contract.decode_report(row.body)
        placed = Placed(position_of(message, row.fitted_from), message)
        yield StoredReport(row.id, row.observed_at, placed)


def refold(connection: Connection, vehicle_ids: Sequence[int], now: int) -> None:
    """Fold vehicles again from their first report and write the difference."""
    names = vins(connection, vehicle_ids)
    stored = stored_rows(connection, vehicle_ids)
    writer = ProjectionWriter()
    folds = []
    for vehicle_id in vehicle_ids:
        fold = fold_all(connection, vehicle_id, names[vehicle_id])
        folds.append(fold)
        writer.change(vehicle_id, stored[vehicle_id], rows_of(fold.state.picture))
        ids, withdrawn = episode_log.write_diff(connection, vehicle_id, fold.episodes)
        cycle_log.write_diff(connection, vehicle_id, fold.cycles)
        _write_alerts(connection, [fold], {vehicle_id: ids}, now)
        alert_log.withdraw(connection, withdrawn, now)
        if fold.moved:
            connection.execute(update(report).where(report.c.id == bindparam("b_id")), fold.moved)
    writer.write(connection)
    save_states(connection, folds)
