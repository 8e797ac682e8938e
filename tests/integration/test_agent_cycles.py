"""Driving cycles, silences, a low battery, odd clocks and other protocols, at the agent.

Figures of 13 CCR 1968.2 are from memory; answers in bytes after SAE J1979 (B).
"""

from __future__ import annotations

from collections.abc import Iterator
from datetime import timedelta
from pathlib import Path

import pytest
from msgspec import UNSET

from gateway import contract
from gateway.agent import SHORT_REST_S
from gateway.bus_watch import Broadcast
from gateway.facts import Monitor
from tests.support.agent_bench import START, Bench


@pytest.fixture
def bench(tmp_path: Path) -> Iterator[Bench]:
    one = Bench(tmp_path / "box")
    yield one
    one.outbox.close()


def test_a_hybrids_day_of_stop_and_go_is_one_driving_cycle(bench: Bench) -> None:
    """The engine stops and starts, the ignition stays on: one cycle (13 CCR 1968.2, memory)."""
    bench.vehicle.on = True
    moving = bench.vehicle.answers[b"\x01\x0c\x0d\x05\x42"]
    standing = bytes.fromhex("410C00000D00057B4236B0")
    for _ in range(30):
        for state in (moving, standing):
            bench.vehicle.answers[b"\x01\x0c\x0d\x05\x42"] = state
            bench.drive(60)
    bench.vehicle.on = False
    bench.drive(30)
    (cycle,) = [one.driving_cycle for one in bench.reports() if one.driving_cycle is not UNSET]
    assert cycle.propulsion_on_s == pytest.approx(3600, abs=12)
    assert cycle.engine_on_s == pytest.approx(1800, abs=12)
    # The first 60 s drive, then each stop is idle with the engine off.
    assert cycle.longest_idle_s == pytest.approx(60, abs=2)


def test_a_long_day_is_split_at_four_hours(bench: Bench) -> None:
    """13 CCR 1968.2, from memory."""
    bench.vehicle.on = True
    bench.drive(4 * 3600 + 600)
    bench.vehicle.on = False
    bench.drive(30)
    first, last = [
        (one.reason, one.driving_cycle) for one in bench.reports()
        if one.driving_cycle is not UNSET
    ]  # fmt: skip
    assert (first[0], first[1].split, last[0], last[1].split) == (
        "periodic", True, "key_off", UNSET,
    )  # fmt: skip
    assert first[1].propulsion_on_s == pytest.approx(4 * 3600, abs=2)
    assert last[1].propulsion_on_s == pytest.approx(600, abs=12)
    assert last[1].soak_s == 0.0


def test_a_cycle_tells_which_monitors_became_complete_and_that_the_denominator_moved(
    bench: Bench,
) -> None:
    # `41 01` byte D 04: evaporative system not complete (constructed; X).
    bench.vehicle.answers[b"\x01\x01"] = bytes.fromhex("410100076504")
    bench.vehicle.on = True
    bench.drive(100)
    bench.vehicle.answers[b"\x01\x01"] = bytes.fromhex("410100076500")
    bench.vehicle.answers[b"\x09\x08"] = bytes.fromhex("4908020065 00C8")
    bench.drive(100)
    bench.vehicle.on = False
    bench.drive(30)
    cycle = bench.reports()[-1].driving_cycle
    assert cycle is not UNSET
    assert cycle.monitors_completed == [Monitor.EVAPORATIVE_SYSTEM]
    assert cycle.denominator_moved is True
    assert cycle.not_given is not UNSET
    assert "monitors_completed" not in cycle.not_given


@pytest.mark.parametrize(
    "run_s, seen", [(0, True), (60, True), (61, False)], ids=["start", "limit", "later"]
)
def test_an_engine_that_runs_already_was_started_before_anybody_looked(
    bench: Bench, run_s: int, seen: bool
) -> None:
    """PID 1F, seconds since the engine's start (SAE J1979; B); the limit is our own choice."""
    bench.vehicle.answers[b"\x01\x00"] = bytes.fromhex("410088180003")  # 1F besides
    bench.vehicle.answers[b"\x01\x1f"] = b"\x41\x1f" + run_s.to_bytes(2, "big")
    bench.vehicle.on = True
    bench.drive(60)
    bench.vehicle.on = False
    bench.drive(30)
    cycle = bench.reports()[-1].driving_cycle
    assert cycle is not UNSET
    assert (cycle.coolant_start_c is not UNSET, cycle.warm_up is not UNSET) == (seen, seen)
    assert cycle.coolant_peak_c == 83
    before = 0 if seen else run_s  # nobody looked, and all the same the engine ran
    assert cycle.unobserved_s == (before or UNSET)
    assert cycle.propulsion_on_s == pytest.approx(60 + before, abs=2)


def test_everything_is_read_once_a_day(bench: Bench) -> None:
    bench.vehicle.on = True
    bench.drive(25 * 3600)
    assert [one.reason for one in bench.reports()].count("full") == 2


def test_another_tester_silences_the_gateway_at_once_and_is_reported_once(bench: Bench) -> None:
    bench.vehicle.on = True
    bench.drive(30)
    bench.vehicle.quiet = ("another_tester", 600.0)
    assert bench.requests(590) == []
    bench.ask()
    bench.drive(1)
    bench.vehicle.quiet = None
    bench.drive(5)
    told = bench.reports()[1:3]
    assert [(one.reason, one.quiet, one.declined) for one in told] == [
        ("change", "another_tester", UNSET),
        ("ask", "another_tester", UNSET),
    ]
    assert told[0].quiet_until == contract.format_time(START + timedelta(seconds=30 + 600))
    assert bench.agent.ignition_on
    assert bench.requests(5) != []


@pytest.mark.parametrize(
    ("rest_s", "times"), [(SHORT_REST_S - 1, 1), (SHORT_REST_S, 2)], ids=["rest", "longer"]
)
def test_a_silence_that_outlasts_its_end_is_told_again_but_not_for_a_short_rest(
    bench: Bench, rest_s: float, times: int
) -> None:
    bench.vehicle.quiet = ("shop", 100.0)
    bench.drive(100)
    bench.vehicle.quiet = ("shop", rest_s)
    bench.drive(11)
    told = [one.quiet_until for one in bench.reports() if one.quiet == "shop"]
    assert len(told) == times


def test_a_tester_that_joins_during_an_ask_loses_it_nothing(bench: Bench) -> None:
    bench.vehicle.on = True
    bench.drive(30)
    bench.ask()
    bench.vehicle.quiet = ("another_tester", 600.0)
    bench.agent._next_s = float("inf")  # the ask is first to notice
    bench.drive(1)
    assert [(one.reason, one.quiet) for one in bench.reports()[1:]] == [
        ("change", "another_tester"),
        ("ask", "another_tester"),
    ]


def test_a_low_battery_is_spared_and_looked_at_every_ten_minutes(bench: Bench) -> None:
    key = b"\x01\x0c\x0d\x05\x42"
    bench.vehicle.answers[key] = bytes.fromhex("410C00000D00057B422C88")  # 11.400 V
    bench.vehicle.on = True
    bench.drive(60)
    told = bench.reports()[-1]
    assert (told.quiet, told.reason) == ("low_voltage", "change")
    assert bench.requests(500) == []
    bench.vehicle.answers[key] = bytes.fromhex("410C0DAC0D00057B4236B0")  # 14.000 V
    bench.drive(120)
    assert len(bench.requests(10)) >= 10
    bench.vehicle.on = False
    bench.drive(30)
    cycle = bench.reports()[-1].driving_cycle
    assert cycle is not UNSET
    assert cycle.lowest_v == 11.4


def test_a_low_battery_ends_its_cycle_without_a_request(bench: Bench) -> None:
    bench.vehicle.answers[b"\x01\x0c\x0d\x05\x42"] = bytes.fromhex("410C00000D00057B422C88")
    bench.vehicle.on = True
    bench.drive(60)
    bench.vehicle.on = False
    assert bench.requests(30) == []
    assert bench.reports()[-1].reason == "key_off"


def test_a_clock_that_jumps_ten_years_is_flagged_and_survived(bench: Bench) -> None:
    bench.vehicle.on = True
    bench.drive(30)
    bench.clock.ahead = timedelta(days=3653)
    bench.agent.take_reading("periodic")
    bench.clock.ahead = timedelta(days=-3653)
    bench.agent.take_reading("periodic")
    bench.vehicle.on = False
    bench.drive(30)
    assert [(one.reason, one.clock) for one in bench.reports()] == [
        ("key_on", "synced"), ("periodic", "held"), ("periodic", "held"), ("key_off", "held"),
    ]  # fmt: skip
    assert bench.reports()[-1].taken_at is not None


def test_j1939_traffic_alone_is_heard_and_never_no_codes(bench: Bench) -> None:
    """DM1: malfunction lamp on (byte 1, highest pair 01), no code (SAE J1939-73, 5.7.1; A)."""
    bench.vehicle.awake, bench.vehicle.heard = True, "j1939"
    bench.vehicle.broadcasts = [
        Broadcast(0xFECA, 0, bytes.fromhex("40FF00000000FFFF"), 1.0)
    ] * 3  # fmt: skip
    bench.drive(60)
    lamp, heard = bench.reports()
    assert (lamp.heard, heard.heard) == ("j1939", "j1939")
    assert lamp.lamp_broadcasts is not UNSET
    assert [one.malfunction for one in lamp.lamp_broadcasts] == ["on"]
    assert (lamp.ecus, heard.ecus) == ({}, {})
    assert not bench.agent.ignition_on


def test_the_newer_protocol_is_asked_for_once_and_only_where_nobody_ever_answered(
    bench: Bench,
) -> None:
    """22 F810 identifies SAE J1979-2 (C)."""
    bench.vehicle.awake = True
    bench.drive(3600)
    assert bench.vehicle.asked.count(b"\x22\xf8\x10") == 1


def test_a_vehicle_that_answers_is_never_asked_for_the_newer_protocol(bench: Bench) -> None:
    bench.vehicle.on = True
    bench.drive(30)
    bench.vehicle.on, bench.vehicle.awake = False, True
    bench.drive(3600)
    assert b"\x22\xf8\x10" not in bench.vehicle.asked
