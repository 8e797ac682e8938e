"""What shows a clear in two readings. Permanent codes outlive a clear and are erased before the
confirmed one when the fault is gone (13 CCR 1968.2 (d)(2.5.1); A*); in-use counters restart with
new software (from memory).
"""

from __future__ import annotations

from typing import Any

import pytest

from gateway.contract import Calibration, EcuReading, Report
from gateway.facts import Monitor
from ingest.domain.episodes import Episode, fold, start
from tests.support.reports import report

CAT = Monitor.CATALYST
DONE = {CAT: True}


def folded(*readings: dict[str, Any]) -> list[Episode]:
    """The events of a vehicle from readings of its ECUs an hour apart."""
    state, told = start(), list[Episode]()
    for number, ecus in enumerate(readings, start=1):
        more = {k: v for k, v in ecus.items() if not k.startswith("7E")}
        message: Report = report(
            1, number, ecus={k: v for k, v in ecus.items() if k.startswith("7E")}, **more
        )
        step = fold(state, message, "")
        state, told = step.state, told + step.changed
    return told


def kinds(told: list[Episode]) -> list[str]:
    return [one.kind for one in told if one.kind in {"clear", "software_changed"}]


LIT = EcuReading(mil=True, monitors=DONE, confirmed=["P0420"], permanent=["P0420"])


@pytest.mark.parametrize(
    "after, cleared",
    [
        pytest.param({"confirmed": [], "permanent": ["P0420"]}, True, id="the permanent one left"),
        pytest.param({"confirmed": [], "permanent": []}, False, id="both gone: the fault is gone"),
        pytest.param({"confirmed": []}, False, id="permanent not answered"),
        pytest.param({"confirmed": [], "permanent": ["P0171"]}, False, id="another permanent one"),
        pytest.param({"permanent": ["P0420"]}, False, id="confirmed not answered"),
    ],
)
def test_a_code_list_that_empties(after: dict[str, Any], cleared: bool) -> None:
    told = folded({"7E8": LIT}, {"7E8": EcuReading(mil=False, monitors=DONE, **after)})
    assert kinds(told) == (["clear"] if cleared else [])


def test_one_clear_is_told_once_though_its_signs_come_one_by_one() -> None:
    told = folded(
        {"7E8": LIT, "warm_ups_since_clear": 90, "distance_since_clear_km": 900.0},
        {"7E8": EcuReading(mil=False), "warm_ups_since_clear": 0, "distance_since_clear_km": 1.0},
        {"7E8": EcuReading(monitors={CAT: False})},
        {"7E8": EcuReading(confirmed=[], permanent=["P0420"])},
    )
    assert kinds(told) == ["clear"]


def test_another_ecus_counter_is_no_clear() -> None:
    both = {"7E8": EcuReading(monitors=DONE), "7E9": EcuReading(mil=False)}
    told = folded(
        {**both, "warm_ups_since_clear": 90, "distance_since_clear_km": 900.0},
        {"7E9": both["7E9"], "warm_ups_since_clear": 1, "distance_since_clear_km": 20.0},
        {**both, "warm_ups_since_clear": 91, "distance_since_clear_km": 910.0},
    )
    assert kinds(told) == []


@pytest.mark.parametrize(
    "clock, cleared",
    [
        # Fifty warm-ups do not fit into an hour: another counter, not this one restarted.
        pytest.param({}, False, id="an hour later by its clock"),
        # After a loss of power the reading lies an hour later at the earliest, or a month.
        pytest.param({"taken_at": None, "clock": "unset", "boot_no": 2}, True, id="clock unset"),
    ],
)
def test_a_counter_that_fell_alone_fits_into_the_time_since(
    clock: dict[str, Any], cleared: bool
) -> None:
    told = folded(
        {"7E8": EcuReading(monitors=DONE), "warm_ups_since_clear": 200},
        {"7E8": EcuReading(monitors=DONE), "warm_ups_since_clear": 50, **clock},
    )
    assert kinds(told) == (["clear"] if cleared else [])


def test_a_clear_notes_what_may_tell_its_cause() -> None:
    told = folded(
        {"7E8": EcuReading(monitors=DONE, in_use_counters={"ignition_cycles": 70})},
        {"7E8": EcuReading(monitors={CAT: False})},
    )
    (clear,) = [one for one in told if one.kind == "clear"]
    assert clear.details["gateway_kept_power"] is True
    assert clear.details["ignition_cycles_before"] == {"7E8": 70}
    assert clear.details["not_before"] is not None
    assert clear.details["kept_complete"] == []


@pytest.mark.parametrize(
    "before, after, changed",
    [
        pytest.param({"calibrations": [Calibration(id="A1")]}, {"calibrations": [
            Calibration(id="A2")]}, True, id="another calibration"),
        pytest.param({"calibrations": [Calibration(id="A1", cvn="0000000A")]}, {"calibrations": [
            Calibration(id="A1", cvn="0000000B")]}, True, id="another verification number"),
        pytest.param({"calibrations": [Calibration(id="A1", cvn="0000000A")]}, {"calibrations": [
            Calibration(id="A1")]}, False, id="the number not given"),
        pytest.param({"in_use_counters": {"ignition_cycles": 500}}, {"in_use_counters": {
            "ignition_cycles": 2}}, True, id="in-use counters restarted"),
        pytest.param({"in_use_counters": {"ignition_cycles": 65_535}}, {"in_use_counters": {
            "ignition_cycles": 2}}, False, id="rolled over"),
    ],
)  # fmt: skip
def test_software_that_changed(before: Any, after: Any, changed: bool) -> None:
    told = folded({"7E8": EcuReading(**before)}, {"7E8": EcuReading(**after)})
    assert kinds(told) == (["software_changed"] if changed else [])
