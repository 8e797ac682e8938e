"""The live values of a simulated engine: their scaling, and that they hang together."""

from __future__ import annotations

import random

import pytest

from fleet_demo import monitors as m
from fleet_demo.ecu import Ecu
from fleet_demo.faults import COMPRESSION, FAULTS, SPARK
from fleet_demo.sensors import _degrees, _percent, _trim, _two

LIVE_SPARK = {0x03, 0x04, 0x06, 0x07, 0x0B, 0x0E, 0x10, 0x11, 0x13, 0x14, 0x15, 0x5C, 0x5E}
LIVE_COMPRESSION = {0x04, 0x0B, 0x10, 0x11, 0x5C, 0x5E}


def ecu(ignition: str = SPARK, *codes: str, banks: int = 1, speed: float = 60.0) -> Ecu:
    fitted = m.COMPRESSION if ignition == COMPRESSION else m.SPARK
    subject = Ecu("1G1JC5444R7252367", ignition, fitted, (), random.Random(1), banks=banks)
    live = subject.live
    live.rpm, live.speed_kmh, live.coolant_c, live.run_s = 2100, speed, 88.0, 400.0
    subject.faults = {code: FAULTS[code] for code in codes}
    return subject


def read(subject: Ecu, pid: int) -> bytes:
    answer = subject.answer(bytes((1, pid)))
    assert answer is not None
    assert answer[:2] == bytes((0x41, pid))
    return answer[2:]


@pytest.mark.parametrize(
    "encoded, expected",
    [
        # SAE J1979 formulas (B), byte strings worked out by hand (X)
        pytest.param(_percent(20.0), "33", id="throttle 20.0 %"),
        pytest.param(_percent(100.0), "FF", id="load 100 %"),
        pytest.param(_two(26.00 * 100), "0A28", id="26.00 g/s"),
        pytest.param(_trim(0.0), "80", id="trim 0 %"),
        pytest.param(_trim(-100.0), "00", id="trim at its lowest"),
        pytest.param(_trim(99.9), "FF", id="trim held at its highest"),
        pytest.param(_degrees(83.0), "7B", id="83 degC"),
        pytest.param(_degrees(-41.0), "00", id="below the scale"),
    ],
)
def test_scaling(encoded: bytes, expected: str) -> None:
    assert encoded == bytes.fromhex(expected)


@pytest.mark.parametrize(
    "ignition, banks, there, absent",
    [
        pytest.param(SPARK, 1, LIVE_SPARK, {0x08, 0x09, 0x18, 0x19}, id="one bank"),
        pytest.param(SPARK, 2, LIVE_SPARK | {0x08, 0x09, 0x18, 0x19}, set(), id="two banks"),
        pytest.param(COMPRESSION, 1, LIVE_COMPRESSION, {0x06, 0x0E, 0x14}, id="compression"),
    ],
)
def test_what_each_engine_tells(
    ignition: str, banks: int, there: set[int], absent: set[int]
) -> None:
    subject = ecu(ignition, banks=banks)
    for pid in there:
        assert read(subject, pid)
    for pid in absent:
        assert subject.answer(bytes((1, pid))) is None


def test_a_warm_running_engine_makes_sense() -> None:
    subject = ecu()
    assert read(subject, 0x03) == b"\x02\x00"  # closed loop (B)
    assert 40 < read(subject, 0x04)[0] * 100 / 255 < 70
    assert 20 < read(subject, 0x0B)[0] < 101  # below the air pressure outside
    assert 5 < int.from_bytes(read(subject, 0x10), "big") / 100 < 80
    assert abs(read(subject, 0x07)[0] * 100 / 128 - 100) < 5
    assert 0 < int.from_bytes(read(subject, 0x5E), "big") / 20 < 40


def test_a_standing_engine_makes_sense() -> None:
    subject = ecu()
    subject.live.rpm = subject.live.speed_kmh = 0.0
    assert read(subject, 0x03) == b"\x00\x00"  # 0 = engine off (B)
    assert read(subject, 0x04) == b"\x00"
    assert read(subject, 0x0B)[0] == 101  # manifold against the air pressure: the same
    assert read(subject, 0x10) == b"\x00\x00"
    assert read(subject, 0x5E) == b"\x00\x00"


def test_a_cold_engine_runs_in_open_loop() -> None:
    subject = ecu()
    subject.live.coolant_c = 20.0
    assert read(subject, 0x03) == b"\x01\x00"  # open loop, cold (B)
    assert read(subject, 0x06) == b"\x80"


def test_a_boosted_engine_is_above_the_air_pressure() -> None:
    assert read(ecu(COMPRESSION), 0x0B)[0] > 140
    assert read(ecu(COMPRESSION, "P0299"), 0x0B)[0] < 125


def test_faults_show_where_a_person_would_look() -> None:
    assert read(ecu(SPARK, "P0171"), 0x07)[0] * 100 / 128 - 100 > 20  # lean: the trim adds fuel
    good, bad = (int.from_bytes(read(ecu(SPARK, *c), 0x10), "big") for c in ((), ("P0101",)))
    assert bad < good / 2
    assert read(ecu(SPARK, "P0135"), 0x03) == b"\x08\x00"  # open loop for a fault (B)


def test_a_good_catalyst_keeps_the_rear_sensor_still() -> None:
    def swing(subject: Ecu, pid: int) -> int:
        seen = []
        for second in range(30):
            subject.live.run_s = 400.0 + second
            seen.append(read(subject, pid)[0])
        return max(seen) - min(seen)

    assert swing(ecu(), 0x14) > 100  # more than half a volt
    assert swing(ecu(), 0x15) < 20
    assert swing(ecu(SPARK, "P0420"), 0x15) > 100


def test_ecu_names_are_twenty_characters() -> None:
    # SAE J1979 infotype 0A: 49 0A 01 and 20 characters (B); their text from memory
    engine = ecu().answer(b"\x09\x0a")
    assert engine == b"\x49\x0a\x01ECM\0-EngineControl\0\0"
    assert engine is not None
    assert len(engine) == 23


def test_a_busy_controller_asks_for_patience_only_while_the_engine_runs() -> None:
    # SAE J1979 negative response 78 (C)
    subject = ecu()
    subject.busy = True
    full = subject.answer(b"\x09\x02")
    got = [subject.answers(b"\x09\x02") for _ in range(6)]
    assert got[0] == [b"\x7f\x09\x78", full]
    assert [len(one) for one in got] == [2, 1, 1, 2, 1, 1]
    assert len(subject.answers(b"\x01\x00")) == 1
    assert subject.answers(b"\x09\x55") == []
    subject.live.rpm = 0.0
    assert all(len(subject.answers(b"\x09\x02")) == 1 for _ in range(4))
