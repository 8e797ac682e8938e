"""When a repair is shown to hold. "Complete" means ran, not passed (New York's note; A); similar
conditions 375 rpm, 20 % load, same warm-up state (13 CCR 1968.2, from memory).
"""

from __future__ import annotations

from typing import Any

import pytest

from gateway.contract import FreezeFrame, MonitorResult
from gateway.facts import Monitor
from ingest.domain.cycles import Cycle
from ingest.domain.episodes import Episode
from ingest.domain.repairs import Repair
from ingest.domain.verification import BACK_KM, Since, Snapshot, State, family, margin_of, prove

DAY = 86_400_000
AT = 1_000 * DAY
REPAIR = Repair(AT, "R. Diaz", "replaced a part", ("P0442",))
EVAP = Monitor.EVAPORATIVE_SYSTEM
FRAME = FreezeFrame(
    frame=0, code="P0300",
    values={"engine_speed_rpm": 2000.0, "engine_load_pct": 50.0, "coolant_c": 90.0},
)  # fmt: skip


def cycle(day: float, *completed: Monitor, km: float = 10.0) -> Cycle:
    at = AT + int(day * DAY)
    return Cycle(
        journal="j", seq=1, observed_at=at, started_at=at, ended_at=at + 1000, propulsion_on_s=1,
        engine_on_s=1, distance_km=km, monitors_completed=list(completed),
    )  # fmt: skip


def code(subject: str, day: float, end: float | None = None) -> Episode:
    return Episode(
        kind="code", subject=subject, started_at=AT + int(day * DAY), start_key=("j", 1),
        ended_at=None if end is None else AT + int(end * DAY),
    )  # fmt: skip


def read(*days: float) -> list[int]:
    return [AT + int(day * DAY) for day in days]


def result(value: float, passed: bool) -> MonitorResult:
    return MonitorResult(
        monitor_id=0x3B, test_id=0x80, scaling_id=0x05, value=value, low=0, high=100, passed=passed
    )


def state(what: str, repair: Repair | None, events: list[Episode], **since: Any) -> State:
    return prove(what, repair, events, Since(**since), [EVAP, Monitor.CATALYST]).state


RAN: dict[str, Any] = {"cycles": [cycle(1, EVAP)], "code_lists_at": read(2)}


@pytest.mark.parametrize(
    "repair, events, since, expected",
    [
        pytest.param(None, [], RAN, State.OPEN, id="no repair"),
        pytest.param(REPAIR, [], {}, State.TRIED, id="nothing read since"),
        pytest.param(REPAIR, [], {"cycles": [cycle(1)], "code_lists_at": read(2)},
                     State.NOT_SHOWN, id="the monitor has not run"),
        pytest.param(REPAIR, [], {**RAN, "code_lists_at": read(0.5)}, State.NOT_SHOWN,
                     id="ran, but no code list after it: not passed"),
        pytest.param(REPAIR, [], RAN, State.VERIFIED, id="ran and passed"),
        pytest.param(REPAIR, [code("P0442:permanent", -3)], RAN, State.NOT_SHOWN,
                     id="the permanent code is left"),
        pytest.param(REPAIR, [code("P0442:permanent", -3, 2)], RAN, State.VERIFIED,
                     id="the ECU erased the permanent code"),
        pytest.param(REPAIR, [], {**RAN, "results": {EVAP: [result(120, False)]},
                                  "results_at": AT + 2 * DAY}, State.NOT_SHOWN, id="result failed"),
        pytest.param(REPAIR, [code("P0455:pending", 29)], RAN, State.CAME_BACK,
                     id="the same family within 30 days"),
        pytest.param(REPAIR, [code("P0455:pending", 31)],
                     {**RAN, "cycles": [cycle(1, EVAP, km=BACK_KM - 1)]}, State.CAME_BACK,
                     id="or within 1,000 miles"),
        pytest.param(REPAIR, [code("P0455:pending", 31)],
                     {**RAN, "cycles": [cycle(1, EVAP, km=BACK_KM + 1)]}, State.VERIFIED,
                     id="later than both is another fault"),
        pytest.param(REPAIR, [code("P0420:pending", 3)], RAN, State.VERIFIED, id="another family"),
        pytest.param(REPAIR, [code("P0442:pending", -9, -8), code("P0442:pending", -5, -4)], RAN,
                     State.NOT_SHOWN, id="intermittent needs more"),
    ],
)  # fmt: skip
def test_monitors_that_run_once_a_cycle(
    repair: Repair | None, events: list[Episode], since: dict[str, Any], expected: State
) -> None:
    assert state("P0442", repair, events, **since) is expected


def shots(rpm: float, load: float, coolant: float, count: int) -> dict[str, Any]:
    return {
        "cycles": [cycle(day) for day in range(1, count + 1)],
        "code_lists_at": read(count + 0.5),
        "snapshots": [Snapshot(AT + day * DAY, rpm, load, coolant) for day in range(1, count + 1)],
        "frame": FRAME,
    }


@pytest.mark.parametrize(
    "since, expected",
    [
        pytest.param({**RAN}, State.NOT_SHOWN, id="never from readiness"),
        pytest.param(shots(2375, 70, 80, 3), State.VERIFIED, id="at the limits, three cycles"),
        pytest.param(shots(2376, 70, 80, 3), State.NOT_SHOWN, id="too fast"),
        pytest.param(shots(2375, 70.1, 80, 3), State.NOT_SHOWN, id="too much load"),
        pytest.param(shots(2000, 50, 70, 3), State.NOT_SHOWN, id="another warm-up state"),
        pytest.param(shots(2000, 50, 90, 2), State.NOT_SHOWN, id="two cycles"),
    ],
)
def test_misfire_needs_its_freeze_frame_conditions(since: dict[str, Any], expected: State) -> None:
    assert state("P0300", REPAIR, [], **since) is expected


def test_a_family_and_a_margin() -> None:
    assert family("P0442") == family("P0455") != family("P0420")
    assert margin_of(result(90, True)) == pytest.approx(0.1)
    assert margin_of(result(0, True)) == pytest.approx(1.0)
