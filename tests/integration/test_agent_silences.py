"""A silence that begins or ends within a driving cycle: nothing is sent, and nothing made up.

On a virtual bus with an ECU and a listener of their own. Ids of other testers are ISO 15765-4 as
tabulated (B); that ten minutes and ten seconds are enough is common practice, no source.
"""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest
from msgspec import UNSET

from tests.support.vehicle_bench import LOW, MOVING, SAMPLE, TESTER, VehicleBench, vehicle_bench

DRIVE_S, QUIET_S = 40.0, 600.0
BUS_STEP_S = 4.0
"""Steps during a silence: short enough that a bus that speaks is never taken for asleep."""


@pytest.fixture
def bench(tmp_path: Path) -> Iterator[VehicleBench]:
    with vehicle_bench(tmp_path) as one:
        yield one


def ignition_on(bench: VehicleBench) -> bool:
    return bench.agent.ignition_on


def begin(bench: VehicleBench) -> None:
    """Ignition on, and some seconds of driving."""
    bench.awake = True
    bench.pass_time(DRIVE_S)
    assert ignition_on(bench)


def silence(bench: VehicleBench, kind: str) -> None:
    """Bring about a silence of ten minutes, and let the gateway notice."""
    if kind == "another_tester":
        bench.at.say(TESTER)
    elif kind == "low_voltage":
        bench.script[SAMPLE] = [(0.0, LOW)]
        bench.pass_time(32)
        bench.script[SAMPLE] = [(0.0, MOVING)]
    else:
        bench.at.link.keep_quiet(kind, QUIET_S)  # type: ignore[arg-type]  # by name here
    bench.ours()


def end(bench: VehicleBench) -> None:
    """Ignition off: the bus falls silent, and that is noticed."""
    bench.turn_key_off()
    bench.awake = False
    bench.pass_time(18, 6.0)
    assert not ignition_on(bench)


KINDS = ("another_tester", "shop", "inspection", "low_voltage")


@pytest.mark.parametrize("kind", KINDS)
def test_a_silence_within_a_driving_cycle_does_not_end_it(bench: VehicleBench, kind: str) -> None:
    begin(bench)
    silence(bench, kind)
    bench.pass_time(QUIET_S - 8, BUS_STEP_S)
    assert bench.ours() == []
    assert ignition_on(bench)
    bench.pass_time(20)
    assert ignition_on(bench)
    sent = bench.ours()
    end(bench)

    told, fresh, key_off = bench.reports()[-3:]
    assert (told.reason, told.quiet, told.ecus) == ("change", kind, {})
    # The first reading afterwards is a fresh one: support and VIN are asked again too.
    assert (fresh.reason, fresh.quiet, list(fresh.ecus)) == ("periodic", UNSET, ["7E8"])
    assert {text[3:8] for number, text in sent if number == "7DF"} >= {"01 00", "09 02", "03 CC"}
    assert key_off.reason == "key_off"
    (cycle,) = bench.cycles()
    driven = bench.past(cycle.ended_at) - bench.past(cycle.started_at)
    assert cycle.propulsion_on_s == pytest.approx(driven, abs=0.01)
    assert driven > QUIET_S + DRIVE_S
    # What nobody observed is said, and in no other figure: 875 rpm and 50 km/h all the while.
    assert cycle.unobserved_s == pytest.approx(QUIET_S, abs=8)
    assert isinstance(cycle.unobserved_s, float)
    observed = driven - cycle.unobserved_s
    assert cycle.engine_on_s <= observed + 1
    if kind != "low_voltage":  # whose sample says 0 rpm and 0 km/h for half a minute
        assert cycle.engine_on_s == pytest.approx(observed, abs=6)
        assert cycle.distance_km == pytest.approx(observed * 50 / 3600, abs=0.1)
        assert cycle.seconds_at_or_above_40_kmh == cycle.engine_on_s


def test_another_tester_that_stays_is_told_again_with_its_later_end(bench: VehicleBench) -> None:
    begin(bench)
    silence(bench, "another_tester")
    for _ in range(3):
        bench.pass_time(500, BUS_STEP_S)
        bench.at.say(TESTER)
    bench.ours()
    bench.pass_time(QUIET_S - 40, BUS_STEP_S)
    assert bench.ours() == []
    told = [one for one in bench.reports() if one.quiet is not UNSET]
    assert {(one.reason, one.quiet) for one in told} == {("change", "another_tester")}
    ends = [bench.past(str(one.quiet_until)) for one in told]
    # 600 s after a request at the beginning, and at 500, 1000 and 1500 s; each told once.
    assert ends == pytest.approx([DRIVE_S + s for s in (600, 1100, 1600, 2100)], abs=30)
    assert ends == sorted(ends)


def test_what_another_tester_did_is_read_as_a_change(bench: VehicleBench) -> None:
    """`43 01 04 20`: one confirmed code, P0420; PID 01 byte A bit 7: the lamp (SAE J1979; B)."""
    begin(bench)
    silence(bench, "another_tester")
    bench.pass_time(300, BUS_STEP_S)
    bench.script["0101"] = [(0.0, "410181076100")]
    bench.script["03"] = [(0.0, "43010420")]
    bench.pass_time(QUIET_S - 280, BUS_STEP_S)
    first = next(one for one in bench.reports()[1:] if one.ecus)
    assert (first.reason, first.ecus["7E8"].confirmed) == ("change", ["P0420"])


@pytest.mark.parametrize("kind", KINDS)
def test_a_key_off_in_the_silence_is_noticed_by_a_silent_bus(
    bench: VehicleBench, kind: str
) -> None:
    begin(bench)
    silence(bench, kind)
    bench.pass_time(120, BUS_STEP_S)
    off = bench.clock.seconds()
    bench.turn_key_off()
    bench.awake = False
    bench.pass_time(18, 6.0)
    assert bench.ours() == []
    assert not ignition_on(bench)
    assert bench.reports()[-1].reason == "key_off"
    (cycle,) = bench.cycles()
    # Traffic counts for 5 s after its last frame; then the bus is looked at every 6 s.
    assert off - BUS_STEP_S <= bench.past(cycle.ended_at) <= off + 7
    assert cycle.unobserved_s == pytest.approx(120, abs=12)


@pytest.mark.parametrize("kind", ["another_tester", "shop"])
def test_a_key_off_and_on_in_the_silence_are_two_driving_cycles(
    bench: VehicleBench, kind: str
) -> None:
    begin(bench)
    silence(bench, kind)
    bench.pass_time(80, BUS_STEP_S)
    bench.awake = False
    bench.pass_time(18, 6.0)
    assert not ignition_on(bench)
    bench.awake = True
    bench.pass_time(QUIET_S - 120, BUS_STEP_S)
    assert bench.ours() == []
    assert not ignition_on(bench)
    bench.pass_time(40, BUS_STEP_S)
    assert ignition_on(bench)
    assert [one.reason for one in bench.reports()] == ["key_on", "change", "key_off", "key_on"]
    end(bench)
    first, second = bench.cycles()
    assert first.unobserved_s == pytest.approx(80, abs=12)
    # It began at some moment of the silence: nothing of its beginning is claimed.
    assert second.unobserved_s is UNSET
    assert second.not_given is not UNSET
    assert {"soak_s", "coolant_start_c", "warm_up"} <= set(second.not_given)
    assert (second.soak_s, second.coolant_start_c) == (UNSET, UNSET)
    assert second.coolant_peak_c == 83


def test_a_start_after_the_silence_is_a_whole_cycle_with_its_soak(bench: VehicleBench) -> None:
    begin(bench)
    silence(bench, "shop")
    bench.awake = False
    bench.pass_time(18, 6.0)
    bench.clock.ahead_s += QUIET_S
    bench.pass_time(10, 10.0)
    bench.awake = True
    bench.pass_time(40)
    end(bench)
    second = bench.cycles()[1]
    assert second.soak_s == pytest.approx(QUIET_S + 30, abs=20)
    assert second.coolant_start_c == 83


def test_what_is_done_at_the_key_on_a_bus_that_stays_awake_is_said_to_be_unobserved(
    bench: VehicleBench,
) -> None:
    begin(bench)
    silence(bench, "inspection")
    said = bench.turn_key_off()
    bench.pass_time(200, BUS_STEP_S)
    bench.script.update(said)
    bench.pass_time(QUIET_S - 180, BUS_STEP_S)
    end(bench)
    (cycle,) = bench.cycles()
    assert cycle.unobserved_s == pytest.approx(QUIET_S, abs=12)


def test_a_vehicle_that_no_longer_answers_after_the_silence_has_its_ignition_off(
    bench: VehicleBench,
) -> None:
    begin(bench)
    silence(bench, "another_tester")
    bench.pass_time(100, BUS_STEP_S)
    bench.turn_key_off()
    bench.pass_time(QUIET_S - 104, BUS_STEP_S)
    assert bench.ours() == []
    bench.pass_time(30)
    assert not ignition_on(bench)
    # A handful of requests makes sure of it.
    assert len(bench.ours()) <= 6
    (cycle,) = bench.cycles()
    assert cycle.unobserved_s == pytest.approx(QUIET_S, abs=12)
