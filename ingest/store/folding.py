"""From stored reports to what is so: states, episodes, projections and alerts of vehicles.

Reports that follow the last one folded move the state on. One that belongs earlier makes the
vehicle be folded again from its last checkpoint before it, written as a diff that keeps ids.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field

from sqlalchemy import Connection

from ingest.domain import alerts as alert_rules
from ingest.domain import checkpoints as ladder
from ingest.domain import episodes as rules
from ingest.domain.cycles import Cycle
from ingest.domain.cycles import Key as CycleKey
from ingest.domain.episodes import Episode, VehicleState
from ingest.store import alert_log, bulk, cycle_log, episode_log, fold_states
from ingest.store.fold_memory import FoldMemory, new_stamp
from ingest.store.fold_states import BEGINNING, Checkpoint, Position, decode_state
from ingest.store.projections import ProjectionWriter, alike, rows_of, stored_rows
from ingest.store.report_keys import Key
from ingest.store.report_order import Placed, Run, note_journals, stored_reports
from ingest.store.schema import report, vehicle_state
from ingest.store.vehicles import vins

LAMP = "mil_on"


@dataclass(slots=True)
class Fold:
    """A fold under way: the state so far, and what changed since it began."""

    vehicle_id: int
    vin: str
    begun: Checkpoint
    state: VehicleState = field(init=False)
    position: Position = field(init=False)
    reports: int = field(init=False)
    episodes: dict[str, Episode] = field(default_factory=dict)
    conditions: dict[str, alert_rules.Condition] = field(default_factory=dict)
    cycles: dict[CycleKey, Cycle] = field(default_factory=dict)
    checkpoints: list[Checkpoint] = field(default_factory=list)
    taken: set[CycleKey] = field(default_factory=set)
    """The readings folded, by journal and seq (a fold of stored reports only)."""
    moved: list[dict[str, int]] = field(default_factory=list)
    """Report rows whose observed time is another one now (the same)."""

    def __post_init__(self) -> None:
        self.state, self.position = self.begun.state, self.begun.position
        self.reports = self.begun.reports

    @property
    def reached(self) -> Checkpoint:
        """How far the fold is."""
        return Checkpoint(self.reports, self.position, self.state)

    @property
    def standing(self) -> dict[str, Episode]:
        """All episodes that this fold has to do with: open at its start, or changed since."""
        return {one.natural: one for one in self.begun.state.open} | self.episodes

    @property
    def anew(self) -> set[CycleKey] | None:
        """The readings folded anew, with the one whose first parts lie before; None: all."""
        if not self.begun.reports:
            return None
        held = self.begun.state.held
        return self.taken if held is None else self.taken | {(held.journal, held.seq)}

    def take(self, placed: Placed) -> int:
        """Fold one report, which comes after all folded before; return when it was observed."""
        before, step = self.state, rules.fold(self.state, placed.report, self.vin)
        self.state = step.state
        self.position = placed.position
        self.reports += 1
        for cycle in step.cycles:
            self.cycles[cycle.key] = cycle
        for episode in step.changed:
            self.episodes[episode.natural] = episode
        broadcasts = before.picture.lamp_broadcasts
        if step.changed or step.state.picture.lamp_broadcasts is not broadcasts:
            self.judge_lamp(alert_rules.lamp_condition(before))
        if ladder.is_due(self.reports):
            self.checkpoints.append(self.reached)
        return step.observed_at

    def judge_lamp(self, before: alert_rules.Condition | None) -> None:
        """Keep what is to be said of a lamp that is on, where it is not what was said before."""
        said = alert_rules.lamp_condition(self.state)
        if said is None or said == before:
            return
        self.conditions[said.episode] = said
        for episode in self.state.open:
            if episode.natural == said.episode:
                self.episodes[said.episode] = episode


@dataclass(frozen=True, slots=True)
class Written:
    """The states a transaction wrote, to be remembered once it is committed."""

    stamp: int
    states: Mapping[int, VehicleState]


def fold_new(
    connection: Connection,
    placed: Mapping[int, Sequence[Placed]],
    names: Mapping[int, str],
    memory: FoldMemory,
    *,
    insert_reports: Callable[[Mapping[Key, int]], None],
    now: int,
) -> Written:
    """Fold the new reports of some vehicles, in one transaction with their insertion.

    `names` are the VINs of the vehicles. `insert_reports` writes the report rows, given when those
    folded straight on were observed; it runs before any vehicle is folded again from its rows.
    """
    observed: dict[Key, int] = {}
    folds = load_folds(connection, names, memory)
    note_journals(connection, _new_runs(placed, folds))
    late: dict[int, Position] = {}
    for vehicle_id, items in placed.items():
        ordered = sorted(items, key=lambda item: item.position) if len(items) > 1 else items
        fold = folds.get(vehicle_id)
        if fold is None or ordered[0].position < fold.position:
            late[vehicle_id] = ordered[0].position
            continue
        for item in ordered:
            message = item.report
            observed[message.gateway, message.journal, message.seq] = fold.take(item)
    insert_reports(observed)
    straight = [folds[one] for one in placed if one not in late]
    writer = ProjectionWriter()
    for fold in straight:
        before, after = fold.begun.state.picture, fold.state.picture
        if not alike(before, after):
            writer.change(fold.vehicle_id, rows_of(before), rows_of(after))
    writer.write(connection)
    stored = episode_log.write_changes(connection, {f.vehicle_id: f.episodes for f in straight})
    cycle_log.write_changes(connection, {f.vehicle_id: f.cycles for f in straight})
    _write_alerts(connection, straight, stored, now)
    stamp = new_stamp()
    _save(connection, straight, stamp)
    if late:
        refold(connection, sorted(late), now, late)
    return Written(stamp, {fold.vehicle_id: fold.state for fold in straight})


def _new_runs(
    placed: Mapping[int, Sequence[Placed]], folds: Mapping[int, Fold]
) -> Iterator[tuple[int, Run, str]]:
    """The journals that are not known yet to have reports of a vehicle: its last one is."""
    for vehicle_id, items in placed.items():
        known = folds[vehicle_id].position[:3] if vehicle_id in folds else None
        for item in items:
            run = item.position[:3]
            if run != known:
                yield vehicle_id, run, item.report.gateway


def _save(connection: Connection, folds: Sequence[Fold], stamp: int) -> None:
    """Write the states reached, and the checkpoints on the way."""
    fold_states.save(connection, [(fold.vehicle_id, fold.reached) for fold in folds], stamp)
    made = [(fold.vehicle_id, one) for fold in folds for one in fold.checkpoints]
    fold_states.add_checkpoints(connection, made)


def _write_alerts(
    connection: Connection,
    folds: Iterable[Fold],
    stored: Mapping[int, Mapping[str, int]],
    now: int,
) -> None:
    changed = [(fold, name, item) for fold in folds for name, item in fold.episodes.items()]
    lamps = [
        alert_log.Lamp(
            fold.vehicle_id, stored[fold.vehicle_id][name], episode, fold.conditions.get(name)
        )
        for fold, name, episode in changed
        if episode.kind == LAMP
    ]
    ended = [
        (stored[fold.vehicle_id][name], episode.ended_at)
        for fold, name, episode in changed
        if episode.kind != LAMP and episode.ended_at is not None
    ]
    alert_log.follow_lamps(connection, lamps, now)
    alert_log.return_to_normal(connection, ended, now)


def load_folds(
    connection: Connection, names: Mapping[int, str], memory: FoldMemory
) -> dict[int, Fold]:
    """Ready-to-go folds of the vehicles in `names` (their VINs), by id.

    A vehicle whose state is of another edition of the rules is left out.
    """
    table = vehicle_state.c
    columns = (
        table.vehicle_id, table.fold_version, table.reports, table.stamp, table.last_fitted_from,
        table.last_created_at, table.last_journal, table.last_seq,
    )  # fmt: skip
    rows = bulk.select_in(connection, columns, table.vehicle_id, names, lock=True)
    states = {one: memory.get(one, stamp) for one, _, _, stamp, *_ in rows}
    unknown = [one for one, state in states.items() if state is None]
    for one, data in bulk.select_in(
        connection, (table.vehicle_id, table.state), table.vehicle_id, unknown
    ):
        states[one] = decode_state(data)
    begun = dict.fromkeys(names, BEGINNING)
    for one, version, reports, _, *place in rows:
        if version != rules.FOLD_VERSION:
            del begun[one]
            continue
        state = states[one]
        assert state is not None  # the row was read, so its state was read or remembered
        begun[one] = Checkpoint(reports, (place[0], place[1], place[2], place[3]), state)
    return {one: Fold(one, names[one], start) for one, start in begun.items()}


def fold_all(connection: Connection, vehicle_id: int, vin: str) -> Fold:
    """Fold a vehicle from its first stored report, reading them in order."""
    return fold_from(connection, BEGINNING, vehicle_id, vin)


def fold_from(connection: Connection, begun: Checkpoint, vehicle_id: int, vin: str) -> Fold:
    """Fold a vehicle on from a state, reading its stored reports after it in order."""
    fold = Fold(vehicle_id, vin, begun)
    fold.judge_lamp(None)
    for stored in stored_reports(connection, vehicle_id, begun.position):
        observed_at = fold.take(stored.placed)
        fold.taken.add((stored.placed.report.journal, stored.placed.report.seq))
        if observed_at != stored.observed_at:
            fold.moved.append({"id": stored.row_id, "observed_at": observed_at})
    return fold


def refold(
    connection: Connection,
    vehicle_ids: Sequence[int],
    now: int,
    late: Mapping[int, Position] | None = None,
) -> None:
    """Fold vehicles again and write the difference.

    `late` are the first places where something is new, by vehicle: one that is named there is
    folded from its last checkpoint before, any other from its first report.
    """
    names = vins(connection, vehicle_ids)
    stored = stored_rows(connection, vehicle_ids)
    writer = ProjectionWriter()
    folds = []
    for vehicle_id in vehicle_ids:
        first = (late or {}).get(vehicle_id)
        begun = BEGINNING
        if first is not None:
            begun = fold_states.checkpoint_before(connection, vehicle_id, first)
        fold = fold_from(connection, begun, vehicle_id, names[vehicle_id])
        folds.append(fold)
        writer.change(vehicle_id, stored[vehicle_id], rows_of(fold.state.picture))
        anew = fold.anew
        ids, withdrawn = episode_log.write_diff(connection, vehicle_id, fold.standing, anew)
        cycle_log.write_diff(connection, vehicle_id, fold.cycles, anew)
        _write_alerts(connection, [fold], {vehicle_id: ids}, now)
        alert_log.withdraw(connection, withdrawn, now)
        bulk.update(connection, report, fold.moved)
        fold_states.forget_checkpoints(connection, vehicle_id, begun.reports)
    writer.write(connection)
    _save(connection, folds, new_stamp())
