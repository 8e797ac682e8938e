"""The freeze frame of a simulated controller against published answers of service 02."""

from __future__ import annotations

import random

import pytest

from fleet_demo import monitors as m
from fleet_demo.ecu import CycleEnd, Ecu
from fleet_demo.faults import COMPRESSION, FAULTS, SPARK
from fleet_demo.monitors import Conditions

COUNTED = Conditions(
    engine_on_s=900, fast_s=700, longest_idle_s=40, soak_s=7 * 3600, fuel_pct=50, ambient_c=20
)


def ecu(ignition: str = SPARK, **more: bool | int) -> Ecu:
    fitted = m.COMPRESSION if ignition == COMPRESSION else m.SPARK
    return Ecu("1G1JC5444R7252367", ignition, fitted, (), random.Random(1), **more)  # type: ignore[arg-type]


def cycle(subject: Ecu) -> None:
    subject.begin_cycle(COUNTED)
    subject.end_cycle(CycleEnd(COUNTED, 10.0, warm_up=True))


def frozen(code: str = "P0420", ignition: str = SPARK) -> Ecu:
    subject = ecu(ignition)
    subject.live.rpm, subject.live.speed_kmh = 2000, 90
    subject.faults[code] = FAULTS[code]
    cycle(subject)
    return subject


@pytest.mark.parametrize(
    "request_, expected",
    [
        # SAE J1979 service 02 (B); 42 0C 00 1F 40 = 2000 rpm at the fault is published (C)
        pytest.param("02 0C 00", "42 0C 00 1F 40", id="published: 2000 rpm"),
        pytest.param("02 02 00", "42 02 00 04 20", id="the causing code, P0420"),
        pytest.param("02 0D 00", "42 0D 00 5A", id="90 km/h"),
        pytest.param("02 0C 00 0D 00", "42 0C 00 1F 40 0D 00 5A", id="two pairs, from memory"),
        pytest.param("02 01 00", None, id="no PID 01 in a freeze frame (B)"),
        pytest.param("02 0C 01", None, id="only frame 00 is mandated (B)"),
        pytest.param("02 0C", None, id="no frame number"),
        pytest.param("02 31 00", None, id="a counter is no part of it"),
    ],
)
def test_frame_answers(request_: str, expected: str | None) -> None:
    answer = frozen().answer(bytes.fromhex(request_))
    assert answer == (None if expected is None else bytes.fromhex(expected))


def test_without_a_frame_the_causing_code_is_zero_and_nothing_else_answers() -> None:
    # SAE J1979: 0000 = no freeze frame, all other service 02 data is meaningless (B)
    subject = ecu()
    assert subject.answer(b"\x02\x02\x00") == bytes.fromhex("42 02 00 00 00")
    assert subject.answer(b"\x02\x0c\x00") is None


@pytest.mark.parametrize("code, ignition", [("P0420", SPARK), ("P20EE", COMPRESSION)])
def test_every_pid_the_bitmaps_announce_is_in_the_frame_and_no_other(
    code: str, ignition: str
) -> None:
    subject = frozen(code, ignition)
    announced: set[int] = set()
    for base in (0x00, 0x20, 0x40):
        answer = subject.answer(bytes((2, base, 0)))
        assert answer is not None
        assert answer[:3] == bytes((0x42, base, 0))
        word = int.from_bytes(answer[3:], "big")
        announced |= {base + place for place in range(1, 33) if word >> (32 - place) & 1}
    kept = {pid for pid in range(1, 256) if subject.answer(bytes((2, pid, 0))) is not None}
    assert kept == announced
    assert {0x02, 0x04, 0x05, 0x0B, 0x0C, 0x0D, 0x10, 0x5C} <= kept


def test_the_frame_keeps_what_the_sensors_read_then() -> None:
    subject = frozen()
    subject.live.rpm = 800
    cycle(subject)
    assert subject.answer(b"\x02\x0c\x00") == bytes.fromhex("42 0C 00 1F 40")


def test_a_clear_erases_the_frame() -> None:
    # SAE J1979 service 04 erases the freeze frame and its code (C)
    subject = frozen()
    subject.clear()
    assert subject.answer(b"\x02\x02\x00") == bytes.fromhex("42 02 00 00 00")


def test_the_frame_goes_with_a_pending_code_that_was_not_seen_again() -> None:
    subject = frozen("P0171")  # continuous: judged in every cycle
    del subject.faults["P0171"]
    cycle(subject)
    assert subject.answer(b"\x07") == b"\x47\x00"
    assert subject.frame.code == ""


@pytest.mark.parametrize(
    "first, second, kept",
    [
        # 13 CCR 1968.2: misfire and fuel system codes come first (from memory)
        pytest.param("P0442", "P0300", "P0300", id="misfire replaces another"),
        pytest.param("P0300", "P0442", "P0300", id="another does not replace misfire"),
        pytest.param("P0171", "P0300", "P0171", id="the first of two that come first stays"),
        pytest.param("P0442", "P0401", "P0442", id="the first of two others stays"),
    ],
)
def test_which_code_owns_the_frame(first: str, second: str, kept: str) -> None:
    subject = frozen(first)
    subject.faults[second] = FAULTS[second]
    cycle(subject)
    assert subject.frame.code == kept
