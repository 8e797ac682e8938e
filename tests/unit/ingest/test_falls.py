"""Counters that run backwards, through the fold: they only go up (SAE J1979; C), but for a clear, a
roll-over, and a pair that is halved at its top (13 CCR 1968.2 (d)(5), from memory).
"""

from __future__ import annotations

from typing import Any

import pytest

from gateway.contract import Calibration, EcuReading
from gateway.facts import Monitor
from ingest.domain.episodes import Episode, fold, start
from ingest.domain.integrity import doubts
from ingest.domain.picture import Picture
from tests.support.reports import report, vehicle

DONE = {Monitor.CATALYST: True, Monitor.EVAPORATIVE_SYSTEM: True}
TRIED = "catalyst_bank_1_conditions"


def folded(*readings: dict[str, Any]) -> tuple[Picture, list[Episode]]:
    """The picture and events of a vehicle from readings an hour apart."""
    state, told = start(), list[Episode]()
    for number, values in enumerate(readings, start=1):
        ecu = EcuReading(monitors=DONE, **values.pop("ecu", {}))
        step = fold(state, report(1, number, ecus={"7E8": ecu}, **values), "")
        state, told = step.state, told + step.changed
    return state.picture, told


def fallen(told: list[Episode]) -> list[str]:
    return [one.subject for one in told if one.kind == "counter_fell"]


@pytest.mark.parametrize(
    "before, now, subjects",
    [
        pytest.param({"odometer_km": 900.0}, {"odometer_km": 894.9}, ["odometer_km"], id="odo"),
        pytest.param({"odometer_km": 900.0}, {"odometer_km": 895.0}, [], id="within 5 km"),
        # A single fall that the time since cannot explain as a clear: 300 km in an hour.
        pytest.param(
            {"distance_since_clear_km": 900.0}, {"distance_since_clear_km": 600.0},
            ["distance_since_clear_km"], id="distance since clear",
        ),
        pytest.param(
            {"distance_since_clear_km": 900.0}, {"distance_since_clear_km": 20.0}, [],
            id="distance since clear, of a clear",
        ),
        pytest.param(
            {"warm_ups_since_clear": 90}, {"warm_ups_since_clear": 80},
            ["warm_ups_since_clear"], id="warm-ups since clear",
        ),
        pytest.param(
            {"warm_ups_since_clear": 90}, {"warm_ups_since_clear": 89}, [], id="warm-ups, one less"
        ),
        pytest.param(
            {"minutes_since_clear_min": 65_530}, {"minutes_since_clear_min": 900}, [],
            id="minutes, near their top",
        ),
        pytest.param(
            {"ecu": {"in_use_counters": {TRIED: 40}}}, {"ecu": {"in_use_counters": {TRIED: 39}}},
            [f"7E8 {TRIED}"], id="in-use counter",
        ),
        pytest.param(
            {"ecu": {"in_use_counters": {TRIED: 65_534}}},
            {"ecu": {"in_use_counters": {TRIED: 32_767}}}, [], id="in-use counter, halved",
        ),
        pytest.param(
            {"ecu": {"in_use_counters": {TRIED: 40}, "calibrations": [Calibration(id="A")]}},
            {"ecu": {"in_use_counters": {TRIED: 0}, "calibrations": [Calibration(id="B")]}},
            [], id="in-use counter, other software",
        ),
    ],
)  # fmt: skip
def test_what_fell_and_what_may_fall(before: Any, now: Any, subjects: list[str]) -> None:
    odometer = {} if "odometer_km" in before else {"odometer_km": 1000.0}
    _, told = folded({**odometer, **before}, {**odometer, **now})
    assert fallen(told) == subjects


def test_a_fall_is_told_with_both_values_and_what_to_look_at() -> None:
    picture, told = folded({"odometer_km": 1609.344}, {"odometer_km": 804.672})
    found = [one for one in doubts(vehicle(1), picture, told) if one.kind == "counter"]
    # NIST SP 811: 1.609344 km are a mile.
    assert [one.text for one in found] == ["The odometer fell from 1,000 to 500 mi."]
    assert "cluster" in found[0].look_at


def test_an_in_use_counter_is_told_with_its_ecu() -> None:
    picture, told = folded(
        {"ecu": {"in_use_counters": {TRIED: 40}}}, {"ecu": {"in_use_counters": {TRIED: 12}}}
    )
    found = [one for one in doubts(vehicle(1), picture, told) if one.kind == "counter"]
    assert found[0].text.startswith("ECU 7E8: the in-use counter catalyst bank 1 conditions fell")


def test_monitors_supported_at_first_are_kept_through_the_fold_until_they_are_back() -> None:
    """An ECU keeps its set of monitors for life: another set hides something (issue of trust)."""
    full = {Monitor.CATALYST: True, Monitor.EVAPORATIVE_SYSTEM: True}
    less = {Monitor.CATALYST: True}
    state = start()

    def read(number: int, monitors: dict[Monitor, bool], **more: Any) -> list[Monitor] | None:
        nonlocal state
        ecu = EcuReading(monitors=monitors, **more)
        state = fold(state, report(1, number, ecus={"7E8": ecu}), "").state
        return state.picture.ecus["7E8"].supported_before

    assert read(1, full) is None
    assert read(2, less) == list(full)
    assert read(3, less) == list(full), "it stays so while the same is missing"
    assert read(4, full) is None, "all are back"
    assert read(5, less, calibrations=[Calibration(id="A")]) == list(full)
    assert read(6, less, calibrations=[Calibration(id="B")]) is None, "other software, another set"
