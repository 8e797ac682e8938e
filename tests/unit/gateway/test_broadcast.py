"""DM1 broadcasts against worked examples of SAE J1939-73, whole and in packets."""

from __future__ import annotations

import pytest
from msgspec import UNSET

from gateway.protocol.broadcast import (
    PACKET_GAP_S,
    Header,
    LampListener,
    decode_dm1,
    read_header,
)
from gateway.protocol.decode import FrameError

DM1_ID = 0x18FECA00
ANNOUNCE_ID, PACKET_ID = 0x18ECFF00, 0x18EBFF00
# Constructed from the layout of SAE J1939-73 5.7.1 (A) and the transport (C), recomputed:
# two codes, SPN 3251 FMI 2 and SPN 100 FMI 1, in ten bytes.
LONG = [
    (ANNOUNCE_ID, "20 0A 00 02 FF CA FE 00"),
    (PACKET_ID, "01 44 FF B3 0C 02 03 64"),
    (PACKET_ID, "02 00 01 01 FF FF FF FF"),
]


def feed(listener: LampListener, frames, step_s: float = 0.1):
    heard = [
        listener.feed(number, bytes.fromhex(data), place * step_s)
        for place, (number, data) in enumerate(frames)
    ]
    return heard[-1]


@pytest.mark.parametrize(
    "data, lamps, codes",
    [
        # A public example of the layout (C, recomputed).
        pytest.param(
            "04 FF 64 00 01 01 FF FF", ("off", "off", "on", "off"), [(100, 1, 1)], id="warning"
        ),
        # Constructed from SAE J1939-73 5.7.1 (A), recomputed.
        pytest.param(
            "44 FF B3 0C 02 03 FF FF", ("on", "off", "on", "off"), [(3251, 2, 3)], id="two lamps"
        ),
        # No code (from memory): SPN 0, FMI 0.
        pytest.param("00 FF 00 00 00 00 FF FF", ("off", "off", "off", "off"), [], id="no code"),
        pytest.param("00 FF FF FF FF FF FF FF", ("off",) * 4, [], id="code not available"),
        # Lamp pairs from the highest down; 11 is not available (from memory).
        pytest.param("FF FF 00 00 00 00 FF FF", ("not_available",) * 4, [], id="no lamp known"),
        pytest.param("40 FF 00 00 00 00 FF FF", ("on", "off", "off", "off"), [], id="malfunction"),
        pytest.param("10 FF 00 00 00 00 FF FF", ("off", "on", "off", "off"), [], id="stop"),
        pytest.param("01 FF 00 00 00 00 FF FF", ("off", "off", "off", "on"), [], id="protect"),
        # Byte 2: 00 slow, 01 fast, 11 no flash (newer edition; C).
        pytest.param(
            "55 1B 00 00 00 00 FF FF", ("slow_flash", "fast_flash", "on", "on"), [], id="flashing"
        ),
        pytest.param("00 00 00 00 00 00 FF FF", ("off",) * 4, [], id="an unlit lamp cannot flash"),
        # 19 bits of SPN: 524287 with FMI 31.
        pytest.param(
            "00 FF FF FF FF 7E FF FF", ("off",) * 4, [(524287, 31, 126)], id="the largest code"
        ),
    ],
)
def test_one_frame_has_its_lamps_and_codes(data, lamps, codes):
    heard = decode_dm1(bytes.fromhex(data), 0)
    assert (heard.malfunction, heard.stop, heard.warning, heard.protect) == lamps
    assert [(code.spn, code.fmi, code.occurrences) for code in heard.codes] == codes


def test_lamp_pairs_are_not_read_in_reverse():
    # SAE J1939-73 5.7.1 (A): the malfunction lamp is bits 8-7, not bits 2-1.
    heard = decode_dm1(bytes.fromhex("40FF00000000FFFF"), 0)
    assert heard.protect == "off"
    assert heard.malfunction == "on"


def test_the_older_order_of_a_number_is_flagged_and_an_unknown_count_absent():
    (code,) = decode_dm1(bytes.fromhex("04FF640001FFFFFF"), 0).codes
    assert (code.older_order, code.occurrences) == (True, UNSET)
    (code,) = decode_dm1(bytes.fromhex("04FF64000101FFFF"), 0).codes
    assert code.older_order is UNSET


@pytest.mark.parametrize("length", [0, 1, 2, 5, 7, 9, 11, 12, 13])
def test_another_length_is_refused(length):
    with pytest.raises(FrameError):
        decode_dm1(bytes(length), 0)


def test_packets_are_put_together():
    listener = LampListener()
    heard = feed(listener, LONG)
    assert heard is not None
    assert [(code.spn, code.fmi) for code in heard.codes] == [(3251, 2), (100, 1)]
    assert (heard.malfunction, heard.warning) == ("on", "on")
    assert listener.latest == {0: heard}
    assert listener.faults == 0


def test_what_fills_the_last_packet_is_no_code():
    # Four codes, 18 bytes in three packets (constructed as above): three bytes are left over.
    body = bytes.fromhex("44FF" + "640001 01" + "650002 02" + "660003 03" + "670004 04" + "FFFFFF")
    packets = [(PACKET_ID, f"{place + 1:02X}{body[7 * place :][:7].hex()}") for place in range(3)]
    heard = feed(LampListener(), [(ANNOUNCE_ID, "20 12 00 03 FF CA FE 00"), *packets])
    assert heard is not None
    assert [(code.spn, code.fmi) for code in heard.codes] == [
        (100, 1),
        (101, 2),
        (102, 3),
        (103, 4),
    ]


def test_two_senders_do_not_mix():
    listener = LampListener()
    other = [(number | 0x21, data) for number, data in LONG]
    frames = [frame for pair in zip(LONG, other, strict=True) for frame in pair]
    feed(listener, frames)
    assert sorted(listener.latest) == [0x00, 0x21]
    assert listener.faults == 0


@pytest.mark.parametrize(
    "frames, faults",
    [
        pytest.param(LONG[:2], 0, id="cut short"),
        pytest.param([LONG[1], LONG[2]], 0, id="no announcement"),
        pytest.param([LONG[0], LONG[2], LONG[1]], 1, id="out of order"),
        pytest.param([LONG[0], LONG[1], LONG[1]], 1, id="a packet twice"),
        pytest.param([LONG[0], (PACKET_ID, "01 44 FF"), LONG[2]], 1, id="a short packet"),
        pytest.param([(ANNOUNCE_ID, "20 0A 00 03 FF CA FE 00"), *LONG[1:]], 1, id="wrong count"),
        pytest.param([(ANNOUNCE_ID, "20 08 00 02 FF CA FE 00"), *LONG[1:]], 1, id="too small"),
        pytest.param([(ANNOUNCE_ID, "20 FA 06 FF FF CA FE 00"), *LONG[1:]], 1, id="too large"),
        pytest.param([(ANNOUNCE_ID, "20 0A 00 02 FF CB FE 00"), *LONG[1:]], 0, id="another group"),
        pytest.param([(ANNOUNCE_ID, "10 0A 00 02 FF CA FE 00"), *LONG[1:]], 0, id="no broadcast"),
        pytest.param([(0x18EC2100, LONG[0][1]), *LONG[1:]], 0, id="to one controller"),
        pytest.param([(ANNOUNCE_ID, "20 0A"), *LONG[1:]], 1, id="a short announcement"),
        pytest.param([(DM1_ID, "04 FF")], 1, id="a short frame"),
    ],
)
def test_a_broken_message_is_dropped_and_counted(frames, faults):
    listener = LampListener()
    assert feed(listener, frames) is None
    assert (listener.latest, listener.faults) == ({}, faults)


@pytest.mark.parametrize(
    "gap_s, whole",
    [
        # 750 ms between packets (from memory).
        pytest.param(PACKET_GAP_S, True, id="at the limit"),
        pytest.param(PACKET_GAP_S + 0.001, False, id="just after it"),
    ],
)
def test_a_late_packet_ends_the_message(gap_s, whole):
    listener = LampListener()
    assert (feed(listener, LONG, gap_s) is not None) is whole


def test_a_new_announcement_takes_the_place_of_one_that_broke_off():
    listener = LampListener()
    assert feed(listener, [LONG[0], LONG[1], *LONG]) is not None
    assert listener.faults == 1


@pytest.mark.parametrize(
    "number, header",
    [
        # SAE J1939 identifiers (A): a group below F000 carries the address it is sent to.
        pytest.param(0x18FECA00, Header(0xFECA, 0xFF, 0x00), id="DM1"),
        pytest.param(0x18EBFF21, Header(0xEB00, 0xFF, 0x21), id="a packet to all"),
        pytest.param(0x18EB0021, Header(0xEB00, 0x00, 0x21), id="a packet to one"),
        pytest.param(0x18EFFF03, Header(0xEF00, 0xFF, 0x03), id="the last group with an address"),
        pytest.param(0x18F00403, Header(0xF004, 0xFF, 0x03), id="the first groups without"),
    ],
)
def test_an_identifier_says_group_target_and_sender(number, header):
    assert read_header(number) == header
