"""Only well-formed reads pass the guard, whatever the bytes."""

from __future__ import annotations

import contextlib
import random

import pytest

from gateway.protocol.guard import Guard, Refused, allow, single_frame

# Services that read, by SAE J1979 (B); the newer protocol's services begin at 10 (B).
READS = {0x01, 0x02, 0x03, 0x06, 0x07, 0x09, 0x0A}


def passes(request: bytes) -> bool:
    try:
        return allow(request) == request
    except Refused:
        return False


def check(rounds: int) -> None:
    dice = random.Random(1979)
    for number in range(rounds):
        request = bytes((number % 256,)) + dice.randbytes(dice.randrange(0, 9))
        for gate in (allow, Guard(identified=True).allow):
            try:
                sent = gate(request)
            except Refused:
                continue
            assert sent == request
            assert sent[0] in READS
            assert len(sent) <= 7


def test_no_other_service_passes_with_any_payload():
    check(20_000)


@pytest.mark.long
def test_no_other_service_passes_with_any_payload_in_a_million_tries():
    check(1_000_000)


@pytest.mark.parametrize("service", range(256), ids="{:02X}".format)
def test_a_service_passes_in_some_length_exactly_when_it_reads(service):
    lengths = [size for size in range(1, 4096) if passes(bytes((service,)) + bytes(size - 1))]
    assert bool(lengths) == (service in READS)


@pytest.mark.parametrize(
    "request_, good",
    [
        # Lengths of requests on CAN by SAE J1979 (from memory).
        pytest.param("01 0C", True, id="one PID"),
        pytest.param("01 01 05 0C 0D 0F 1F", True, id="six PIDs"),
        pytest.param("01 01 05 0C 0D 0F 1F 21", False, id="seven PIDs"),
        pytest.param("01", False, id="no PID"),
        pytest.param("02 0C 00", True, id="freeze frame"),
        pytest.param("02 0C", False, id="freeze frame without its number"),
        pytest.param("03", True, id="confirmed codes"),
        pytest.param("03 00", False, id="confirmed codes with a tail"),
        pytest.param("04", False, id="clear"),
        pytest.param("05 01 01", False, id="oxygen sensors, not on CAN"),
        pytest.param("06 21", True, id="test results"),
        pytest.param("08 01", False, id="control"),
        pytest.param("09 02", True, id="VIN"),
        pytest.param("09 02 00", False, id="VIN with a tail"),
        pytest.param("0A", True, id="permanent codes"),
        pytest.param("0B", False, id="just after the last read"),
        pytest.param("10 03", False, id="session of the newer protocol"),
        pytest.param("14 FF FF 33", False, id="clear of the newer protocol"),
        pytest.param("22 F8 10", False, id="identification without a fitting"),
        pytest.param("2E F1 90 00", False, id="write"),
        pytest.param("31 01 00 00", False, id="routine"),
        pytest.param("", False, id="nothing"),
    ],
)
def test_a_request_passes_only_as_a_well_formed_read(request_, good):
    assert passes(bytes.fromhex(request_)) is good


def test_the_identification_read_passes_once_for_each_fitting():
    guard = Guard(identified=False)
    assert guard.allow(b"\x22\xf8\x10") == b"\x22\xf8\x10"
    assert guard.identified
    with pytest.raises(Refused):
        guard.allow(b"\x22\xf8\x10")
    with pytest.raises(Refused):
        Guard(identified=True).allow(b"\x22\xf8\x10")


@pytest.mark.parametrize("near", ["22 F8 11", "22 F8", "22 F8 10 00", "22 F9 10"])
def test_nothing_near_the_identification_read_passes(near):
    guard = Guard(identified=False)
    with pytest.raises(Refused):
        guard.allow(bytes.fromhex(near))
    assert not guard.identified


def test_what_passes_cannot_be_changed_afterwards():
    request = bytearray(b"\x03")
    allowed = allow(request)  # type: ignore[arg-type,unused-ignore]
    request[0] = 4
    assert allowed == b"\x03"


@pytest.mark.parametrize(
    "line, good",
    [
        # Frames and ids of ISO 15765-2 and -4 as tabulated (B); padding CC recommended (B).
        pytest.param("7DF 02 09 02 CC CC CC CC CC", True, id="VIN"),
        pytest.param("18DB33F1 02 09 02 CC CC CC CC CC", True, id="VIN on 29 bits"),
        pytest.param("7DF 07 01 01 05 0C 0D 0F 1F", True, id="six PIDs fill the frame"),
        pytest.param("7DF 02 09 02", False, id="not padded"),
        pytest.param("7DF 02 09 02 CC CC CC CC 00", False, id="padded otherwise"),
        pytest.param("7DF 03 09 02 CC CC CC CC CC", False, id="its length is wrong"),
        pytest.param("7DF 00 CC CC CC CC CC CC CC", False, id="of no length"),
        pytest.param("7DF 08 01 01 05 0C 0D 0F 1F", False, id="longer than a frame"),
        pytest.param("7DF", False, id="empty"),
        pytest.param("7DF 01 04 CC CC CC CC CC CC", False, id="clear"),
        pytest.param("7DF 10 08 01 01 05 0C 0D 0F", False, id="first frame of a long request"),
        pytest.param("7E0 02 09 02 CC CC CC CC CC", False, id="read of one ECU"),
        pytest.param("7E0 30 00 00 CC CC CC CC CC", True, id="go on"),
        pytest.param("7E7 32 00 00 CC CC CC CC CC", True, id="too long"),
        pytest.param("7E0 31 00 00 CC CC CC CC CC", False, id="wait"),
        pytest.param("7E0 30 08 00 CC CC CC CC CC", False, id="another block size"),
        pytest.param("7E8 30 00 00 CC CC CC CC CC", False, id="go on, to an answer's id"),
        pytest.param("7DF 30 00 00 CC CC CC CC CC", False, id="go on, to everybody"),
        pytest.param("18DA10F1 30 00 00 CC CC CC CC CC", True, id="go on, 29 bits"),
        pytest.param("18DAF1F1 30 00 00 CC CC CC CC CC", False, id="go on, to a tester"),
        pytest.param("18DA10FA 30 00 00 CC CC CC CC CC", False, id="go on, as another tester"),
        pytest.param("18FECC00 01 03 CC CC CC CC CC CC", False, id="J1939 clear"),
        pytest.param("18EAFFF9 CC FE 00", False, id="J1939 request"),
        pytest.param("3B0 02 09 02 CC CC CC CC CC", False, id="an id of the vehicle"),
    ],
)
def test_a_frame_passes_only_as_a_read_or_flow_control(line, good):
    number, *data = line.split()
    frame = (int(number, 16), len(number) == 8, bytes.fromhex("".join(data)))
    guard = Guard(identified=True)
    if good:
        assert guard.allow_frame(*frame) == frame[2]
    else:
        with pytest.raises(Refused):
            guard.allow_frame(*frame)


@pytest.mark.parametrize("extended", [False, True], ids=["11 bit", "29 bit"])
def test_any_service_in_a_frame_passes_exactly_when_it_reads(extended):
    number = 0x18DB33F1 if extended else 0x7DF
    for service in range(256):
        good = 0
        for size in range(1, 8):
            data = single_frame(bytes((service,)) + bytes(size - 1))
            with contextlib.suppress(Refused):
                good += Guard(identified=True).allow_frame(number, extended, data) == data
        assert bool(good) == (service in READS)


@pytest.mark.parametrize("size", [0, 8, 9, 300, 4096])
def test_a_request_beyond_one_frame_is_refused(size):
    with pytest.raises(Refused):
        single_frame(bytes(size))


def test_the_identification_frame_passes_once():
    frame = (0x7DF, False, single_frame(b"\x22\xf8\x10"))
    guard = Guard(identified=False)
    guard.allow_frame(*frame)
    assert guard.identified
    with pytest.raises(Refused):
        guard.allow_frame(*frame)
