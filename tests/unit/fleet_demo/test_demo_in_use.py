"""The in-use counters of a simulated controller: their order, and when they move."""

from __future__ import annotations

import random
from dataclasses import replace

import pytest

from fleet_demo import monitors as m
from fleet_demo.ecu import CycleEnd, Ecu
from fleet_demo.faults import COMPRESSION, FAULTS, SPARK
from fleet_demo.in_use import InUse, Ratio
from fleet_demo.monitors import Conditions

COUNTED = Conditions(
    engine_on_s=600, fast_s=300, longest_idle_s=30, soak_s=6 * 3600, fuel_pct=50, ambient_c=20
)
FITTED = {SPARK: m.SPARK, COMPRESSION: m.COMPRESSION}


def ecu(ignition: str = SPARK, *, late: bool = True, banks: int = 1) -> Ecu:
    vin = "1G1JC5444R7252367"
    return Ecu(vin, ignition, FITTED[ignition], (), random.Random(1), late=late, banks=banks)


def counters(subject: Ecu) -> list[int]:
    answer = subject.answer(b"\x09\x0b" if subject.ignition == COMPRESSION else b"\x09\x08")
    assert answer is not None
    assert answer[0] == 0x49
    assert len(answer) == 3 + 2 * answer[2]
    return [int.from_bytes(answer[p : p + 2], "big") for p in range(3, len(answer), 2)]


@pytest.mark.parametrize(
    "ignition, late, items",
    [
        # SAE J1979 infotypes 08 and 0B: 16, then 20 (C) and 18 (B) counters
        pytest.param(SPARK, False, 16, id="spark, before 2010"),
        pytest.param(SPARK, True, 20, id="spark"),
        pytest.param(COMPRESSION, False, 16, id="compression, earlier edition"),
        pytest.param(COMPRESSION, True, 18, id="compression"),
    ],
)
def test_as_many_counters_as_the_edition_has(ignition: str, late: bool, items: int) -> None:
    assert len(counters(ecu(ignition, late=late))) == items


def test_the_counters_stand_in_the_published_order() -> None:
    # SAE J1979 infotype 08 (B): OBDCOND, IGNCNTR, CATCOMP1, CATCOND1, CATCOMP2, CATCOND2, O2S
    # bank 1 and 2, EGR, AIR, EVAP, each numerator first; SO2S bank 1 and 2 (C)
    subject = ecu(late=True, banks=2)
    assert subject.in_use is not None
    subject.in_use.general, subject.in_use.ignitions = 1, 2
    names = ("CAT1", "CAT2", "O2S1", "O2S2", "EGR", "AIR", "EVAP", "SO2S1", "SO2S2")
    for place, name in enumerate(names):
        subject.in_use.ratios[name] = Ratio(3 + 2 * place, 4 + 2 * place)
    expected = b"\x49\x08\x14" + b"".join(n.to_bytes(2, "big") for n in range(1, 21))
    assert subject.answer(b"\x09\x08") == expected


def test_only_the_infotype_of_its_ignition_is_answered() -> None:
    assert ecu(SPARK).answer(b"\x09\x0b") is None
    assert ecu(COMPRESSION).answer(b"\x09\x08") is None
    assert ecu(SPARK).answer(b"\x09\x00") == bytes.fromhex("4900 55400000")
    assert ecu(COMPRESSION).answer(b"\x09\x00") == bytes.fromhex("4900 54600000")


CONDITIONS = [
    # General denominator, 13 CCR 1968.2(d)(4.3.2), from memory: 600 s, 300 s at 25 mph, 30 s of
    # idle, 20 degF; the evaporative one also a cold start
    pytest.param(COUNTED, 1, 1, id="all at their limits"),
    pytest.param(replace(COUNTED, engine_on_s=599), 0, 0, id="just short of 600 s"),
    pytest.param(replace(COUNTED, fast_s=299), 0, 0, id="just short of 300 s at speed"),
    pytest.param(replace(COUNTED, longest_idle_s=29), 0, 0, id="just short of 30 s of idle"),
    pytest.param(replace(COUNTED, ambient_c=-7.0), 0, 0, id="too cold"),
    pytest.param(replace(COUNTED, soak_s=6 * 3600 - 1), 1, 0, id="not parked long enough"),
    pytest.param(replace(COUNTED, fuel_pct=90), 1, 0, id="tank too full"),
]


@pytest.mark.parametrize("conditions, general, evaporative", CONDITIONS)
def test_when_the_denominators_move(conditions: Conditions, general: int, evaporative: int) -> None:
    subject = ecu()
    before = counters(subject)
    subject.begin_cycle(conditions)
    subject.end_cycle(CycleEnd(conditions, 10.0, warm_up=True))
    moved = [new - old for new, old in zip(counters(subject), before, strict=True)]
    assert moved[0] == general
    assert moved[1] == 1  # ignition counter: every start
    assert moved[3] == general  # CATCOND1
    assert moved[5] == 0  # CATCOND2: no second bank
    assert moved[15] == evaporative  # EVAPCOND
    assert all(numerator <= 1 for numerator in moved[2::2])
    assert moved[2] == int("catalyst" in subject.ran)


def test_numerators_move_only_with_a_run() -> None:
    subject = ecu()
    for _ in range(50):
        subject.begin_cycle(COUNTED)
        subject.end_cycle(CycleEnd(COUNTED, 10.0, warm_up=True))
    numbers = counters(subject)
    assert numbers[3] == 50
    assert 15 <= numbers[2] <= 45


def test_both_rest_while_a_standing_code_disables_the_monitor() -> None:
    subject = ecu()
    subject.faults["P0135"] = FAULTS["P0135"]
    for _ in range(2):
        subject.begin_cycle(COUNTED)
        subject.end_cycle(CycleEnd(COUNTED, 10.0, warm_up=True))
    before = counters(subject)
    subject.begin_cycle(COUNTED)
    subject.end_cycle(CycleEnd(COUNTED, 10.0, warm_up=True))
    after = counters(subject)
    assert after[2:4] == before[2:4]  # catalyst
    assert after[0] == before[0] + 1


def test_a_clear_leaves_them_alone() -> None:
    subject = ecu()
    assert subject.in_use is not None
    subject.in_use.age(3000, 0.5)
    before = counters(subject)
    subject.clear()
    assert counters(subject) == before
    assert before[1] == 3000


@pytest.mark.parametrize(
    "start, completed, offered, expected",
    [
        # Halved together at 65,535, so that the ratio stays (from memory)
        pytest.param((100, 65534), False, True, (100, 65535), id="reaching the top"),
        pytest.param((100, 65535), False, True, (50, 32768), id="beyond the top"),
        pytest.param((65535, 30000), True, True, (32768, 15001), id="the numerator at the top"),
        pytest.param((65535, 30000), False, True, (65535, 30001), id="only the other moves"),
        pytest.param((65535, 65535), True, True, (32768, 32768), id="both at the top"),
    ],
)
def test_a_full_pair_is_halved_together(
    start: tuple[int, int], completed: bool, offered: bool, expected: tuple[int, int]
) -> None:
    ratio = Ratio(*start)
    ratio.count(completed=completed, offered=offered)
    assert (ratio.completed, ratio.offered) == expected


def test_the_ignition_and_general_counters_roll_over() -> None:
    counted = InUse(SPARK, {m.CATALYST}, general=65535, ignitions=65535)
    counted.end_cycle(COUNTED, set(), set())
    assert (counted.general, counted.ignitions) == (0, 0)
