"""The test results of a simulated controller against the records of service 06."""

from __future__ import annotations

import random
import struct

import pytest

from fleet_demo import monitors as m
from fleet_demo.ecu import CycleEnd, Ecu
from fleet_demo.faults import COMPRESSION, FAULTS, SPARK
from fleet_demo.monitors import Conditions
from fleet_demo.results import COMPRESSION_TESTS, SPARK_TESTS, BoardTest

COUNTED = Conditions(
    engine_on_s=900, fast_s=700, longest_idle_s=40, soak_s=7 * 3600, fuel_pct=50, ambient_c=20
)
FITTED = {SPARK: m.SPARK_WITH_SECONDARY_AIR, COMPRESSION: m.COMPRESSION}


def ecu(ignition: str = SPARK, banks: int = 1) -> Ecu:
    vin = "1G1JC5444R7252367"
    return Ecu(vin, ignition, FITTED[ignition], (), random.Random(1), banks=banks)


def cycle(subject: Ecu, times: int = 1) -> None:
    for _ in range(times):
        subject.begin_cycle(COUNTED)
        subject.end_cycle(CycleEnd(COUNTED, 10.0, warm_up=True))


def supported(subject: Ecu) -> set[int]:
    """What the bitmaps announce, followed as far as each says the next one is there."""
    found: set[int] = set()
    for base in range(0, 0x100, 0x20):
        answer = subject.answer(bytes((6, base)))
        if answer is None:
            break
        assert answer[:2] == bytes((0x46, base))
        word = int.from_bytes(answer[2:], "big")
        found |= {base + place for place in range(1, 32) if word >> (32 - place) & 1}
        if not word & 1:
            break
    return found


def records(subject: Ecu) -> list[tuple[int, int, int, int, int, int]]:
    """All records, read as the standard says: scaling ids from 80 on are two's complement."""
    rows = []
    for obdmid in sorted(supported(subject)):
        answer = subject.answer(bytes((6, obdmid)))
        assert answer is not None
        assert answer[0] == 0x46
        assert len(answer) % 9 == 1
        for place in range(1, len(answer), 9):
            record = answer[place : place + 9]
            assert record[0] == obdmid
            layout = ">hhh" if record[2] >= 0x80 else ">HHH"
            rows.append((*record[:3], *struct.unpack(layout, record[3:])))
    return rows


def failing(subject: Ecu) -> set[tuple[int, int]]:
    return {
        (row[0], row[1]) for row in records(subject) if not row[4] <= row[3] <= row[5]
    }  # pass when min <= value <= max (B)


@pytest.mark.parametrize(
    "test, value, expected",
    [
        # ISO 15031-5 example, second-hand (C); its continuation from memory
        pytest.param(
            BoardTest(m.OXYGEN_SENSOR, 0x01, 0x01, 0x0A, 0x0BB0, 0x0BB0, 0, 0),
            0x0BB0, "01 01 0A 0BB0 0BB0 0BB0", id="published: a constant of 0.365 V",
        ),
        pytest.param(
            BoardTest(m.OXYGEN_SENSOR, 0x01, 0x05, 0x10, 0, 0x60, 0, 0),
            0x48, "01 05 10 0048 0000 0060", id="recalled: switched in 72 ms, up to 96 ms pass",
        ),
        pytest.param(
            BoardTest(m.EVAPORATIVE, 0x3B, 0x80, 0xFD, -1500, 500, 0, 0),
            -180, "3B 80 FD FF4C FA24 01F4", id="signed, worked out by hand",
        ),
        pytest.param(
            BoardTest(m.EVAPORATIVE, 0x3B, 0x80, 0xFD, -1500, 500, 0, 0),
            None, "3B 80 FD 0000 0000 0000", id="not run since the clear: all zero, from memory",
        ),
    ],
)  # fmt: skip
def test_record_bytes(test: BoardTest, value: int | None, expected: str) -> None:
    assert test.record(value) == bytes.fromhex(expected)


@pytest.mark.parametrize("ignition, banks", [(SPARK, 1), (SPARK, 2), (COMPRESSION, 1)])
def test_the_bitmaps_announce_what_is_answered(ignition: str, banks: int) -> None:
    subject = ecu(ignition, banks)
    asked = {n for n in range(1, 256) if n % 32 and subject.answer(bytes((6, n))) is not None}
    assert asked == supported(subject)
    # OBDMIDs (B): 21/22 catalyst, 31 EGR, 3B evaporative 0.040 in, A1 misfire of all cylinders
    assert {0x21, 0x31, 0xA1, 0xA2} <= asked
    assert (0x22 in asked) == (banks == 2)
    assert ({0x01, 0x39, 0x3B} <= asked) == (ignition == SPARK)


@pytest.mark.parametrize("ignition", [SPARK, COMPRESSION])
def test_good_parts_stay_within_their_limits(ignition: str) -> None:
    subject = ecu(ignition)
    for _ in range(60):
        cycle(subject)
        assert failing(subject) == set()


@pytest.mark.parametrize(
    "code, ignition, expected",
    [
        pytest.param("P0420", SPARK, {(0x21, 0x80)}, id="catalyst"),
        pytest.param("P0133", SPARK, {(0x01, 0x05)}, id="oxygen sensor"),
        pytest.param("P0442", SPARK, {(0x3B, 0x80)}, id="small leak, signed"),
        pytest.param("P0455", SPARK, {(0x39, 0x80)}, id="large leak, signed"),
        pytest.param("P0401", COMPRESSION, {(0x31, 0x80)}, id="exhaust gas recirculation, signed"),
        pytest.param("P20EE", COMPRESSION, {(0x98, 0x80)}, id="below the lower limit"),
        pytest.param(
            "P0300", SPARK, {(0xA1, 0x0B), (0xA1, 0x0C), (0xA2, 0x0C), (0xA4, 0x0C)}, id="misfire"
        ),
    ],
)
def test_a_faulty_part_reads_beyond_its_limit_and_a_repair_brings_it_back(
    code: str, ignition: str, expected: set[tuple[int, int]]
) -> None:
    subject = ecu(ignition)
    subject.faults[code] = FAULTS[code]
    cycle(subject)
    assert failing(subject) == expected
    subject.faults.clear()
    cycle(subject, 12)
    assert failing(subject) == set()


def test_it_gets_worse_while_nobody_repairs_it() -> None:
    subject = ecu()
    subject.faults["P0300"] = FAULTS["P0300"]
    seen = []
    for _ in range(4):
        cycle(subject)
        seen.append(next(row[3] for row in records(subject) if row[:2] == (0xA1, 0x0B)))
    assert seen == sorted(set(seen))


def test_after_a_clear_every_record_is_zero_until_its_monitor_runs() -> None:
    subject = ecu()
    subject.clear()
    assert all(row[3:] == (0, 0, 0) for row in records(subject))
    cycle(subject)
    for row in records(subject):
        if row[0] >= 0xA1:
            assert row[5] > 0  # misfire is judged in every cycle
    ran = {test.obdmid for test in SPARK_TESTS if test.monitor in subject.ran}
    assert {row[0] for row in records(subject) if row[3:] != (0, 0, 0)} <= ran


def test_results_last_over_a_cycle_without_a_run() -> None:
    subject = ecu()
    before = records(subject)
    short = Conditions(20, 0, 10, 0, 50, 20)
    subject.begin_cycle(short)
    subject.end_cycle(CycleEnd(short, 0.1, warm_up=False))
    assert records(subject) == before


def test_every_raw_value_fits_its_two_bytes() -> None:
    for test in (*SPARK_TESTS, *COMPRESSION_TESTS):
        for bad_runs in (0, 1, 2, 1000) if test.code else (0,):
            assert len(test.record(test.measure(random.Random(1), bad_runs))) == 9
