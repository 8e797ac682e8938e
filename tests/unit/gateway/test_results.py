"""Service 06 against the published example, the sign rule, and layouts that are none."""

from __future__ import annotations

from fractions import Fraction

import pytest
from msgspec import UNSET

from gateway import facts
from gateway.protocol.decode import FrameError
from gateway.protocol.results import decode_results
from gateway.protocol.scalings import MAKER, MEMORY, SCALINGS, TWO_MAKERS, is_signed

# ISO 15031-5 example, second-hand (C, recomputed): bank 1 sensor 1, rich to lean threshold.
PUBLISHED = "01 01 0A 0BB0 0BB0 0BB0"
# Its recalled continuation (from memory): switch time 72 ms, limits 0 to 96 ms.
RECALLED = "01 05 10 0048 0000 0060"


def one(record: str):
    raw = bytes.fromhex(record)
    (result,) = decode_results(b"\x46" + raw, raw[0])
    return result


def test_the_published_record_has_its_published_meaning():
    result = one(PUBLISHED)
    assert (result.monitor_id, result.test_id, result.scaling_id) == (1, 1, 0x0A)
    assert result.value == result.low == result.high == pytest.approx(0.365, abs=0.0005)
    assert (result.unit, result.passed) == ("V", True)


def test_several_records_of_one_monitor_come_in_their_order():
    both = decode_results(bytes.fromhex("46" + PUBLISHED + RECALLED), 1)
    assert [result.test_id for result in both] == [1, 5]
    assert (both[1].value, both[1].low, both[1].high) == pytest.approx((0.072, 0, 0.096))
    assert both[1].unit == "s"


@pytest.mark.parametrize(
    "record, passed",
    [
        # Pass when min <= value <= max (two secondary sources; B), worked by hand.
        pytest.param("21 80 24 0005 0005 000A", True, id="at the lower limit"),
        pytest.param("21 80 24 0004 0005 000A", False, id="just below the lower limit"),
        pytest.param("21 80 24 000A 0005 000A", True, id="at the upper limit"),
        pytest.param("21 80 24 000B 0005 000A", False, id="just above the upper limit"),
        pytest.param("21 80 24 FFFF 0000 FFFF", True, id="one-sided limits"),
        # Two's complement from id 80 on (SAE J1979, from memory).
        pytest.param("21 80 81 FFFD FFFB 0004", True, id="signed: -3 from -5 to 4"),
        pytest.param("21 80 81 FFFA FFFB 0004", False, id="signed: -6 from -5 to 4"),
        pytest.param("21 80 01 FFFD FFFB 0004", False, id="unsigned: 65533 above 4"),
        pytest.param("21 80 7F FFFD FFFB 0004", False, id="7F is not signed, and unknown"),
        pytest.param("21 80 FA FFFD FFFB 0004", True, id="FA is signed, and unknown"),
        pytest.param("21 80 FE 8000 8000 7FFF", True, id="FE is signed, at its lowest"),
        pytest.param("21 80 FF FFFD FFFB 0004", False, id="FF is not signed"),
        # All three numbers zero: has not run since codes were cleared (from memory).
        pytest.param("21 80 24 0000 0000 0000", UNSET, id="has not run"),
        pytest.param("21 80 24 0000 0000 0001", True, id="zero within limits has run"),
        pytest.param("21 80 24 0000 0001 0001", False, id="zero below the limit has failed"),
    ],
)
def test_a_result_is_judged_on_its_raw_signed_numbers(record, passed):
    assert one(record).passed == passed


def test_an_unknown_scaling_keeps_raw_numbers_without_a_unit():
    result = one("21 80 FA FFFD FFFB 0004")
    assert (result.value, result.low, result.high, result.unit) == (-3, -5, 4, UNSET)


@pytest.mark.parametrize(
    "answer, monitor",
    [
        # SAE J1979 layout (C): 46 and whole records of nine bytes, each with the monitor id.
        pytest.param("", 1, id="nothing"),
        pytest.param("46", 1, id="no record"),
        pytest.param("46" + PUBLISHED[:-2], 1, id="cut short"),
        pytest.param("46" + PUBLISHED + "00", 1, id="a tail"),
        pytest.param("46 01" + PUBLISHED[2:] + RECALLED[2:], 1, id="groups of eight"),
        pytest.param("46" + PUBLISHED, 2, id="another monitor"),
        pytest.param("46" + PUBLISHED + "21 80 24 0000 0000 0001", 1, id="two answers mixed"),
        pytest.param("47" + PUBLISHED, 1, id="another service"),
    ],
)
def test_another_layout_is_refused(answer, monitor):
    with pytest.raises(FrameError):
        decode_results(bytes.fromhex(answer), monitor)


def test_an_answer_cut_at_any_byte_but_a_record_is_refused():
    whole = bytes.fromhex("46" + PUBLISHED + RECALLED)
    for end in range(len(whole)):
        if end != 10:
            with pytest.raises(FrameError):
                decode_results(whole[:end], 1)


@pytest.mark.parametrize(
    "scaling, raw, value, unit",
    [
        # General Motors, Mode $06 data definitions (C).
        pytest.param(0x0A, 1, 0.000122, "V", id="0A 0.122 mV"),
        pytest.param(0x10, 72, 0.072, "s", id="10 1 ms"),
        pytest.param(0x11, 3, 0.3, "s", id="11 100 ms"),
        pytest.param(0x16, 400, 0.0, "degC", id="16 0.1 degC from -40"),
        pytest.param(0x20, 256, 0.9999872, "ratio", id="20 ratio"),
        pytest.param(0x24, 7, 7, "count", id="24 count (Subaru 2007 too; B)"),
        pytest.param(0x9C, -50, -0.5, "deg", id="9C 0.01 deg"),
        pytest.param(0xB0, -32768, -100.007936, "%", id="B0 0.003052 %"),
        pytest.param(0xFD, -250, -0.25, "kPa", id="FD 0.001 kPa"),
        # SAE J1979 (from memory); some public tables print 02 as % and 03 as mV, wrongly.
        pytest.param(0x02, 10, 1.0, "raw number", id="02 is no per cent"),
        pytest.param(0x03, 100, 1.0, "raw number", id="03 is no voltage"),
        pytest.param(0x39, 32768, 0.0, "%", id="39 is offset"),
    ],
)
def test_scalings_are_those_of_their_source(scaling, raw, value, unit):
    row = SCALINGS[scaling]
    assert row.apply(raw) == pytest.approx(value)
    assert row.unit == unit


def test_every_scaling_names_its_source_and_a_step_above_zero():
    assert {row.source for row in SCALINGS.values()} == {MAKER, TWO_MAKERS, MEMORY}
    assert all(row.step > Fraction(0) and row.unit for row in SCALINGS.values())
    assert not is_signed(0x7F)
    assert is_signed(0x80)
    assert is_signed(0xFE)
    assert not is_signed(0xFF)


@pytest.mark.parametrize(
    "monitor, name",
    [
        # SAE J1979 monitor ids in makers' manuals (B; Subaru 2007 for A2).
        pytest.param(0x01, "oxygen sensor, bank 1 sensor 1", id="01"),
        pytest.param(0x06, "oxygen sensor, bank 2 sensor 2", id="06"),
        pytest.param(0x22, "catalyst, bank 2", id="22"),
        pytest.param(0x3C, "evaporative system, 0.020 inch leak", id="3C"),
        pytest.param(0x50, "oxygen sensor heater, bank 4 sensor 4", id="50"),
        pytest.param(0x81, "fuel system, bank 1", id="81 is no misfire"),
        pytest.param(0xA1, "misfire, all cylinders", id="A1 is not cylinder 1"),
        pytest.param(0xA2, "misfire, cylinder 1", id="A2"),
        pytest.param(0xAD, "misfire, cylinder 12", id="AD"),
        pytest.param(0xE1, None, id="the maker's own"),
        pytest.param(0x20, None, id="a bitmap"),
    ],
)
def test_monitor_ids_have_their_names(monitor, name):
    assert facts.MONITOR_TEST_NAMES.get(monitor) == name
