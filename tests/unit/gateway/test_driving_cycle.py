"""One driving cycle summed up from samples.

The trip used below has the shape of the general denominator's pattern: 600 s of engine running,
300 s at or above 25 mph, 30 s of continuous idle (13 CCR 1968.2(d)(4), from memory).
"""

from __future__ import annotations

from collections.abc import Mapping
from datetime import UTC, datetime

import pytest
from msgspec import UNSET

from gateway.driving_cycle import CycleTotals, Sample, read_sample
from gateway.facts import Ignition

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
# `41 42 36 B0` = 14.000 V (constructed; X).
ANSWERS: dict[str, tuple[dict[bytes, str], Sample | None]] = {
    "several at once": (
        {b"\x01\x0c\x0d\x05\x42\x46\x2f": "410C1F400D5A057B4236B0"},
        Sample(1.0, engine_rpm=2000, speed_kmh=90, coolant_c=83, module_v=14.0),
    ),
    "one by one where several are refused": (
        {b"\x01\x0c": "410C1F40", b"\x01\x0d": "410D5A", b"\x01\x05": "41057B"},
        Sample(1.0, engine_rpm=2000, speed_kmh=90, coolant_c=83),
    ),
    "cut short": ({b"\x01\x0c\x0d\x05\x42\x46\x2f": "410C1F"}, Sample(1.0)),
    "not asked for": ({b"\x01\x0c\x0d\x05\x42\x46\x2f": "41990D5A"}, Sample(1.0)),
    "another service": ({b"\x01\x0c\x0d\x05\x42\x46\x2f": "430D5A"}, Sample(1.0)),
    "silence": ({}, None),
}


@pytest.mark.parametrize("answers, expected", ANSWERS.values(), ids=ANSWERS.keys())
def test_a_sample_holds_what_was_answered(
    answers: dict[bytes, str], expected: Sample | None
) -> None:
    def ask(request: bytes) -> Mapping[str, bytes]:
        return {"7E8": bytes.fromhex(answers[request])} if request in answers else {}

    assert read_sample(ask, 1.0) == expected
