"""The cause that weighs most, one condition spoilt at a time (limits as in `cycle_conditions`)."""

from __future__ import annotations

from typing import Any

import pytest

from gateway.facts import CycleStatus, Ignition, Monitor
from ingest.domain.cycles import Cycle
from ingest.domain.picture import EcuPicture, Picture
from ingest.domain.stuck_causes import Cause, causes

DAY = 86_400_000
CAT, EVAP = Monitor.CATALYST, Monitor.EVAPORATIVE_SYSTEM
GOOD: dict[str, Any] = {
    "propulsion_on_s": 1500.0, "engine_on_s": 1490.0, "seconds_at_or_above_40_kmh": 700.0,
    "longest_idle_s": 60.0, "coolant_start_c": 16.0, "coolant_peak_c": 90.0, "soak_s": 40_000.0,
    "ambient_c": 15.0, "barometric_kpa": 98.0, "fuel_start_pct": 50.0,
}  # fmt: skip


def cycles(count: int = 12, **changes: Any) -> list[Cycle]:
    return [
        Cycle(journal="j", seq=n + 1, observed_at=n * DAY, started_at=n * DAY, ended_at=n * DAY + 9,
              **(GOOD | changes))
        for n in range(count)
    ]  # fmt: skip


def picture(**ecu: Any) -> Picture:
    return Picture(ecus={"7E8": EcuPicture(heard_at=1, ignition=Ignition.SPARK, **ecu)})


@pytest.mark.parametrize(
    "monitor, changes, ecu, first",
    [
        pytest.param(EVAP, {"fuel_start_pct": 86.0}, {}, Cause.FUEL, id="above 85 %"),
        pytest.param(EVAP, {"fuel_start_pct": 85.0}, {}, Cause.STANDS_STILL, id="at 85 %"),
        pytest.param(EVAP, {"fuel_start_pct": 15.0}, {}, Cause.FUEL, id="at 15 %"),
        pytest.param(CAT, {"fuel_start_pct": 99.0}, {}, Cause.STANDS_STILL, id="not of evap"),
        pytest.param(EVAP, {"soak_s": 3600.0, "coolant_start_c": 60.0}, {}, Cause.SOAK, id="warm"),
        pytest.param(EVAP, {"ambient_c": 4.0}, {}, Cause.AMBIENT, id="below 40 degF"),
        pytest.param(CAT, {"ambient_c": 4.0}, {}, Cause.STANDS_STILL, id="cold, not for others"),
        pytest.param(CAT, {"ambient_c": -7.0}, {}, Cause.AMBIENT, id="below 20 degF"),
        pytest.param(CAT, {"engine_on_s": 599.0}, {}, Cause.SHORT, id="too short"),
        pytest.param(CAT, {"engine_on_s": 0.0}, {}, Cause.NO_ENGINE, id="plug-in"),
        pytest.param(CAT, {"coolant_peak_c": 70.0}, {}, Cause.COLD_ENGINE, id="thermostat"),
        pytest.param(CAT, {"coolant_peak_c": 70.0}, {"confirmed": ["P0128"]}, Cause.COLD_ENGINE,
                     id="thermostat and its code are one"),
        pytest.param(CAT, {"barometric_kpa": 75.0}, {}, Cause.ALTITUDE, id="above 8,000 ft"),
        pytest.param(CAT, {}, {"pending": ["P0133"]}, Cause.CODE, id="a pending code blocks"),
        pytest.param(CAT, {}, {"confirmed": ["P0442"]}, Cause.STANDS_STILL, id="this one does not"),
        pytest.param(CAT, {}, {"monitors_this_cycle": {CAT: CycleStatus.DISABLED}},
                     Cause.STANDS_STILL, id="disabled weighs little beside that"),
    ],
)  # fmt: skip
def test_the_cause_named_first(
    monitor: Monitor, changes: dict[str, Any], ecu: dict[str, Any], first: Cause
) -> None:
    found = causes(monitor, picture(**ecu), cycles(**changes))
    assert found[0].cause is first
    assert [one.weight for one in found] == sorted((one.weight for one in found), reverse=True)


def test_nothing_known_names_nothing() -> None:
    assert causes(CAT, picture(), []) == []
    blank = dict.fromkeys(("coolant_peak_c", "ambient_c", "fuel_start_pct", "soak_s",
                           "coolant_start_c", "barometric_kpa"))  # fmt: skip
    assert causes(EVAP, picture(), cycles(2, **blank)) == []


def test_disabled_is_named_where_nothing_else_is_known() -> None:
    disabled = picture(monitors_this_cycle={EVAP: CycleStatus.DISABLED})
    assert [one.cause for one in causes(EVAP, disabled, [])] == [Cause.DISABLED]
