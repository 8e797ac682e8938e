"""One driving cycle summed up from samples.

The trip used below has the shape of the general denominator's pattern: 600 s of engine running,
300 s at or above 25 mph, 30 s of continuous idle (13 CCR 1968.2(d)(4), from memory).
"""

from __future__ import annotations

from collections.abc import Mapping
from datetime import UTC, datetime

import pytest
from msgspec import UNSET, UnsetType

from gateway.contract import EcuReading
from gateway.driving_cycle import (
    SPLIT_S,
    CycleTotals,
    Sample,
    Sampler,
    completed,
    general_denominators,
    moved,
)
from gateway.facts import Ignition, Monitor

END = datetime(2026, 11, 2, 14, 0, tzinfo=UTC)


def test_a_trip_of_the_general_pattern_is_summed_up() -> None:
    totals = CycleTotals(0.0)
    for second in range(601):
        speed = 0.0 if second < 30 else (60.0 if second < 330 else 20.0)
        totals.add(
            Sample(
                float(second),
                engine_rpm=900.0,
                speed_kmh=speed,
                coolant_c=12.0 + min(second, 400) / 5,
                fuel_pct=62.0 - second / 300,
                module_v=14.1 - (2.0 if second == 0 else 0.0),
                ambient_c=9.0,
            )
        )
    cycle = totals.finish(605.0, END, soak_s=40_000.0)
    assert (cycle.propulsion_on_s, cycle.engine_on_s) == (605.0, 600.0)
    assert (cycle.seconds_at_or_above_40_kmh, cycle.longest_idle_s) == (300.0, 30.0)
    # 300 s at 60 km/h and 270 s at 20 km/h: 5 + 1.5 km; the two ramps cancel to 1 s in all.
    assert cycle.distance_km == pytest.approx(6.5, abs=0.02)
    assert (cycle.coolant_start_c, cycle.coolant_peak_c, cycle.warm_up) == (12.0, 92.0, True)
    assert (cycle.fuel_start_pct, cycle.fuel_end_pct) == (62.0, 60.0)
    assert (cycle.lowest_v, cycle.soak_s, cycle.ambient_c) == (12.1, 40_000.0, 9.0)
    assert cycle.started_at == "2026-11-02T13:49:55.000Z"
    assert cycle.ended_at == "2026-11-02T14:00:00.000Z"


# Warm-up cycle: a rise of at least 22 degC that reaches at least 71 degC (workshop manual
# definition; B); 60 degC for compression ignition (from memory).
WARM_UPS = {
    "at both limits": (49.0, 71.0, Ignition.SPARK, True),
    "rise just below": (49.1, 71.0, Ignition.SPARK, False),
    "reach just below": (20.0, 70.9, Ignition.SPARK, False),
    "hot start": (85.0, 95.0, Ignition.SPARK, False),
    "compression at its limit": (38.0, 60.0, Ignition.COMPRESSION, True),
    "compression just below": (20.0, 59.9, Ignition.COMPRESSION, False),
}


@pytest.mark.parametrize("start, peak, ignition, warm", WARM_UPS.values(), ids=WARM_UPS.keys())
def test_a_warm_up_needs_rise_and_reach(
    start: float, peak: float, ignition: Ignition, warm: bool
) -> None:
    totals = CycleTotals(0.0, ignition)
    totals.add(Sample(0.0, coolant_c=start))
    totals.add(Sample(1.0, coolant_c=peak))
    totals.add(Sample(2.0, coolant_c=peak - 5))
    assert totals.finish(2.0, END).warm_up is warm


@pytest.mark.parametrize(
    "speed, brisk", [(39.9, 0.0), (40.0, 1.0), (40.1, 1.0)], ids=["below", "at", "above"]
)
def test_brisk_seconds_start_at_40_km_per_hour(speed: float, brisk: float) -> None:
    totals = CycleTotals(0.0)
    totals.add(Sample(0.0, speed_kmh=speed))
    totals.add(Sample(1.0, speed_kmh=0.0))
    assert totals.finish(1.0, END).seconds_at_or_above_40_kmh == brisk


@pytest.mark.parametrize(
    "gap, counted", [(4.9, 4.9), (5.0, 5.0), (5.1, 0.0)], ids=["below", "at", "above"]
)
def test_a_long_gap_says_nothing_of_the_time_between(gap: float, counted: float) -> None:
    totals = CycleTotals(0.0)
    totals.add(Sample(0.0, engine_rpm=900.0))
    totals.add(Sample(gap, engine_rpm=900.0))
    assert totals.finish(gap, END).engine_on_s == counted


@pytest.mark.parametrize(
    ("at_s", "ended_s", "unobserved"),
    [
        pytest.param((0, 1, 6), 6, UNSET, id="a gap at the limit is observed"),
        pytest.param((0, 1, 6.1), 6.1, 5.1, id="a gap just above"),
        pytest.param((0, 1, 601, 602, 1202), 1202, 1200.0, id="two silences"),
        pytest.param((0, 1), 6, UNSET, id="an end at the limit"),
        pytest.param((0, 1), 61, 60.0, id="an end long after the last sample"),
        pytest.param((100,), 100, 100.0, id="a first sample long after the beginning"),
        pytest.param((), 100, 100.0, id="no sample at all"),
    ],
)
def test_seconds_without_samples_are_said_and_stand_in_no_other_figure(
    at_s: tuple[float, ...], ended_s: float, unobserved: float | UnsetType
) -> None:
    totals = CycleTotals(0.0)
    for second in at_s:
        totals.add(Sample(float(second), engine_rpm=900.0, speed_kmh=72.0))
    cycle = totals.finish(ended_s, END)
    assert cycle.unobserved_s == unobserved
    assert cycle.propulsion_on_s == ended_s
    seen = ended_s - (unobserved if isinstance(unobserved, float) else 0.0)
    assert cycle.engine_on_s <= seen + 1e-9
    if cycle.distance_km is not UNSET:  # 72 km/h are 20 m/s
        assert cycle.distance_km == pytest.approx(cycle.engine_on_s * 0.020, abs=0.001)


def test_an_idle_does_not_last_over_a_silence() -> None:
    totals = CycleTotals(0.0)
    for second in (0, 1, 2, 3, 700, 701):
        totals.add(Sample(float(second), engine_rpm=800.0, speed_kmh=0.0, pedal_pct=0.0))
    assert totals.finish(701.0, END).longest_idle_s == 3.0


def test_a_cycle_whose_beginning_nobody_saw_has_no_figures_of_it() -> None:
    totals = CycleTotals(0.0, start_seen=False)
    totals.add(Sample(0.0, coolant_c=20.0, fuel_pct=50.0, module_v=14.0))
    totals.add(Sample(1.0, coolant_c=90.0, fuel_pct=49.0, module_v=14.0))
    cycle = totals.finish(1.0, END, soak_s=40_000.0)
    unseen = ["coolant_start_c", "fuel_start_pct", "soak_s", "warm_up"]
    assert [getattr(cycle, name) for name in unseen] == [UNSET] * 4
    assert cycle.not_given is not UNSET
    assert set(unseen) <= set(cycle.not_given)
    assert (cycle.coolant_peak_c, cycle.fuel_end_pct, cycle.lowest_v) == (90.0, 49.0, 14.0)


def test_what_no_sample_held_is_left_out() -> None:
    totals = CycleTotals(0.0)
    totals.add(Sample(0.0))
    cycle = totals.finish(10.0, END)
    assert (cycle.distance_km, cycle.warm_up, cycle.soak_s, cycle.lowest_v) == (UNSET,) * 4


def test_time_never_runs_backwards() -> None:
    totals = CycleTotals(10.0)
    with pytest.raises(ValueError, match="not before"):
        totals.add(Sample(9.0))


# `41 0C 1F 40` = 2000 rpm; `41 0D 5A` = 90 km/h; `41 05 7B` = 83 degC (published; C, X);
# `41 42 36 B0` = 14.000 V (constructed; X); `41 5A` A*100/255 % (SAE J1979, from memory).
FAST, SLOW = b"\x01\x0c\x0d\x05\x42\x5a", b"\x01\x46\x2f\x33"
ANSWERS: dict[str, tuple[dict[bytes, str], Sample | None]] = {
    "several at once": (
        {FAST: "410C1F400D5A057B4236B05A33"},
        Sample(1.0, engine_rpm=2000, speed_kmh=90, coolant_c=83, module_v=14.0, pedal_pct=20.0),
    ),
    "the slow ones too": (
        {FAST: "410D5A", SLOW: "4146322FFF3364"},
        Sample(1.0, speed_kmh=90, ambient_c=10, fuel_pct=100, barometric_kpa=100),
    ),
    "one by one where several are refused": (
        {b"\x01\x0c": "410C1F40", b"\x01\x0d": "410D5A", b"\x01\x05": "41057B"},
        Sample(1.0, engine_rpm=2000, speed_kmh=90, coolant_c=83),
    ),
    "cut short": ({FAST: "410C1F"}, Sample(1.0)),
    "not asked for": ({FAST: "41990D5A"}, Sample(1.0)),
    "another service": ({FAST: "430D5A"}, Sample(1.0)),
    "silence": ({}, None),
}


@pytest.mark.parametrize("answers, expected", ANSWERS.values(), ids=ANSWERS.keys())
def test_a_sample_holds_what_was_answered(
    answers: dict[bytes, str], expected: Sample | None
) -> None:
    def ask(request: bytes) -> Mapping[str, bytes]:
        return {"7E8": bytes.fromhex(answers[request])} if request in answers else {}

    assert Sampler(ask).sample(1.0) == expected


def test_only_supported_values_are_asked_and_slow_ones_once_a_minute() -> None:
    asked: list[str] = []

    def ask(request: bytes) -> Mapping[str, bytes]:
        asked.append(request.hex())
        return {"7E8": b"\x41\x0d\x00"}

    sampler = Sampler(ask, {0x0C, 0x0D, 0x33, 0xA6})
    for second in (0.0, 1.0, 59.9, 60.0):
        sampler.sample(second)
    assert asked == ["010c0d", "0133", "010c0d", "010c0d", "010c0d", "0133"]


def test_a_vehicle_that_falls_silent_costs_one_request_a_sample() -> None:
    asked: list[bytes] = []

    def ask(request: bytes) -> Mapping[str, bytes]:
        asked.append(request)
        return {"7E8": b"\x41\x0d\x00"} if len(asked) < 3 else {}

    sampler = Sampler(ask, {0x0D})
    assert [sampler.sample(float(n)) is None for n in range(5)] == [False, False, True, True, True]
    assert len(asked) == 5


def test_a_hybrids_day_of_stop_and_go_is_one_cycle_and_its_stops_are_idle() -> None:
    """The cycle follows the propulsion system, not the engine (13 CCR 1968.2, from memory)."""
    totals = CycleTotals(0.0)
    for second in range(3 * 3600):
        phase = second % 120
        standing, engine = phase < 40, 60 <= phase < 100
        totals.add(
            Sample(
                float(second),
                engine_rpm=1500.0 if engine else 0.0,
                speed_kmh=0.0 if standing else 50.0,
                pedal_pct=0.0 if standing else 15.0,
            )
        )
    assert not totals.split_due(3 * 3600.0)
    cycle = totals.finish(3 * 3600.0, END)
    assert (cycle.propulsion_on_s, cycle.engine_on_s) == (10_800.0, 3_600.0)
    # The first stop comes before the vehicle was under way: it is no idle.
    assert cycle.longest_idle_s == 40.0
    assert cycle.split is UNSET


# Idle: pedal released and at most 1 mph = 1.6 km/h (13 CCR 1968.2(d)(4), from memory).
IDLES = {
    "standing": (0.0, 0.0, 10.0),
    "at 1.6 km/h": (1.6, 0.0, 10.0),
    "just above": (1.7, 0.0, 0.0),
    "pedal at its limit": (0.0, 2.0, 10.0),
    "pedal pressed": (0.0, 2.1, 0.0),
    "pedal not told": (0.0, None, 10.0),
}


@pytest.mark.parametrize("speed, pedal, idle", IDLES.values(), ids=IDLES.keys())
def test_idle_is_standing_with_the_pedal_released(
    speed: float, pedal: float | None, idle: float
) -> None:
    totals = CycleTotals(0.0)
    for second in range(11):
        totals.add(Sample(float(second), engine_rpm=700.0, speed_kmh=speed, pedal_pct=pedal))
    cycle = totals.finish(10.0, END)
    assert cycle.longest_idle_s == idle
    assert cycle.not_given is not UNSET
    assert ("accelerator_pedal" in cycle.not_given) is (pedal is None)


def test_an_ignition_without_a_start_is_no_idle_and_is_never_split() -> None:
    totals = CycleTotals(0.0)
    for second in range(60):
        totals.add(Sample(float(second), engine_rpm=0.0, speed_kmh=0.0))
    assert not totals.split_due(5 * SPLIT_S)
    assert totals.finish(60.0, END).longest_idle_s == 0.0


# Split at 4 h of continuous operation (13 CCR 1968.2, from memory).
@pytest.mark.parametrize(
    "hours_s, due", [(14_399.9, False), (14_400.0, True), (14_400.1, True)],
    ids=["just before", "at 4 h", "just after"],
)  # fmt: skip
def test_a_cycle_is_split_at_four_hours_from_the_start_of_the_engine(
    hours_s: float, due: bool
) -> None:
    totals = CycleTotals(0.0)
    totals.add(Sample(10.0, engine_rpm=0.0, speed_kmh=0.0))
    totals.add(Sample(100.0, engine_rpm=800.0, speed_kmh=0.0))
    assert totals.split_due(100.0 + hours_s) is due
    assert totals.finish(100.0, END, split=True).split is True


def test_a_vehicle_on_gas_says_that_it_has_no_fuel_level() -> None:
    totals = CycleTotals(0.0)
    for second in range(3):
        totals.add(
            Sample(
                float(second), engine_rpm=800.0, speed_kmh=0.0, coolant_c=20.0, ambient_c=20.0,
                barometric_kpa=98.0, module_v=13.9, pedal_pct=0.0,
            )
        )  # fmt: skip
    cycle = totals.finish(
        2.0, END, 60.0, monitors_completed=[Monitor.CATALYST], denominator_moved=False
    )
    assert cycle.not_given == ["fuel_start_pct", "fuel_end_pct"]
    assert (cycle.monitors_completed, cycle.denominator_moved) == ([Monitor.CATALYST], False)


def test_an_electric_day_says_what_nobody_told() -> None:
    totals = CycleTotals(0.0)
    for second in range(60):
        totals.add(Sample(float(second), speed_kmh=30.0, module_v=13.1))
    cycle = totals.finish(60.0, END)
    assert cycle.engine_on_s == 0.0
    assert cycle.not_given is not UNSET
    assert {"engine_on_s", "coolant_start_c", "warm_up", "fuel_start_pct"} <= set(cycle.not_given)
    assert "distance_km" not in cycle.not_given


CATALYST, EVAP = Monitor.CATALYST, Monitor.EVAPORATIVE_SYSTEM
COMPLETED: dict[str, tuple[list[dict[Monitor, bool]], list[dict[Monitor, bool]], object]] = {
    "one became complete": (
        [{CATALYST: False, EVAP: False}], [{CATALYST: True, EVAP: False}], [CATALYST],
    ),
    "one fell back": ([{CATALYST: True}], [{CATALYST: False}], []),
    "one of two ECUs still waits": (
        [{CATALYST: False}, {CATALYST: False}], [{CATALYST: True}, {CATALYST: False}], [],
    ),
    "both ECUs": ([{CATALYST: False}, {CATALYST: True}], [{CATALYST: True}] * 2, [CATALYST]),
    "no longer told": ([{CATALYST: False, EVAP: False}], [{EVAP: True}], [EVAP]),
    "untold at the start": ([], [{CATALYST: True}], None),
}  # fmt: skip


@pytest.mark.parametrize("start, end, expected", COMPLETED.values(), ids=COMPLETED.keys())
def test_monitors_completed_is_the_difference_of_start_and_end(
    start: list[dict[Monitor, bool]], end: list[dict[Monitor, bool]], expected: object
) -> None:
    def ecus(told: list[dict[Monitor, bool]]) -> dict[str, EcuReading]:
        return {f"7E{8 + n}": EcuReading(monitors=one) for n, one in enumerate(told)}

    assert completed(ecus(start), ecus(end)) == expected


# Service 09, 08 and 0B begin with the general denominator (SAE J1979; B).
COUNTERS = {
    "spark": ("490810 0102 0007", {"7E8": 258}),
    "compression": ("490B10 FFFF 0007", {"7E8": 65535}),
    "another type": ("490410 0102", {}),
    "no items": ("490800 0102", {}),
    "cut short": ("49081001", {}),
}


@pytest.mark.parametrize("answer, expected", COUNTERS.values(), ids=COUNTERS.keys())
def test_the_general_denominator_is_the_first_counter(
    answer: str, expected: dict[str, int]
) -> None:
    assert general_denominators({"7E8": bytes.fromhex(answer)}) == expected


@pytest.mark.parametrize(
    "start, end, expected",
    [
        pytest.param({"7E8": 7}, {"7E8": 8}, True, id="moved"),
        pytest.param({"7E8": 7}, {"7E8": 7}, False, id="stood still"),
        pytest.param({"7E8": 65535}, {"7E8": 0}, True, id="rolled over"),
        pytest.param({"7E8": 7}, {"7E9": 8}, None, id="another ECU"),
        pytest.param({}, {}, None, id="untold"),
    ],
)
def test_a_denominator_that_moved_is_told(
    start: dict[str, int], end: dict[str, int], expected: bool | None
) -> None:
    assert moved(start, end) is expected
