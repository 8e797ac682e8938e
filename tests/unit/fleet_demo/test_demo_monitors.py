"""When monitors run: the everyday pattern and the evaporative test, at and around each limit."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest

from fleet_demo import physics
from fleet_demo.monitors import COMPRESSION, EVAPORATIVE, SPARK, Conditions

GOOD = Conditions(
    engine_on_s=600, fast_s=300, longest_idle_s=30, soak_s=21600, fuel_pct=50, ambient_c=20
)
EVAP = next(monitor for monitor in SPARK if monitor.name == EVAPORATIVE)

COUNTED = [
    # 13 CCR 1968.2(d): 600 s, 300 s at 25 mph, 30 s of idle, 20 degF (from memory)
    ("engine_on_s", 600.0, True), ("engine_on_s", 599.0, False),
    ("fast_s", 300.0, True), ("fast_s", 299.0, False),
    ("longest_idle_s", 30.0, True), ("longest_idle_s", 29.0, False),
    ("ambient_c", -6.7, True), ("ambient_c", -6.8, False),
]  # fmt: skip


@pytest.mark.parametrize("name, value, expected", COUNTED)
def test_a_counted_driving_cycle(name: str, value: float, expected: bool) -> None:
    assert replace(GOOD, **{name: value}).counted() is expected


EVAP_ROWS = [
    # fuel above 85 %: 13 CCR 1968.2(e)(4.3.3) (A*); soak, 15 % and 40-95 degF from memory
    ("soak_s", 21600.0, True), ("soak_s", 21599.0, False), ("soak_s", None, True),
    ("fuel_pct", 15.0, True), ("fuel_pct", 14.9, False),
    ("fuel_pct", 85.0, True), ("fuel_pct", 85.1, False),
    ("ambient_c", 4.4, True), ("ambient_c", 4.3, False),
    ("ambient_c", 35.0, True), ("ambient_c", 35.1, False),
    ("fast_s", 299.0, False),
]  # fmt: skip


@pytest.mark.parametrize("name, value, expected", EVAP_ROWS)
def test_the_evaporative_test_qualifies(name: str, value: float | None, expected: bool) -> None:
    changed: dict[str, Any] = {name: value}
    assert EVAP.qualifies(replace(GOOD, **changed)) is expected


@pytest.mark.parametrize(
    "start, peak, expected",
    [
        # 40 degF of rise and 160 degF reached, workshop manuals (B)
        pytest.param(48.9, 71.1, True, id="at both limits"),
        pytest.param(49.0, 71.1, False, id="rise just short"),
        pytest.param(20.0, 71.0, False, id="peak just short"),
        pytest.param(80.0, 95.0, False, id="started warm"),
    ],
)
def test_a_warm_up_cycle(start: float, peak: float, expected: bool) -> None:
    assert physics.is_warm_up(start, peak) is expected


def test_no_two_monitors_share_a_bit() -> None:
    for fitted in (SPARK, COMPRESSION):
        places = [(monitor.byte, monitor.bit) for monitor in fitted]
        assert len(set(places)) == len(places)
