"""Whatever an ECU sends, decoding gives facts or `FrameError`, and facts fit the contract."""

from __future__ import annotations

import contextlib

import msgspec
from hypothesis import given
from hypothesis import strategies as st

from gateway.contract import EcuReading
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
from gateway.protocol.session import read_vehicle

HEADS = st.sampled_from(
    [bytes.fromhex(text) for text in ("", "43", "4302", "47", "4A", "490201", "490402", "490602")]
)
GARBAGE = st.builds(lambda head, tail: head + tail, HEADS, st.binary(max_size=80))


@given(GARBAGE, st.integers(0, 255))
def test_garbage_gives_facts_or_a_frame_error(answer, number):
    known = decode_readiness(b"\x00\x07\xff\xff")
    readers = [
        lambda: decode_pid(answer, number, 2),
        lambda: decode_bitmap(number, answer),
        lambda: decode_readiness(answer),
        lambda: decode_this_cycle(answer, known),
        lambda: decode_codes(answer, number),
        lambda: decode_codes(answer, 3),
        lambda: decode_vin(answer),
        lambda: decode_calibrations(answer, answer),
        *(lambda pid=pid: decode_value(pid, answer) for pid in PIDS.values()),
    ]
    for reader in readers:
        with contextlib.suppress(FrameError):
            reader()


@given(st.data())
def test_a_session_fed_with_garbage_ends_in_facts_the_contract_takes(data):
    def ask(request: bytes) -> dict[str, bytes]:
        echo = bytes((request[0] + 0x40, *request[1:]))
        body = st.binary(max_size=40)
        answer = st.one_of(body, st.builds(lambda tail: echo + tail, body))
        answers: dict[str, bytes] = data.draw(
            st.dictionaries(st.sampled_from(["7E8", "7E9"]), answer)
        )
        return answers

    result = read_vehicle(ask, want_evidence=True)
    body = msgspec.json.encode(result.ecus)
    assert msgspec.json.decode(body, type=dict[str, EcuReading]) == result.ecus
    assert all(isinstance(fault, str) for fault in result.faults)
