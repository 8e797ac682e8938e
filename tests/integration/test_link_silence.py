"""When the link sends nothing: a silent bus, another tester, and silences set ahead."""

from __future__ import annotations

import threading
import time

import can
import pytest

from gateway.bus_watch import TESTER_QUIET_S
from gateway.link import NARROW, BusQuiet, BusTaken, CanLink
from gateway.protocol.guard import Guard
from tests.support.can_bench import Bench, bench, frame, new_channel, says, text

VIN = "490201314D3847444D3941584B50303432373838"
VIN_FRAMES = (
    "7E8 10 14 49 02 01 31 4D 38",
    "7E8 21 47 44 4D 39 41 58 4B",
    "7E8 22 50 30 34 32 37 38 38",
)
"""The VIN trace: SAE J1979 service 09 over ISO 15765-2, replayed before on a virtual bus."""
OURS = {"7DF", "7E0", "7E1", "7E7", "18DB33F1", "18DA10F1"}


def quiet_reason(link: CanLink) -> str | None:
    quiet = link.quiet
    return None if quiet is None else quiet[0]


# -- listen first ------------------------------------------------------------------------------


def test_nothing_is_sent_on_a_bus_without_traffic():
    with bench({0x7E8: says(x03="4300")}, listen_first=0.05) as at:
        with pytest.raises(BusQuiet) as caught:
            at.link.ask(b"\x03")
        assert caught.value.reason == "no_traffic"
        assert at.heard() == []
        assert quiet_reason(at.link) == "no_traffic"


def test_traffic_opens_the_bus_and_it_may_begin_while_listening():
    with bench({0x7E8: says(x03="4300")}, listen_first=5.0) as at:
        later = threading.Timer(0.1, at.say, ("3B0 01 02",))
        later.start()
        assert at.link.ask(b"\x03") == {"7E8": b"\x43\x00"}
        later.join()


def test_error_frames_are_no_traffic():
    # A wrong bit rate shows itself as error frames and nothing else (common practice, no source).
    with bench({0x7E8: says(x03="4300")}, listen_first=0.05) as at:
        at.listener.send(can.Message(is_error_frame=True))
        with pytest.raises(BusQuiet, match="no_traffic"):
            at.link.ask(b"\x03")
        assert not [number for number, _ in at.heard() if number in OURS]


def test_a_tester_heard_while_listening_is_no_leave_to_speak():
    with bench({}, listen_first=0.5) as at:
        at.say("7DF 02 01 00")
        with pytest.raises(BusTaken):
            at.link.ask(b"\x03")


# -- another tester ----------------------------------------------------------------------------


@pytest.mark.parametrize(
    "request_",
    [
        pytest.param("7DF 02 01 0C", id="functional"),
        pytest.param("7E0 02 10 03", id="physical, a session of the newer protocol"),
        pytest.param("7E3 30 00 00", id="flow control to its own long answer"),
        pytest.param("18DB33F1 02 01 0C", id="functional, 29 bit"),
        pytest.param("18DA10FA 02 27 01", id="physical, 29 bit, another address"),
    ],
)
@pytest.mark.parametrize("bits29", [False, True], ids=["11 bit", "29 bit"])
def test_any_request_of_another_tester_silences_the_link(request_, bits29):
    with bench({}, bits29=bits29) as at:
        at.say(request_)
        quiet = at.link.quiet
        assert quiet is not None
        assert quiet[0] == "another_tester"
        assert TESTER_QUIET_S - 60 < quiet[1] <= TESTER_QUIET_S
        with pytest.raises(BusTaken):
            at.link.ask(b"\x03")
        assert at.heard() == []


LONG = VIN_FRAMES
TESTER = "7DF 02 01 0C CC CC CC CC CC"
# Each trace: the tester's first request stands where it joins; the link asks 09 02.
JOINS = {
    "before any answer": ["7DF?", TESTER, *LONG],
    "after a response pending": ["7DF?", "7E8 03 7F 09 78", TESTER, *LONG],
    "just before the first frame, 7E0": ["7DF?", "7E0 02 10 03", LONG[0]],
    "between the first frame and a second ECU's": ["7DF?", LONG[0], "7E0?", TESTER,
                                                  "7E9" + LONG[0][3:]],
    "between two consecutive frames": ["7DF?", LONG[0], "7E0?", LONG[1], TESTER, LONG[2],
                                       "7E9" + LONG[0][3:]],
    "after one whole answer, before another ECU's": ["7DF?", LONG[0], "7E0?", LONG[1], LONG[2],
                                                    TESTER, "7E9" + LONG[0][3:]],
}  # fmt: skip


def after_the_tester(at: Bench) -> list[tuple[float, str]]:
    """Frames of ours after the first request of the other tester, with their times."""
    frames: list[can.Message] = []
    while (message := at.listener.recv(timeout=0)) is not None:
        frames.append(message)
    asked = next(n for n, one in enumerate(frames) if text(one)[0] == "7DF")
    joined = next(
        n
        for n, one in enumerate(frames)
        if text(one) in {text(frame(TESTER)), text(frame("7E0 02 10 03"))}
    )
    assert joined > asked
    later = [one for one in frames[joined + 1 :] if text(one)[0] in OURS]
    return [(one.timestamp - frames[joined].timestamp, text(one)[0]) for one in later]


@pytest.mark.parametrize("steps", JOINS.values(), ids=JOINS.keys())
def test_a_tester_that_joins_in_the_middle_hears_no_frame_of_ours_again(steps):
    with bench({}) as at:
        played = at.play(*steps)
        with pytest.raises(BusTaken):
            at.link.ask(b"\x09\x02", timeout_s=2.0)
        played.close()
        assert played.missed is None
        for request in (b"\x09\x02", b"\x03", b"\x01\x00"):
            with pytest.raises(BusTaken):
                at.link.ask(request)
        assert after_the_tester(at) == []


def test_a_tester_between_two_asks_is_noticed_before_the_next():
    with bench({0x7E8: says(x03="4300")}) as at:
        assert at.link.ask(b"\x03") == {"7E8": b"\x43\x00"}
        at.say("7E0 01 3E")
        at.heard()
        with pytest.raises(BusTaken):
            at.link.ask(b"\x03")
        assert at.heard() == []


# -- set ahead ---------------------------------------------------------------------------------


@pytest.mark.parametrize("reason", ["shop", "inspection", "low_voltage"])
def test_a_silence_set_ahead_stops_every_frame_until_it_ends(reason):
    with bench({0x7E8: says(x03="4300")}) as at:
        at.link.keep_quiet(reason, 3600.0)
        with pytest.raises(BusQuiet) as caught:
            at.link.ask(b"\x03")
        assert not isinstance(caught.value, BusTaken)
        assert caught.value.reason == reason
        assert 3500 < caught.value.left_s <= 3600
        assert at.heard() == []
        at.link.keep_quiet(reason, 0.0)
        assert at.link.ask(b"\x03") == {"7E8": b"\x43\x00"}


def test_a_silence_may_begin_later():
    with bench({0x7E8: says(x03="4300")}) as at:
        at.link.keep_quiet("inspection", 60.0, starts_in_s=3600.0)
        assert at.link.quiet is None
        assert at.link.ask(b"\x03") == {"7E8": b"\x43\x00"}


def test_a_silence_set_in_the_middle_of_an_ask_stops_its_flow_control():
    with bench({}) as at:
        played = at.play("7DF?", "7E8 03 7F 09 78", "3B0 00", "3B1?", VIN_FRAMES[0])
        asking = threading.Thread(target=_ask_expecting_silence, args=(at.link,))
        asking.start()
        deadline = time.monotonic() + 5
        while ("3B0", "00") not in at.heard() and time.monotonic() < deadline:
            time.sleep(0.01)
        at.link.keep_quiet("shop", 60.0)
        at.say("3B1 00")
        asking.join()
        played.close()
        assert played.missed is None
        assert not [number for number, _ in at.heard() if number in OURS]


def _ask_expecting_silence(link: CanLink) -> None:
    with pytest.raises(BusQuiet, match="shop"):
        link.ask(b"\x09\x02", timeout_s=2.0)


# -- what is heard -----------------------------------------------------------------------------


def test_j1939_traffic_without_an_answer_is_said_to_be_that():
    # DM1 frame of SAE J1939-73 (constructed; X); its 29-bit id is no tester's.
    with bench({}, listen_first=1.0) as at:
        at.say("18FECA00 44 FF B3 0C 02 03 FF FF")
        assert at.link.ask(b"\x01\x00", timeout_s=0.05) == {}
        assert at.link.heard == "j1939"
        taken = at.link.take_broadcasts()
        assert [(one.pgn, one.source, one.data.hex()) for one in taken] == [
            (0xFECA, 0, "44ffb30c0203ffff")
        ]


def test_broadcasts_are_collected_without_sending():
    with bench({}) as at:
        at.say("18FECA00 04 FF 64 00 01 01 FF FF", "18ECFF03 20 0A 00 02 FF CA FE 00")
        at.link.hear_out(0.05)
        assert [one.source for one in at.link.take_broadcasts()] == [0, 3]
        assert at.heard() == []


def test_j1979_answers_outweigh_j1939_traffic():
    with bench({0x7E8: says(x0100="410080000000")}) as at:
        at.say("18FECA00 44 FF B3 0C 02 03 FF FF")
        at.link.ask(b"\x01\x00")
        assert at.link.heard == "answers"


def test_a_vehicle_of_the_newer_protocol_is_said_to_be_that():
    # SAE J1979-2 (C): silent to 01, and 62 F8 10 01 to the identification read.
    guard = Guard(identified=False)
    with bench({0x7E8: says(x22F810="62F81001")}, guard=guard) as at:
        assert at.link.ask(b"\x01\x00", timeout_s=0.05) == {}
        heard = [at.link.heard]
        at.link.ask(b"\x22\xf8\x10")
        heard.append(at.link.heard)
        assert heard == ["nothing", "newer_protocol"]
        assert guard.identified


def test_a_silent_gateway_does_not_use_up_its_one_identification():
    guard = Guard(identified=False)
    with bench({}, guard=guard, listen_first=0.02) as at:
        with pytest.raises(BusQuiet):
            at.link.ask(b"\x22\xf8\x10")
        assert not guard.identified


# -- the kernel's filter -----------------------------------------------------------------------


@pytest.mark.parametrize(
    "line, kept",
    [
        pytest.param("7DF 02 01 0C", True, id="functional"),
        pytest.param("7E0 02 01 0C", True, id="physical"),
        pytest.param("7EF 02 41 0C", True, id="answer"),
        pytest.param("7F0 00", False, id="just after the answers"),
        pytest.param("18DB33F1 02 01 0C", True, id="functional 29"),
        pytest.param("1CDA10FA 02 01 0C", True, id="physical 29, other priority and address"),
        pytest.param("18DAF110 02 41 0C", True, id="answer 29"),
        pytest.param("18FECA0B 04 FF", True, id="DM1"),
        pytest.param("18ECFF00 20", True, id="transport"),
        pytest.param("18EBFF00 01", True, id="transport data"),
        pytest.param("0CF00400 00", False, id="engine speed"),
        pytest.param("3B0 00", False, id="other traffic"),
    ],
)
def test_the_filter_keeps_every_tester_answer_and_lamp_broadcast(line, kept):
    channel = new_channel()
    with (
        can.Bus(interface="virtual", channel=channel, can_filters=NARROW) as hears,
        can.Bus(interface="virtual", channel=channel) as says_,
    ):
        says_.send(frame(line))
        assert (hears.recv(timeout=0.05) is not None) is kept
