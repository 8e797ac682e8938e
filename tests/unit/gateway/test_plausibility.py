"""Plausibility rules at, just before and just after their limits.

The limits are common practice without a source unless a row says otherwise; each table holds
vehicles that are well beside ones that are not.
"""

from __future__ import annotations

import re

import pytest

from gateway.protocol.live import all_rows_for
from gateway.protocol.plausibility import (
    COLD_SOAK_S,
    PRACTICE,
    RULES,
    STUCK_READINGS,
    implausible,
)

WARM = {
    "coolant_c": 90.0,
    "intake_air_c": 30.0,
    "ambient_c": 20.0,
    "barometric_kpa": 101.0,
    "module_v": 14.2,
    "engine_speed_rpm": 800.0,
    "engine_run_s": 1800.0,
    "manifold_pressure_kpa": 35.0,
    "mass_air_flow_g_s": 3.2,
}


def rules(now, earlier=(), soak_s=None) -> list[str]:
    return [found.rule for found in implausible(now, earlier, soak_s)]


def test_a_warm_engine_at_idle_is_plausible():
    assert rules(WARM) == []


def test_a_reading_without_values_says_nothing():
    assert rules({}) == []


@pytest.mark.parametrize(
    "coolant, air, soak_s, run_s, found",
    [
        pytest.param(60, 5, COLD_SOAK_S, 0, True, id="warm after a night"),
        pytest.param(-20, 5, COLD_SOAK_S, 0, True, id="too cold after a night"),
        pytest.param(25, 5, COLD_SOAK_S, 0, False, id="20 degrees apart"),
        pytest.param(26, 5, COLD_SOAK_S, 0, True, id="21 degrees apart"),
        pytest.param(60, 5, COLD_SOAK_S - 1, 0, False, id="just short of the soak"),
        pytest.param(60, 5, None, 0, False, id="soak not known"),
        pytest.param(60, 5, COLD_SOAK_S, 60, True, id="a minute after the start"),
        pytest.param(60, 5, COLD_SOAK_S, 61, False, id="running for longer"),
    ],
)
def test_coolant_and_air_are_one_after_a_cold_soak(coolant, air, soak_s, run_s, found):
    now = {"coolant_c": coolant, "intake_air_c": air, "engine_run_s": run_s}
    assert ("cold_soak_coolant_intake_air_c" in rules(now, soak_s=soak_s)) is found


def test_ambient_air_is_a_second_witness_of_the_cold_soak():
    now = {"coolant_c": 60.0, "ambient_c": 5.0}
    (found,) = implausible(now, soak_s=9 * 3600)
    assert found.rule == "cold_soak_coolant_ambient_c"
    assert "60 degC" in found.text
    assert "9 h" in found.text
    assert found.basis == PRACTICE


def moving(count: int, air_flow, top_rpm: float = 2000.0):
    """`count` readings in which the engine speed climbs from 1000 rpm to `top_rpm`."""
    step = (top_rpm - 1000.0) / (count - 1)
    return [
        {**WARM, "engine_speed_rpm": 1000.0 + place * step, "mass_air_flow_g_s": air_flow(place)}
        for place in range(count)
    ]


@pytest.mark.parametrize(
    "readings, found",
    [
        pytest.param(moving(STUCK_READINGS, lambda _: 5.0), True, id="stuck"),
        pytest.param(moving(STUCK_READINGS, lambda place: 5.0 + place), False, id="moving"),
        pytest.param(
            moving(STUCK_READINGS, lambda place: 5.0 + (place == 0)), False, id="moved once"
        ),
        pytest.param(moving(STUCK_READINGS - 1, lambda _: 5.0), False, id="one reading short"),
        pytest.param(
            moving(STUCK_READINGS, lambda _: 5.0, 1999.0), False, id="engine speed near steady"
        ),
        pytest.param(moving(STUCK_READINGS + 1, lambda _: 5.0, 2100.0), True, id="one more"),
        pytest.param(
            [{"coolant_c": 90.0}, *moving(STUCK_READINGS, lambda _: 5.0)],
            True,
            id="readings without the sensor do not count",
        ),
    ],
)
def test_a_sensor_that_never_moves_with_the_engine_is_stuck(readings, found):
    *earlier, now = readings
    assert ("stuck_mass_air_flow_g_s" in rules(now, earlier)) is found


@pytest.mark.parametrize(
    "name, value, words",
    [
        # The ends of the range: SAE J1979 as tabulated (B); what they mean is common practice.
        pytest.param("coolant_c", -40, "reference voltage", id="coolant at its lowest"),
        pytest.param("coolant_c", -39, None, id="a very cold morning"),
        pytest.param("coolant_c", 139, None, id="overheating, which is a fact"),
        pytest.param("coolant_c", 140, "ground", id="coolant shorted"),
        pytest.param("intake_air_c", -40, "reference voltage", id="intake at its lowest"),
        pytest.param("ambient_c", 80, "ground", id="ambient shorted"),
        pytest.param("ambient_c", 55, None, id="a desert"),
    ],
)
def test_a_temperature_at_the_end_of_its_range_is_a_wire(name, value, words):
    texts = [found.text for found in implausible({name: value}) if found.rule == f"ends_{name}"]
    assert (not texts) if words is None else (words in texts[0])


@pytest.mark.parametrize(
    "changes, earlier, found",
    [
        # 71 degC: warm-up cycle of workshop manuals (B); 20 minutes: common practice.
        pytest.param({"coolant_c": 71.0, "engine_run_s": 1200}, (), False, id="at 71 degC"),
        pytest.param({"coolant_c": 70.0, "engine_run_s": 1200}, (), True, id="just below"),
        pytest.param({"coolant_c": 70.0, "engine_run_s": 1199}, (), False, id="a second early"),
        pytest.param({"coolant_c": 50.0, "ambient_c": -11.0}, (), False, id="bitter cold"),
        pytest.param({"coolant_c": 50.0, "ambient_c": -10.0}, (), True, id="cold"),
        pytest.param({"coolant_c": 60.0}, ({"coolant_c": 80.0},), False, id="was warm before"),
    ],
)
def test_an_engine_that_never_warms_up_is_told(changes, earlier, found):
    assert ("thermostat_never_warm" in rules({**WARM, **changes}, earlier)) is found


@pytest.mark.parametrize(
    "volts, rpm, found",
    [
        pytest.param(12.0, 800, False, id="lowest of a 12 V system"),
        pytest.param(11.99, 800, True, id="just below"),
        pytest.param(15.5, 800, False, id="highest of a 12 V system"),
        pytest.param(15.6, 800, True, id="just above"),
        pytest.param(23.9, 800, True, id="between the systems"),
        pytest.param(28.0, 800, False, id="a 24 V system"),
        pytest.param(31.1, 800, True, id="above a 24 V system"),
        pytest.param(11.0, 0, False, id="engine not running"),
    ],
)
def test_the_voltage_of_a_running_engine_lies_in_a_charging_band(volts, rpm, found):
    now = {"module_v": volts, "engine_speed_rpm": rpm}
    assert ("system_voltage" in rules(now)) is found


@pytest.mark.parametrize(
    "manifold, rpm, found",
    [
        pytest.param(101, 0, False, id="engine standing, one pressure"),
        pytest.param(91, 0, False, id="10 kPa apart"),
        pytest.param(90, 0, True, id="11 kPa apart"),
        pytest.param(0, 0, True, id="signal at ground"),
        pytest.param(255, 0, True, id="signal at reference"),
        pytest.param(35, 800, False, id="engine running"),
    ],
)
def test_the_manifold_of_a_standing_engine_is_at_outside_pressure(manifold, rpm, found):
    now = {"manifold_pressure_kpa": manifold, "barometric_kpa": 101, "engine_speed_rpm": rpm}
    assert ("manifold_against_barometric" in rules(now)) is found


@pytest.mark.parametrize(
    "value, found",
    [(49.0, True), (50.0, False), (110.0, False), (111.0, True)],
)
def test_outside_pressure_is_that_of_a_road(value, found):
    assert ("outside_barometric_kpa" in rules({"barometric_kpa": value})) is found


@pytest.mark.parametrize(
    "flow, rpm, found", [(0.0, 800, True), (0.01, 800, False), (0.0, 0, False)]
)
def test_a_running_engine_draws_air(flow, rpm, found):
    now = {"mass_air_flow_g_s": flow, "engine_speed_rpm": rpm}
    assert ("no_air_flow" in rules(now)) is found


def test_every_rule_has_a_name_and_a_basis_and_needs_values_that_are_read():
    known = {
        part.name for row in all_rows_for(frozenset(range(1, 256))).values() for part in row.parts
    } | {"oxygen_sensor_bank_2_sensor_1_v"}
    names = [rule.name for rule in RULES]
    assert len(set(names)) == len(names)
    for rule in RULES:
        assert re.fullmatch(r"[a-z][a-z0-9_]{0,47}", rule.name)
        assert 0 < len(rule.basis) <= 128
        assert set(rule.needs) <= known
