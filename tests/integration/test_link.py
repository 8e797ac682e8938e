"""The link on a virtual bus: published traces replayed by scripted ECUs, heard by a listener.

Traces: SAE J1979 answers over ISO 15765-4 (B), replayed before on a virtual bus.
"""

from __future__ import annotations

import can
import pytest

from gateway.link import BusTaken
from gateway.protocol.guard import Guard, Refused
from gateway.protocol.session import read_vehicle
from tests.support.can_bench import Script, bench, says

VIN = "490201314D3847444D3941584B50303432373838"
CODES = "430601000200030043008200C100"


def test_the_vin_trace_is_reproduced_frame_by_frame():
    with bench({0x7E8: says(x0902=VIN)}) as at:
        assert at.link.ask(b"\x09\x02") == {"7E8": bytes.fromhex(VIN)}
        assert at.heard() == [
            ("7DF", "02 09 02 CC CC CC CC CC"),
            ("7E8", "10 14 49 02 01 31 4D 38"),
            ("7E0", "30 00 00 CC CC CC CC CC"),
            ("7E8", "21 47 44 4D 39 41 58 4B"),
            ("7E8", "22 50 30 34 32 37 38 38"),
        ]


def test_two_ecus_answer_in_parallel():
    with bench({0x7E8: says(x03=CODES), 0x7E9: says(x03="43010101")}) as at:
        assert at.link.ask(b"\x03") == {
            "7E8": bytes.fromhex(CODES),
            "7E9": bytes.fromhex("43010101"),
        }
        frames = at.heard()
        assert ("7E0", "30 00 00 CC CC CC CC CC") in frames
        assert ("7E9", "04 43 01 01 01 CC CC CC") in frames


def test_two_long_answers_at_once_are_both_put_together():
    ecus = {0x7E8: says(x0902=VIN), 0x7EF: says(x0902=VIN)}
    with bench(ecus) as at:
        assert set(at.link.ask(b"\x09\x02").values()) == {bytes.fromhex(VIN)}
        assert {number for number, _ in at.heard()} == {"7DF", "7E0", "7E7", "7E8", "7EF"}


def test_29_bit_ids_carry_the_same_conversation():
    with bench({0x10: says(x0902=VIN), 0x18: says(x0902=VIN)}, bits29=True) as at:
        answers = at.link.ask(b"\x09\x02")
        assert answers == dict.fromkeys(("18DAF110", "18DAF118"), bytes.fromhex(VIN))
        frames = at.heard()
        assert frames[0] == ("18DB33F1", "02 09 02 CC CC CC CC CC")
        assert ("18DA10F1", "30 00 00 CC CC CC CC CC") in frames
        assert ("18DA18F1", "30 00 00 CC CC CC CC CC") in frames


def test_response_pending_is_waited_for_and_not_asked_again():
    # SAE J1979 table 10 (C): 78 is no error; the request is not repeated (B).
    script: Script = {"0902": [(0.0, "7F0978"), (0.5, "7F0978"), (0.5, VIN)]}
    with bench({0x7E8: script}) as at:
        assert at.link.ask(b"\x09\x02", timeout_s=0.1) == {"7E8": bytes.fromhex(VIN)}
        assert [frame for number, frame in at.heard() if number == "7DF"] == [
            "02 09 02 CC CC CC CC CC"
        ]


@pytest.mark.parametrize("reason", ["10", "11", "12", "21", "22"])
def test_a_negative_response_leaves_the_ecu_out(reason):
    ecus = {0x7E8: says(x0A=f"7F0A{reason}"), 0x7E9: says(x0A="4A00")}
    with bench(ecus) as at:
        assert at.link.ask(b"\x0a") == {"7E9": b"\x4a\x00"}


def test_silence_leaves_the_ecu_out():
    with bench({0x7E8: says(x03="4300")}) as at:
        assert at.link.ask(b"\x07", timeout_s=0.05) == {}
        assert at.link.ask(b"\x03") == {"7E8": b"\x43\x00"}


def test_an_answer_to_another_request_is_not_taken():
    with bench({0x7E8: says(x0105="410C1F40"), 0x7E9: says(x0105="41057B")}) as at:
        assert at.link.ask(b"\x01\x05") == {"7E9": bytes.fromhex("41057B")}


def test_a_refused_request_never_reaches_the_bus():
    with bench({0x7E8: {}}) as at:
        for request in ("04", "08 01", "14 FF FF 33", "22 F8 10", "10 03", ""):
            with pytest.raises(Refused):
                at.link.ask(bytes.fromhex(request))
        assert at.heard() == []


def test_a_new_fitting_identifies_the_protocol_once():
    # SAE J1979-2 (C): 62 F8 10 01 says the newer protocol is spoken.
    guard = Guard(identified=False)
    with bench({0x7E8: says(x22F810="62F81001")}, guard=guard) as at:
        assert at.link.ask(b"\x22\xf8\x10") == {"7E8": bytes.fromhex("62F81001")}
        with pytest.raises(Refused):
            at.link.ask(b"\x22\xf8\x10")
        assert len(at.heard()) == 2


@pytest.mark.parametrize("number", [0x7DF, 0x7E0, 0x7E7])
def test_the_link_is_silent_while_another_tester_speaks(number):
    with bench({0x7E8: says(x03="4300")}) as at:
        at.listener.send(can.Message(arbitration_id=number, data=[1, 3], is_extended_id=False))
        for _ in range(2):
            with pytest.raises(BusTaken):
                at.link.ask(b"\x03")
        assert not [frame for ident, frame in at.heard() if ident == "7DF"]


def test_a_whole_reading_sends_reads_and_flow_control_only():
    script = says(
        x0100="410080000000",
        x0101="410182076504",
        x03=CODES,
        x07="4700",
        x0900="490040000000",
        x0902=VIN,
    )
    with bench({0x7E8: script, 0x7E9: says(x0100="410080000000", x03="43010101")}) as at:
        result = read_vehicle(lambda request: at.link.ask(request, timeout_s=0.1))
        assert result.vin == "1M8GDM9AXKP042788"
        assert result.ecus["7E8"].mil is True
        assert result.ecus["7E9"].confirmed == ["P0101"]
        sent = [(number, frame) for number, frame in at.heard() if number not in ("7E8", "7E9")]
        requests = [frame.split() for number, frame in sent if number == "7DF"]
        assert {frame[1] for frame in requests} == {"01", "03", "07", "09", "0A"}
        assert {frame for number, frame in sent if number != "7DF"} == {"30 00 00 CC CC CC CC CC"}
