"""Reads what explains one vehicle: its events, driving cycles, repairs, and readings since."""

from __future__ import annotations

from datetime import date, datetime
from operator import itemgetter
from zoneinfo import ZoneInfo

from msgspec import UNSET
from sqlalchemy import Connection

from gateway import contract
from gateway.contract import FreezeFrame, MonitorResult
from gateway.facts import Monitor
from ingest.domain.cycles import Cycle
from ingest.domain.episodes import Episode
from ingest.domain.explanation import Explanation, explain, monitor_of_test
from ingest.domain.lamp_choice import lamp_choice
from ingest.domain.lamp_options import AfterClear
from ingest.domain.learned import Learned
from ingest.domain.picture import Picture
from ingest.domain.repairs import Repair
from ingest.domain.result_trends import Test, trends
from ingest.domain.vehicles import Vehicle
from ingest.domain.verification import Since, Snapshot
from ingest.store import episode_log, fold_states, repair_log
from ingest.store.report_order import stored_reports
from ingest.store.times import to_ms

DAY_MS = 86_400_000
LOOK_BACK_DAYS = 180
"""Readings older than this are not looked at for trends and proofs (a choice of this project)."""


def explanation(
    connection: Connection,
    vehicle_id: int,
    picture: Picture | None,
    events: list[Episode],
    cycles: tuple[Cycle, ...],
    allowed: int | None,
    after: AfterClear,
    due: date | None,
    one: Vehicle,
    learned: Learned,
    as_of: datetime,
) -> Explanation:
    """Explain one vehicle at `as_of`."""
    if picture is None:
        return Explanation()
    repairs = repair_log.of_vehicle(connection, vehicle_id)
    since, history = _readings(connection, vehicle_id, cycles, repairs, to_ms(as_of))
    priors, zone = learned.priors_of(one), ZoneInfo(one.depot_tz)
    lamp = lamp_choice(picture, cycles, repairs, allowed, after, due, zone, as_of, priors)
    tests, doubted = trends(history), learned.cautious(one)
    return explain(picture, events, cycles, repairs, since, tests, allowed, lamp, as_of, doubted)


def episodes(connection: Connection, vehicle_id: int) -> list[Episode]:
    """The events of a vehicle as the fold knows them, in order of their start."""
    return [episode_log.episode_of(row) for row in episode_log.stored(connection, vehicle_id)]


def _readings(
    connection: Connection,
    vehicle_id: int,
    cycles: tuple[Cycle, ...],
    repairs: tuple[Repair, ...],
    now: int,
) -> tuple[Since, dict[Test, list[tuple[int, MonitorResult]]]]:
    lists: list[int] = []
    shots: list[Snapshot] = []
    frame: FreezeFrame | None = None
    history: dict[Test, list[tuple[int, MonitorResult]]] = {}
    wanted = {code for one in repairs for code in one.codes}
    last = max((one.at for one in repairs), default=None)
    for at, message in _messages(connection, vehicle_id, now - LOOK_BACK_DAYS * DAY_MS, now):
        shots += _snapshot(at, message)
        for ecu_id, ecu in message.ecus.items():
            if UNSET not in (ecu.confirmed, ecu.pending):
                lists.append(at)
            for one in () if ecu.freeze_frames is UNSET else ecu.freeze_frames:
                if one.code in wanted and (last is None or at <= last):
                    frame = one
            for result in () if ecu.test_results is UNSET else ecu.test_results:
                key = (ecu_id, result.monitor_id, result.test_id)
                history.setdefault(key, []).append((at, result))
    newest: dict[Monitor, list[MonitorResult]] = {}
    for (_, monitor_id, _), points in history.items():
        monitor = monitor_of_test(monitor_id)
        if monitor is not None:
            newest.setdefault(monitor, []).append(points[-1][1])
    results_at = max((points[-1][0] for points in history.values()), default=None)
    return Since(lists, cycles, shots, frame, newest, results_at), history


def _messages(
    connection: Connection, vehicle_id: int, start: int, end: int
) -> list[tuple[int, contract.Report]]:
    """The readings of a time, in order of the moment at which they were observed."""
    after = fold_states.place_before(connection, vehicle_id, start)
    found = [
        (one.observed_at, one.placed.report)
        for one in stored_reports(connection, vehicle_id, after, (start, end))
        if one.observed_at is not None
    ]
    return sorted(found, key=itemgetter(0))


def _snapshot(at: int, message: contract.Report) -> list[Snapshot]:
    live = {} if message.live is UNSET else message.live
    rpm, load = message.engine_speed_rpm, live.get("engine_load_pct")
    coolant = message.coolant_c
    if rpm is UNSET or load is None or coolant is UNSET or rpm <= 0:
        return []
    return [Snapshot(at, rpm, load, coolant)]
