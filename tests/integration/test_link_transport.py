"""Answers put together: can-isotp on another node as the peer, and frames broken on purpose.

ISO 15765-2 (B): the length nibble counts, padding does not; numbers run 1 to F and wrap to 0.
"""

from __future__ import annotations

import random

import can
import pytest

from gateway.known_ecus import MOST_WAITS
from tests.support.can_bench import Script, bench, says

VIN = "490201314D3847444D3941584B50303432373838"
FIRST = "7E8 10 14 49 02 01 31 4D 38"
SECOND = "7E8 21 47 44 4D 39 41 58 4B"
THIRD = "7E8 22 50 30 34 32 37 38 38"
"""The VIN trace of SAE J1979 service 09, replayed before on a virtual bus."""


@pytest.mark.parametrize("size", [2, 6, 7, 8, 13, 14, 20, 27, 62, 118, 119, 256, 1785, 4095])
def test_answers_of_every_length_are_put_together(size):
    answer = b"\x49\x04" + random.Random(size).randbytes(size - 2)
    with bench({0x7E8: says(x0904=answer.hex())}) as at:
        assert at.link.ask(b"\x09\x04", timeout_s=0.5) == {"7E8": answer}


@pytest.mark.parametrize("pad", [0x00, 0x55, 0xAA, 0xCC, 0xFF], ids="{:02X}".format)
@pytest.mark.parametrize("answer", ["490201" + "31" * 17, "4902", "490201" + "00" * 9])
def test_padding_is_never_read(pad, answer):
    with bench({0x7E8: says(x0902=answer)}, pad=pad) as at:
        assert at.link.ask(b"\x09\x02") == {"7E8": bytes.fromhex(answer)}


def test_eight_ecus_answer_at_length_at_once():
    ecus = {0x7E8 + n: says(x0902=VIN[:-2] + f"{n:02X}") for n in range(8)}
    with bench(ecus) as at:
        answers = at.link.ask(b"\x09\x02", timeout_s=0.5)
        assert answers == {f"7E{8 + n:X}": bytes.fromhex(VIN[:-2] + f"{n:02X}") for n in range(8)}


BROKEN = {
    "a number left out": ["7DF?", FIRST, "7E0?", THIRD],
    "a number twice": ["7DF?", FIRST, "7E0?", SECOND, SECOND, THIRD],
    "the wrong order": ["7DF?", FIRST, "7E0?", THIRD, SECOND],
    "the end missing": ["7DF?", FIRST, "7E0?", SECOND],
    "consecutive frames without a first": ["7DF?", SECOND, THIRD],
    "a first frame alone": ["7DF?", FIRST],
    "a first frame cut short": ["7DF?", "7E8 10 14 49"],
    "a first frame that fits a single one": ["7DF?", "7E8 10 05 49 02 01 31 32 33"],
    "a single frame of length 0": ["7DF?", "7E8 00 49 02 01"],
    "a single frame longer than itself": ["7DF?", "7E8 07 49 02 01"],
    "a single frame of length 8": ["7DF?", "7E8 08 49 02 01 31 32 33 34"],
    "an empty frame": ["7DF?", "7E8"],
    "a frame of an unknown kind": ["7DF?", "7E8 F0 49 02 01 31 32 33 34"],
    "a flow control nobody asked for": ["7DF?", "7E8 30 00 00"],
    "a length beyond 4095": ["7DF?", "7E8 10 00 00 01 00 00 49 02"],
    "an answer on an id nobody has": ["7DF?", "7F0 06 49 02 01 31 32 33"],
    "an answer on 29 bits": ["7DF?", "18DAF110 06 49 02 01 31 32 33"],
    "a service byte alone": ["7DF?", "7E8 01 49"],
    "a negative response cut short": ["7DF?", "7E8 01 7F"],
    "a negative response without a reason": ["7DF?", "7E8 02 7F 09"],
    "a negative response to another service": ["7DF?", "7E8 03 7F 01 78"],
}


@pytest.mark.parametrize("steps", BROKEN.values(), ids=BROKEN.keys())
def test_a_broken_answer_counts_as_none_and_harms_nothing_after_it(steps):
    with bench({0x7E9: says(x0902=VIN)}) as at:
        played = at.play(*steps)
        assert at.link.ask(b"\x09\x02", timeout_s=0.5) == {"7E9": bytes.fromhex(VIN)}
        played.close()
        assert played.missed is None
        # The ECU that is waited for answers last: an ask may end before one never heard of speaks.
        again = at.play("7DF?", "7E8 02 43 00", "7E9 02 43 00")
        answers = at.link.ask(b"\x03", timeout_s=PATIENT_S)
        assert answers == {"7E8": b"\x43\x00", "7E9": b"\x43\x00"}
        again.close()


def test_frames_of_two_ecus_interleaved_go_to_their_own_answers():
    other = [line.replace("7E8", "7E9", 1) for line in (FIRST, SECOND, THIRD)]
    steps = ["7DF?", FIRST, other[0], "7E0?", other[1], SECOND, THIRD, other[2]]
    with bench({}) as at:
        played = at.play(*steps)
        assert at.link.ask(b"\x09\x02") == dict.fromkeys(("7E8", "7E9"), bytes.fromhex(VIN))
        played.close()
        assert ("7E1", "30 00 00 CC CC CC CC CC") in at.heard()


def test_a_tail_after_the_last_byte_is_left_out():
    with bench({}) as at:
        # 18 bytes announced, so the last two of the last frame are padding like any other.
        played = at.play("7DF?", FIRST.replace("10 14", "10 12"), "7E0?", SECOND, THIRD)
        assert at.link.ask(b"\x09\x02") == {"7E8": bytes.fromhex(VIN)[:18]}
        played.close()


def check_garbage(rounds: int) -> None:
    """Random frames on every kind of id: no error, nothing but flow control of ours."""
    dice = random.Random(15765)
    ids = [*range(0x7E8, 0x7F0), 0x3B0, 0x000, 0x7FF]
    with bench({}) as at:
        for _ in range(rounds):
            for _ in range(dice.randrange(1, 8)):
                head = bytes((dice.choice((0x03, 0x10, 0x21, 0x22, 0x30, 0x7F)),))
                data = dice.choice((b"", head)) + dice.randbytes(dice.randrange(8))
                at.listener.send(
                    can.Message(
                        arbitration_id=dice.choice(ids),
                        data=data[:8],
                        is_extended_id=dice.random() < 0.1,
                        is_remote_frame=dice.random() < 0.02,
                        is_error_frame=dice.random() < 0.02,
                    )
                )
            for payload in at.link.ask(b"\x01\x0c", timeout_s=0.0).values():
                assert payload[:2] == b"\x41\x0c"
        ours = [(number, data) for number, data in at.heard() if number < "7E8"]
        allowed = {"02 01 0C CC CC CC CC CC", *(f"3{n} 00 00 CC CC CC CC CC" for n in (0, 2))}
        assert {data for _, data in ours} <= allowed


def test_garbage_on_the_bus_is_never_an_error():
    check_garbage(2_000)


def test_garbage_during_an_ask_is_never_an_error():
    dice = random.Random(4)
    for _ in range(8):
        junk = [
            f"7E{dice.choice('89ABCDEF')} {dice.randbytes(dice.randrange(1, 9)).hex(' ')}"
            for _ in range(40)
        ]
        with bench({}) as at:
            played = at.play("7DF?", *junk)
            for payload in at.link.ask(b"\x01\x0c", timeout_s=0.02).values():
                assert payload[0] == 0x41
            played.close()


# -- the end of an ask -------------------------------------------------------------------------

BITMAP = "4100BE1FA813"  # published (as tabulated from SAE J1979; B)
PATIENT_S = 30.0
"""Longer than any test may take: an ask that ends did not wait for it."""


def test_an_ask_ends_when_every_ecu_that_supports_it_has_answered():
    ecus: dict[int, Script] = {
        0x7E8: says(x0100=BITMAP, x010C="410C1F40", x03="4300", x0A="4A00"),
        0x7E9: says(x0100="410080080000", x03="4300", x0A="7F0A11"),
    }
    with bench(ecus) as at:
        assert set(at.link.ask(b"\x01\x00")) == {"7E8", "7E9"}
        for request in (b"\x01\x0c", b"\x03", b"\x0a"):
            assert "7E8" in at.link.ask(request, timeout_s=PATIENT_S)


def test_an_ecu_that_is_slower_than_the_rest_is_not_cut_off():
    slow: Script = {**says(x0100="410080080000"), "03": [(0.1, "43010101")]}
    with bench({0x7E8: says(x0100=BITMAP, x03="4300"), 0x7E9: slow}) as at:
        at.link.ask(b"\x01\x00")
        assert set(at.link.ask(b"\x03", timeout_s=PATIENT_S)) == {"7E8", "7E9"}


def test_a_pending_ecu_is_waited_for_after_the_others_have_answered():
    script: Script = {**says(x0100=BITMAP), "0902": [(0.0, "7F0978"), (0.4, VIN)]}
    with bench({0x7E8: script, 0x7E9: says(x0100=BITMAP, x0902=VIN)}) as at:
        at.link.ask(b"\x01\x00")
        assert set(at.link.ask(b"\x09\x02", timeout_s=0.1)) == {"7E8", "7E9"}
        assert len([number for number, _ in at.heard() if number == "7DF"]) == 2


def test_an_ecu_that_answered_too_late_is_waited_for_the_next_time():
    late: Script = {"0100": [(0.2, BITMAP)], "03": [(0.15, "43010101")]}
    with bench({0x7E8: says(x0100=BITMAP, x03="4300"), 0x7E9: late}) as at:
        assert set(at.link.ask(b"\x01\x00", timeout_s=0.05)) == {"7E8"}
        at.link.hear_out(0.5)
        assert set(at.link.ask(b"\x03", timeout_s=PATIENT_S)) == {"7E8", "7E9"}


def test_stray_frames_on_an_unused_id_slow_a_few_asks_and_no_more():
    with bench({0x7E8: says(x0100=BITMAP, x03="4300")}) as at:
        at.link.ask(b"\x01\x00")
        for _ in range(MOST_WAITS):
            at.say("7EA 55 55 55 55 55 55 55 55")
            assert set(at.link.ask(b"\x03", timeout_s=0.05)) == {"7E8"}
        at.say("7EA 55 55 55 55 55 55 55 55")
        assert set(at.link.ask(b"\x03", timeout_s=PATIENT_S)) == {"7E8"}
