"""The simulated controller against byte strings published outside the project."""

from __future__ import annotations

import random

import pytest

from fleet_demo import monitors as m
from fleet_demo.ecu import Calibration, Counters, CycleEnd, Ecu, _bitmap
from fleet_demo.faults import FAULTS, code_bytes
from fleet_demo.lamp import CodeState
from fleet_demo.monitors import Conditions

PUBLISHED_VIN = "1G1JC5444R7252367"  # ISO 15031-5 service 09 example, second-hand (C)
CALIBRATIONS = (
    Calibration("JMB*36761500", bytes.fromhex("1791BC82")),
    Calibration("JMB*4787261111", bytes.fromhex("16E062BE")),
)
COUNTED = Conditions(
    engine_on_s=600, fast_s=300, longest_idle_s=30, soak_s=6 * 3600, fuel_pct=50, ambient_c=20
)


def ecu(
    ignition: str = "spark",
    fitted: tuple[m.Monitor, ...] = m.SPARK,
    *,
    complete: bool = True,
    engine: bool = True,
    odometer: bool = True,
) -> Ecu:
    return Ecu(
        vin=PUBLISHED_VIN,
        ignition=ignition,
        monitors=fitted,
        calibrations=CALIBRATIONS,
        rng=random.Random(1),
        engine=engine,
        tells_odometer=odometer,
        complete={monitor.name for monitor in fitted} if complete else set(),
    )


def lit(*codes: str) -> dict[str, CodeState]:
    return {code: CodeState(code, m.CATALYST, False, True, True) for code in codes}


def test_a_support_bitmap_puts_the_first_identifier_in_the_highest_bit() -> None:
    # SAE J1979 PID 00 example as an encyclopedia prints it (B, recomputed): BE 1F A8 13
    identifiers = [0x01, *range(0x03, 0x08), *range(0x0C, 0x12), 0x13, 0x15, 0x1C, 0x1F, 0x20]
    assert _bitmap(identifiers, 0) == bytes.fromhex("BE1FA813")


def test_every_identifier_a_controller_announces_it_answers_and_no_other() -> None:
    subject = ecu()
    announced: set[int] = set()
    for base in (0x00, 0x20, 0x40, 0x60, 0x80, 0xA0):
        answer = subject.answer(bytes((1, base)))
        assert answer is not None
        assert answer[:2] == bytes((0x41, base))
        word = int.from_bytes(answer[2:], "big")
        announced |= {base + place for place in range(1, 33) if word >> (32 - place) & 1}
    asked = {pid for pid in range(1, 256) if subject.answer(bytes((1, pid))) is not None}
    assert asked == announced
    assert {0x01, 0x1C, 0x21, 0x30, 0x31, 0x41, 0x46, 0x4D, 0x4E, 0x51, 0xA6} <= asked


def test_bitmaps_end_where_the_last_identifier_is() -> None:
    subject = ecu(odometer=False)
    forty = subject.answer(b"\x01\x40")
    assert forty is not None
    assert forty[-1] & 1 == 0
    assert subject.answer(b"\x01\x60") is None


READINESS = [
    # SAE J1979 PID 01 layout (B). Byte strings: the first is published (C), the others are
    # worked out by hand from the bit table (X).
    pytest.param("spark", m.SPARK, {}, set(), "410100 07E500", id="published: all complete"),
    pytest.param(
        "spark", m.SPARK, lit("P0420", "P0442"), {m.EVAPORATIVE}, "410182 07E504",
        id="lamp on, two codes, evaporative system not complete",
    ),
    pytest.param(
        "compression", m.COMPRESSION, {}, {m.EGR_VVT, m.PM_FILTER, m.NOX, m.NMHC_CATALYST},
        "410100 0FEBC3", id="diesel, four not complete",
    ),
    pytest.param(
        "spark", m.TRANSMISSION, {}, {m.COMPONENTS}, "410100 440000",
        id="published layout of a second controller: components only, not complete",
    ),
]  # fmt: skip


@pytest.mark.parametrize("ignition, fitted, codes, open_, expected", READINESS)
def test_readiness_bytes(
    ignition: str,
    fitted: tuple[m.Monitor, ...],
    codes: dict[str, CodeState],
    open_: set[str],
    expected: str,
) -> None:
    subject = ecu(ignition, fitted)
    subject.memory.codes = codes
    subject.complete -= open_
    assert subject.answer(b"\x01\x01") == bytes.fromhex(expected)


CURRENT = [
    # SAE J1979 service 01 examples (C; A6 and 42 worked out from the formula, X)
    pytest.param("0C", "410C1F40", id="2000 rpm"),
    pytest.param("0D", "410D5A", id="90 km/h"),
    pytest.param("05", "41057B", id="83 degC"),
    pytest.param("30", "413017", id="23 warm-ups"),
    pytest.param("31", "413101F4", id="500 km since clear"),
    pytest.param("42", "414236B0", id="14.000 V"),
    pytest.param("A6", "41A600123456", id="119304.6 km"),
    pytest.param("1C", "411C01", id="OBD II of California"),
    pytest.param("51", "415101", id="gasoline"),
]


@pytest.mark.parametrize("pid, expected", CURRENT)
def test_current_data_bytes(pid: str, expected: str) -> None:
    subject = ecu()
    live = subject.live
    live.rpm, live.speed_kmh, live.coolant_c, live.module_v = 2000, 90, 83, 14.0
    live.odometer_km = 119304.6
    subject.counters = Counters(warm_ups=23, distance_km=500.9)
    assert subject.answer(bytes.fromhex("01" + pid)) == bytes.fromhex(expected)


SATURATION = [
    pytest.param(254, 65534.0, "FE", "FFFE", id="just before"),
    pytest.param(255, 65535.0, "FF", "FFFF", id="at the top"),
    pytest.param(256, 65536.0, "FF", "FFFF", id="beyond: held, not wrapped"),
]


@pytest.mark.parametrize("warm_ups, amount, one, two", SATURATION)
def test_counters_since_clear_saturate(warm_ups: int, amount: float, one: str, two: str) -> None:
    # SAE J1979 PIDs 30, 31, 4E, 21, 4D: saturation from memory
    subject = ecu()
    subject.counters = Counters(warm_ups, amount, amount, amount, amount)
    for pid, digits in (("30", one), ("31", two), ("4E", two), ("21", two), ("4D", two)):
        assert subject.answer(bytes.fromhex("01" + pid)) == bytes.fromhex("41" + pid + digits)


CODES = [
    # SAE J1979 / J2012 coding, published examples (B)
    ("U0158", "C158"), ("P0143", "0143"), ("P0234", "0234"), ("P02CD", "02CD"), ("P0A24", "0A24"),
    ("C0300", "4300"), ("B0200", "8200"), ("U0100", "C100"), ("P20EE", "20EE"),
]  # fmt: skip


@pytest.mark.parametrize("code, expected", CODES)
def test_a_code_is_two_bytes(code: str, expected: str) -> None:
    assert code_bytes(code) == bytes.fromhex(expected)


def test_every_fault_belongs_to_a_monitor_its_vehicles_have() -> None:
    fitted = {"spark": m.SPARK, "compression": m.COMPRESSION}
    for fault in FAULTS.values():
        for ignition, monitors in fitted.items():
            if fault.fits(ignition):
                assert fault.monitor in {monitor.name for monitor in monitors}, fault.code


def test_service_03_counts_and_lists_confirmed_codes() -> None:
    # Published trace on CAN (C): 43 06 01 00 02 00 03 00 43 00 82 00 C1 00
    subject = ecu()
    subject.memory.codes = lit("P0100", "P0200", "P0300", "C0300", "B0200", "U0100")
    expected = bytes.fromhex("43 06 0100 0200 0300 4300 8200 C100")
    assert subject.answer(b"\x03") == expected


@pytest.mark.parametrize("request_, expected", [("03", "4300"), ("07", "4700"), ("0A", "4A00")])
def test_no_codes_is_an_answer_of_zero(request_: str, expected: str) -> None:
    assert ecu().answer(bytes.fromhex(request_)) == bytes.fromhex(expected)


def test_identity_bytes() -> None:
    # ISO 15031-5 example, second-hand (C): VIN, two calibrations, two verification numbers
    subject = ecu()
    assert subject.answer(b"\x09\x02") == bytes.fromhex(
        "49020131 47314A43 35343434 52373235 32333637"
    )
    assert subject.answer(b"\x09\x06") == bytes.fromhex("490602 1791BC82 16E062BE")
    names = b"JMB*36761500\0\0\0\0JMB*4787261111\0\0"
    assert subject.answer(b"\x09\x04") == b"\x49\x04\x02" + names
    assert subject.answer(b"\x09\x00") == bytes.fromhex("4900 55400000")


SILENT = ["", "04", "08", "02 0C 00", "02 0C", "02 0C 01", "05", "06", "06 02", "06 21 22",
          "01", "01 7F", "09 03", "03 00", "22 F8 10",
          "14 FF FF 33"]  # fmt: skip


@pytest.mark.parametrize("request_", SILENT)
def test_what_is_not_supported_meets_silence_and_changes_nothing(request_: str) -> None:
    # SAE J1979 4.1.4.2: a functional request that is not supported gets no answer (C)
    subject = ecu()
    subject.memory.codes = lit("P0420")
    before = subject.answer(b"\x01\x01")
    assert subject.answer(bytes.fromhex(request_)) is None
    assert subject.answer(b"\x01\x01") == before


def test_several_identifiers_in_one_request_are_answered_in_turn() -> None:
    subject = ecu()
    subject.live.speed_kmh = 90
    assert subject.answer(bytes.fromhex("01 0D 7F 1C")) == bytes.fromhex("41 0D5A 1C01")


def test_this_driving_cycle_shows_enabled_and_not_yet_run() -> None:
    # PID 41: byte A 0; support bit = enabled for this cycle, 1 = has not run yet (C)
    subject = ecu()
    warm = Conditions(
        engine_on_s=600, fast_s=300, longest_idle_s=30, soak_s=600, fuel_pct=50, ambient_c=20
    )
    subject.begin_cycle(warm)
    assert subject.answer(b"\x01\x41") == bytes.fromhex("4141 00 77 E1 E1")
    subject.begin_cycle(COUNTED)
    assert subject.answer(b"\x01\x41") == bytes.fromhex("4141 00 77 E5 E5")


def test_a_standing_fault_disables_what_it_blocks_in_this_cycle() -> None:
    subject = ecu()
    subject.faults["P0135"] = FAULTS["P0135"]
    for _ in range(2):
        subject.begin_cycle(COUNTED)
        subject.end_cycle(CycleEnd(COUNTED, 10.0, warm_up=True))
    assert subject.memory.lamp_on()
    subject.begin_cycle(COUNTED)
    answer = subject.answer(b"\x01\x41")
    assert answer is not None
    assert answer[4] & 0b0010_0001 == 0  # oxygen sensor (bit 5) and catalyst (bit 0)


def test_a_clear_resets_readiness_codes_and_counters_but_not_permanent_codes() -> None:
    # SAE J1979 service 04 effect (C); 13 CCR 1968.2 (d)(2.2.5): permanent codes stay (C)
    subject = ecu()
    subject.faults["P0420"] = FAULTS["P0420"]
    for _ in range(3):
        subject.begin_cycle(COUNTED)
        subject.end_cycle(CycleEnd(COUNTED, 10.0, warm_up=True))
    assert subject.answer(b"\x01\x21") == bytes.fromhex("4121000A")
    assert subject.answer(b"\x01\x4d") == bytes.fromhex("414D000A")
    subject.clear()
    assert subject.answer(b"\x01\x01") == bytes.fromhex("4101 00 07 E5 E5")
    assert subject.answer(b"\x03") == b"\x43\x00"
    assert subject.answer(b"\x07") == b"\x47\x00"
    assert subject.answer(b"\x0a") == bytes.fromhex("4A 01 0420")
    for pid in (0x21, 0x31, 0x4D, 0x4E):
        assert subject.answer(bytes((1, pid))) == bytes((0x41, pid, 0, 0))
    assert subject.answer(b"\x01\x30") == b"\x41\x30\x00"
