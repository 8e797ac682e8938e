"""Driving cycles that count, at each threshold: 13 CCR 1968.2 (d)(4.3), (d)(2.4); from memory."""

from __future__ import annotations

import msgspec
import pytest

from gateway.facts import Monitor
from ingest.domain.cycle_conditions import (
    counts_for,
    evaporative_denominator,
    general_denominator,
    opportunities,
    warm_up,
)
from ingest.domain.cycles import Cycle

GOOD = Cycle(
    journal="j", seq=1, observed_at=0, started_at=0, ended_at=900_000, propulsion_on_s=900,
    engine_on_s=900, seconds_at_or_above_40_kmh=400, longest_idle_s=45, coolant_start_c=20,
    coolant_peak_c=90, ambient_c=18, barometric_kpa=98,
)  # fmt: skip


def changed(**facts: object) -> Cycle:
    return msgspec.structs.replace(GOOD, **facts)


@pytest.mark.parametrize(
    "name, at, before, failed",
    [
        pytest.param("engine_on_s", 600, 599, "run time", id="600 s"),
        pytest.param("seconds_at_or_above_40_kmh", 300, 299, "time at speed", id="300 s at speed"),
        pytest.param("longest_idle_s", 30, 29, "idle", id="30 s idle"),
        pytest.param("ambient_c", -6.66, -6.7, "ambient", id="20 degF"),
        pytest.param("barometric_kpa", 75.3, 75.2, "pressure", id="8,000 ft"),
    ],
)
def test_the_general_denominator_at_and_before_each_threshold(
    name: str, at: float, before: float, failed: str
) -> None:
    assert general_denominator(changed(**{name: at})).met is True
    short = general_denominator(changed(**{name: before}))
    assert (short.met, short.failed) == (False, (failed,))


def test_the_vehicles_own_denominator_is_the_answer() -> None:
    assert general_denominator(changed(denominator_moved=True, engine_on_s=10)).met is True
    assert general_denominator(changed(denominator_moved=False)).met is False


def test_a_figure_not_given_is_cannot_tell_unless_another_condition_failed() -> None:
    assert general_denominator(changed(ambient_c=None)).met is None
    assert general_denominator(changed(ambient_c=None, engine_on_s=10)).met is False


@pytest.mark.parametrize(
    "facts, met",
    [
        pytest.param({"seconds_at_or_above_40_kmh": 200}, False, id="too little, all observed"),
        pytest.param(
            {"seconds_at_or_above_40_kmh": 200, "unobserved_s": 100}, None, id="the rest may do"
        ),
        pytest.param(
            {"seconds_at_or_above_40_kmh": 200, "unobserved_s": 99}, False, id="the rest cannot do"
        ),
        pytest.param({"unobserved_s": 600}, True, id="met by what was observed"),
    ],
)
def test_a_cycle_observed_in_part(facts: dict[str, object], met: bool | None) -> None:
    """Sums of such a cycle are at least so much (arithmetic; X)."""
    assert general_denominator(changed(**facts)).met is met


def test_a_warm_up_may_have_come_while_nobody_looked() -> None:
    assert warm_up(changed(warm_up=False, unobserved_s=300)).met is None
    assert warm_up(changed(warm_up=True, unobserved_s=300)).met is True


@pytest.mark.parametrize(
    "facts, met",
    [
        pytest.param({"coolant_start_c": 40, "coolant_peak_c": 71}, True, id="160 degF"),
        pytest.param({"coolant_start_c": 40, "coolant_peak_c": 70.9}, False, id="just below"),
        pytest.param({"coolant_start_c": 50, "coolant_peak_c": 72}, True, id="40 degF rise"),
        pytest.param({"coolant_start_c": 50.1, "coolant_peak_c": 72}, False, id="rise just short"),
        pytest.param({"coolant_start_c": None}, None, id="not given"),
        pytest.param({"warm_up": False}, False, id="as the gateway saw it"),
    ],
)
def test_warm_up(facts: dict[str, object], met: bool | None) -> None:
    assert warm_up(changed(**facts)).met is met


def test_a_diesel_is_warm_at_60_c() -> None:
    cycle = changed(coolant_peak_c=60)
    assert (warm_up(cycle, compression=True).met, warm_up(cycle).met) == (True, False)


@pytest.mark.parametrize(
    "facts, met",
    [
        pytest.param({}, True, id="a mild morning"),
        pytest.param({"ambient_c": 4.4, "coolant_start_c": 5}, False, id="below 40 degF"),
        pytest.param({"ambient_c": 35.1, "coolant_start_c": 35}, False, id="above 95 degF"),
        pytest.param({"ambient_c": 18, "coolant_start_c": 24.6}, True, id="12 degF above ambient"),
        pytest.param({"ambient_c": 18, "coolant_start_c": 24.7}, False, id="no cold soak"),
        pytest.param({"coolant_start_c": None}, None, id="coolant not given"),
        pytest.param({"engine_on_s": 599}, False, id="too short as well"),
    ],
)
def test_the_evaporative_denominator(facts: dict[str, object], met: bool | None) -> None:
    assert evaporative_denominator(changed(**facts)).met is met


def test_opportunities_are_three_counts() -> None:
    cycles = [GOOD, changed(coolant_start_c=60), changed(barometric_kpa=None)]
    assert opportunities(Monitor.EVAPORATIVE_SYSTEM, cycles) == (1, 1, 1)
    assert opportunities(Monitor.CATALYST, cycles) == (2, 0, 1)
    assert counts_for(Monitor.CATALYST, GOOD).met is True
