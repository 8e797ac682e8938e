"""A gateway that is stopped, killed or cut from its supply within a driving cycle loses none of it.

Figures are counted by hand from what the vehicle does (X); answers in bytes after SAE J1979 (B).
"""

from __future__ import annotations

import threading
from collections.abc import Iterator
from datetime import timedelta
from pathlib import Path

import pytest
from msgspec import UNSET

from gateway import contract
from gateway.agent import Agent
from gateway.facts import Monitor
from gateway.interrupted import GOES_ON_S, KEEP_EVERY_S, read
from gateway.outbox import Outbox
from tests.support.agent_bench import Bench

KMH = 50
"""The speed of the bench's vehicle: `0D 32`."""


@pytest.fixture
def bench(tmp_path: Path) -> Iterator[Bench]:
    one = Bench(tmp_path / "box")
    yield one
    one.outbox.close()


def restart(bench: Bench, path: Path, away_s: float, *, reboot: bool = False) -> None:
    """Leave as a killed process does, and be back `away_s` later; a reboot sets uptime to 0."""
    bench.outbox.close()
    bench.clock.at_s += away_s
    if reboot:
        bench.clock.ahead += timedelta(seconds=bench.clock.at_s)
        bench.clock.at_s = 0.0
    bench.outbox = Outbox(path, bench.clock.now)
    bench.agent = Agent("gw-0001", bench.vehicle, bench.outbox, None, bench.clock)


def cycles(bench: Bench) -> list[contract.DrivingCycle]:
    told = (one.driving_cycle for one in bench.reports())
    return [one for one in told if one is not UNSET]


@pytest.mark.parametrize("reboot", [False, True], ids=["the process", "the machine"])
def test_a_restart_within_a_cycle_goes_on_with_it(
    bench: Bench, tmp_path: Path, reboot: bool
) -> None:
    bench.vehicle.on = True
    bench.drive(602)  # kept at its first second and each minute after: at 601 s the last time
    restart(bench, tmp_path / "box", away_s=30, reboot=reboot)
    bench.drive(300)
    bench.vehicle.on = False
    bench.drive(30)
    (cycle,) = cycles(bench)
    assert cycle.propulsion_on_s == pytest.approx(931, abs=2)
    assert cycle.unobserved_s == pytest.approx(31, abs=2)
    assert cycle.distance_km == pytest.approx(KMH * 900 / 3600, abs=0.05)
    assert cycle.seconds_at_or_above_40_kmh == pytest.approx(900, abs=3)
    assert cycle.coolant_start_c == 83  # its beginning was seen, and is still known
    assert [one.reason for one in bench.reports()].count("key_on") == 1


def test_what_changed_while_the_gateway_was_away_belongs_to_the_cycle(
    bench: Bench, tmp_path: Path
) -> None:
    # `41 01` byte D 04: evaporative system not complete (constructed; X).
    bench.vehicle.answers[b"\x01\x01"] = bytes.fromhex("410100076504")
    bench.vehicle.on = True
    bench.drive(602)
    bench.vehicle.answers[b"\x01\x01"] = bytes.fromhex("410100076500")
    bench.vehicle.answers[b"\x09\x08"] = bytes.fromhex("4908020065 00C8")
    restart(bench, tmp_path / "box", away_s=30)
    bench.drive(100)
    bench.vehicle.on = False
    bench.drive(30)
    (cycle,) = cycles(bench)
    assert cycle.monitors_completed == [Monitor.EVAPORATIVE_SYSTEM]
    assert cycle.denominator_moved is True


def test_a_cycle_that_ended_while_the_gateway_was_away_is_reported_when_it_is_back(
    bench: Bench, tmp_path: Path
) -> None:
    bench.vehicle.on = True
    bench.drive(602)
    ended = bench.clock.now()
    bench.vehicle.on = False
    restart(bench, tmp_path / "box", away_s=8 * 3600, reboot=True)
    bench.drive(2)
    (cycle,) = cycles(bench)
    assert bench.reports()[-1].reason == "key_off"
    assert cycle.propulsion_on_s == pytest.approx(600, abs=2)
    assert contract.parse_time(cycle.ended_at) == pytest.approx(ended, abs=timedelta(seconds=2))
    bench.vehicle.on = True
    bench.drive(100)
    bench.vehicle.on = False
    bench.drive(30)
    assert [one.propulsion_on_s for one in cycles(bench)][1:] == pytest.approx([100], abs=12)


@pytest.mark.parametrize(
    ("away_s", "told"), [(GOES_ON_S - 2, 1), (GOES_ON_S + 2, 2)], ids=["soon", "late"]
)
def test_a_vehicle_that_answers_later_than_that_is_in_another_cycle(
    bench: Bench, tmp_path: Path, away_s: float, told: int
) -> None:
    bench.vehicle.on = True
    bench.drive(602)
    restart(bench, tmp_path / "box", away_s)
    bench.drive(60)
    bench.vehicle.on = False
    bench.drive(30)
    assert len(cycles(bench)) == told


def test_a_cycle_that_was_reported_is_not_reported_again(bench: Bench, tmp_path: Path) -> None:
    bench.vehicle.on = True
    bench.drive(602)
    bench.vehicle.on = False
    bench.drive(30)
    restart(bench, tmp_path / "box", away_s=5)
    bench.drive(GOES_ON_S + 60)
    assert len(cycles(bench)) == 1


def test_an_orderly_stop_keeps_the_last_second(bench: Bench, tmp_path: Path) -> None:
    bench.vehicle.on = True
    bench.drive(KEEP_EVERY_S * 1.5)
    stop = threading.Event()
    stop.set()
    bench.agent.run(stop)
    restart(bench, tmp_path / "box", away_s=3600)
    bench.drive(1)
    (cycle,) = cycles(bench)
    assert cycle.propulsion_on_s == pytest.approx(KEEP_EVERY_S * 1.5, abs=2)


@pytest.mark.parametrize("text", ["", "{", "{}", '{"heard_at": 1}', "null"])
def test_what_another_version_kept_is_nothing(text: str) -> None:
    assert read(text) is None
