"""A vehicle that does not speak SAE J1979: asked a few times at each waking, never for ever.

DM1 as in SAE J1939-73, 5.7.1 (A); engine speed on PGN F004 from memory; 22 F810 and its answer
identify SAE J1979-2 (C). How often is enough is an engineering choice, no source.
"""

from __future__ import annotations

from pathlib import Path

import pytest
from msgspec import UNSET

from gateway.parking import MOST_IN_VAIN
from tests.support.can_bench import Script, says
from tests.support.vehicle_bench import VehicleBench, engine, vehicle_bench

ENGINE_SPEED = "0CF00400 FF FF FF 00 20 FF FF FF"
LAMPS_OFF, LAMP_ON = "18FECA00 00 FF 00 00 00 00 FF FF", "18FECA00 40 FF 00 00 00 00 FF FF"
"""Malfunction lamp off and on (byte 1, highest pair 01), no code (constructed; X)."""
DAY_S, LOOK_S = 24 * 3600, 10.0
AWAKE, IDENTIFY = "02 01 00 CC CC CC CC CC", "03 22 F8 10 CC CC CC CC"
NEWER: Script = says(x22F810="62F81001")


def watch(bench: VehicleBench, seconds: float, *traffic: str) -> list[str]:
    """What the gateway sends while the bus carries `traffic` so long."""
    bench.awake = bool(traffic)
    bench.pass_time(seconds, LOOK_S, *traffic)
    return [data for _, data in bench.ours()]


def fall_asleep(bench: VehicleBench) -> None:
    assert watch(bench, 20) == []


def test_a_j1939_vehicle_is_asked_a_few_times_and_then_only_listened_to(tmp_path: Path) -> None:
    with vehicle_bench(tmp_path, {}) as bench:
        asked = watch(bench, 120, ENGINE_SPEED, LAMPS_OFF)
        assert sorted(asked) == [AWAKE] * MOST_IN_VAIN + [IDENTIFY]
        assert watch(bench, DAY_S, ENGINE_SPEED, LAMPS_OFF) == []
        # The lamp is still heard, and nothing is sent for it.
        assert watch(bench, 60, ENGINE_SPEED, LAMP_ON) == []
        told = [
            (one.heard, lamps[0].malfunction if (lamps := one.lamp_broadcasts) else None)
            for one in bench.reports()
        ]
        assert told == [("j1939", "off"), ("j1939", None), ("j1939", "on")]
        assert all(one.ecus == {} and one.reason == "change" for one in bench.reports())


def test_every_waking_of_a_j1939_bus_is_worth_as_many_requests_and_no_identification(
    tmp_path: Path,
) -> None:
    with vehicle_bench(tmp_path, {}) as bench:
        watch(bench, 600, ENGINE_SPEED)
        for _ in range(2):
            fall_asleep(bench)
            assert watch(bench, 1800, ENGINE_SPEED) == [AWAKE] * MOST_IN_VAIN


def test_an_engine_that_was_not_there_when_the_body_spoke_is_found_at_the_next_waking(
    tmp_path: Path,
) -> None:
    with vehicle_bench(tmp_path) as bench:
        said = bench.turn_key_off()
        watch(bench, 600, ENGINE_SPEED)
        fall_asleep(bench)
        bench.script.update(said)
        watch(bench, 20, ENGINE_SPEED)
        assert bench.agent.ignition_on
        assert bench.reports()[-1].heard == "answers"


def test_an_ask_of_a_j1939_vehicle_is_answered_with_what_it_speaks_and_not_as_parked(
    tmp_path: Path,
) -> None:
    with vehicle_bench(tmp_path, {}) as bench:
        watch(bench, 120, ENGINE_SPEED)
        bench.ask()
        watch(bench, 10, ENGINE_SPEED)
        told = bench.reports()[-1]
        assert (told.reason, told.ask_id, told.heard, told.declined) == (
            "ask", "a1", "j1939", UNSET,
        )  # fmt: skip


@pytest.mark.parametrize("bits29", [False, True], ids=["11 bit", "29 bit"])
def test_a_vehicle_of_the_newer_protocol_is_not_asked_for_ever_nor_after_a_restart(
    tmp_path: Path, bits29: bool
) -> None:
    number = 0x10 if bits29 else 0x7E8
    with vehicle_bench(tmp_path, {number: NEWER}, bits29) as bench:
        assert sorted(watch(bench, 120, "3B0 01")) == [AWAKE] * MOST_IN_VAIN + [IDENTIFY]
        assert watch(bench, DAY_S, "3B0 01") == []
        assert [one.heard for one in bench.reports()] == ["newer_protocol"]
    with vehicle_bench(tmp_path, {number: NEWER}, bits29) as bench:
        assert watch(bench, DAY_S, "3B0 01") == [AWAKE] * MOST_IN_VAIN
        assert {one.heard for one in bench.reports()} == {"newer_protocol"}


def test_a_gateway_moved_to_a_vehicle_that_answers_reads_it_all_the_same(tmp_path: Path) -> None:
    with vehicle_bench(tmp_path, {0x7E8: dict(NEWER)}) as bench:
        watch(bench, 120, "3B0 01")
    with vehicle_bench(tmp_path, {0x7E8: engine()}) as bench:
        watch(bench, 20, "3B0 01")
        assert bench.agent.ignition_on
        assert bench.reports()[-1].heard == "answers"


def test_a_vehicle_that_says_nothing_at_all_is_still_asked_now_and_then(tmp_path: Path) -> None:
    """Its key may be turned without a pause in the traffic that could be heard."""
    with vehicle_bench(tmp_path) as bench:
        said = bench.turn_key_off()
        assert 5 <= len(watch(bench, 3600, "3B0 01")) <= 14
        bench.script.update(said)
        watch(bench, 620, "3B0 01")
        assert bench.agent.ignition_on
