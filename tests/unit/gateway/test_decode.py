"""Decoding against the published examples, one table of good and bad answers.

Each row of `golden/frames/answers.json` names its source; a row without a meaning is a bad one.
Every good row is checked whole, cut short at every byte, and with a tail.
"""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest

from gateway.facts import CycleStatus, Ignition, Monitor
from gateway.protocol import tables
from gateway.protocol.decode import (
    PIDS,
    FrameError,
    decode_bitmap,
    decode_calibrations,
    decode_codes,
    decode_pid,
    decode_readiness,
    decode_this_cycle,
    decode_value,
    decode_vin,
)

TABLE = Path(__file__).parents[2] / "golden" / "frames" / "answers.json"
ROWS: list[dict[str, Any]] = json.loads(TABLE.read_text("utf-8"))
GOOD = [pytest.param(row, id=row["name"]) for row in ROWS if row["expect"] is not None]
BAD = [pytest.param(row, id=row["name"]) for row in ROWS if row["expect"] is None]


def read(row: dict[str, Any], answer: bytes) -> object:
    """Decode an answer as its row says, into what JSON can hold."""
    kind = row["kind"]
    if kind == "bitmap":
        return sorted(decode_bitmap(0, decode_pid(answer, 0, 4)))
    if kind == "readiness":
        facts = decode_readiness(decode_pid(answer, 1, 4))
        return {
            "mil": facts.mil_commanded,
            "codes": facts.code_count,
            "ignition": facts.ignition.value,
            "complete": {monitor.value: done for monitor, done in facts.complete.items()},
        }
    if kind == "value":
        number = bytes.fromhex(row["answer"])[1]
        pid = PIDS[number]
        return {pid.field: decode_value(pid, decode_pid(answer, number, pid.width))}
    if kind == "obd_type":
        return decode_value(tables.OBD_TYPE_PID, decode_pid(answer, tables.OBD_TYPE, 1))
    if kind == "codes":
        return decode_codes(answer, row["service"])
    if kind == "vin":
        return decode_vin(answer)
    numbers = bytes.fromhex(row["numbers"]) if "numbers" in row else None
    found = decode_calibrations(answer, numbers)
    return [[item.id, item.cvn if isinstance(item.cvn, str) else None] for item in found]


@pytest.mark.parametrize("row", GOOD)
def test_a_published_answer_has_its_published_meaning(row):
    meaning = read(row, bytes.fromhex(row["answer"]))
    if row["kind"] == "value":
        assert meaning == pytest.approx(row["expect"])
    else:
        assert meaning == row["expect"]


@pytest.mark.parametrize("row", GOOD)
def test_an_answer_cut_short_is_refused_at_every_byte(row):
    answer = bytes.fromhex(row["answer"])
    for end in range(len(answer)):
        with pytest.raises(FrameError):
            read(row, answer[:end])


@pytest.mark.parametrize("row", GOOD)
def test_an_answer_with_a_tail_is_refused(row):
    for tail in (b"\x41", b"\x01\x43"):
        with pytest.raises(FrameError):
            read(row, bytes.fromhex(row["answer"]) + tail)


@pytest.mark.parametrize("row", BAD)
def test_a_bad_answer_is_refused(row):
    with pytest.raises(FrameError):
        read(row, bytes.fromhex(row["answer"]))


def test_pairs_of_zeros_after_the_codes_are_padding():
    # SAE J1979 as tabulated (B): 00 00 is padding, never P0000.
    assert decode_codes(bytes.fromhex("43010143 0000 0000"), 3) == ["P0143"]


@pytest.mark.parametrize(
    "data, expected",
    [
        # PID 41 of SAE J1979 (C, detail from memory), worked by hand from the bit table.
        pytest.param(
            "00 07 21 20",
            {
                Monitor.CATALYST: CycleStatus.COMPLETE,
                Monitor.OXYGEN_SENSOR: CycleStatus.NOT_COMPLETE,
                Monitor.EVAPORATIVE_SYSTEM: CycleStatus.DISABLED,
                Monitor.OXYGEN_SENSOR_HEATER: CycleStatus.DISABLED,
            },
            id="one ran, one has yet to run, two cannot",
        ),
        pytest.param(
            "00 07 FF FF",
            {
                Monitor.CATALYST: CycleStatus.NOT_COMPLETE,
                Monitor.OXYGEN_SENSOR: CycleStatus.NOT_COMPLETE,
                Monitor.EVAPORATIVE_SYSTEM: CycleStatus.NOT_COMPLETE,
                Monitor.OXYGEN_SENSOR_HEATER: CycleStatus.NOT_COMPLETE,
            },
            id="what PID 01 does not support is left out",
        ),
    ],
)
def test_this_cycle_is_read_for_the_monitors_supported_since_clear(data, expected):
    since_clear = decode_readiness(bytes.fromhex("82076504"))
    common = dict.fromkeys(
        (Monitor.MISFIRE, Monitor.FUEL_SYSTEM, Monitor.COMPONENTS), CycleStatus.COMPLETE
    )
    assert decode_this_cycle(bytes.fromhex(data), since_clear) == common | expected


def test_the_ignition_of_this_cycle_is_that_of_pid_01():
    since_clear = decode_readiness(bytes.fromhex("000F0100"))
    assert since_clear.ignition is Ignition.COMPRESSION
    status = decode_this_cycle(bytes.fromhex("00070101"), since_clear)
    assert status[Monitor.NMHC_CATALYST] is CycleStatus.NOT_COMPLETE
    assert Monitor.CATALYST not in status


def test_every_value_is_a_field_of_the_report():
    from gateway.contract import EcuReading, Report

    fields = set(Report.__struct_fields__)
    assert {pid.field for pid in PIDS.values()} <= fields
    assert tables.OBD_TYPE_PID.field in EcuReading.__struct_fields__


def test_the_highest_bit_of_a_bitmap_is_its_first_id_and_the_lowest_its_last():
    assert decode_bitmap(0x20, bytes.fromhex("80000001")) == {0x21, 0x40}
    assert decode_bitmap(0xA0, bytes.fromhex("04000000")) == {0xA6}
