"""For whom a request waits: an ECU is left out only where its own bitmap says so."""

from __future__ import annotations

import pytest

from gateway.known_ecus import MOST_WAITS, KnownEcus, answers


def known(*answered: tuple[str, str, str]) -> KnownEcus:
    ecus = KnownEcus()
    for ecu, request, answer in answered:
        ecus.learn(ecu, bytes.fromhex(request), bytes.fromhex(answer))
    return ecus


# Published bitmap (as tabulated from SAE J1979; B): BE1FA813 = 01 03-07 0C-11 13 15 1C 1F 20.
ENGINE = ("7E8", "0100", "4100BE1FA813")
# Supports PID 01 and 0D only, and no further bitmap.
GEARBOX = ("7E9", "0100", "410080080000")


@pytest.mark.parametrize(
    "request_, expected",
    [
        pytest.param("0100", None, id="the first bitmap finds new ECUs: P2 always passes"),
        pytest.param("0101", {"7E8", "7E9"}, id="both"),
        pytest.param("010C", {"7E8"}, id="engine speed from the engine alone"),
        pytest.param("010D", {"7E8", "7E9"}, id="speed"),
        pytest.param("0102", None, id="supported by nobody, so nobody knows"),
        pytest.param("01020D", {"7E8", "7E9"}, id="two PIDs at once: whoever has one of them"),
        pytest.param("0120", {"7E8"}, id="the next bitmap"),
        pytest.param("0121", {"7E8"}, id="beyond the bitmaps read so far"),
        pytest.param("0141", {"7E8"}, id="two bitmaps further"),
        pytest.param("03", {"7E8", "7E9"}, id="codes of everybody"),
        pytest.param("0A", {"7E8", "7E9"}, id="permanent codes of everybody"),
        pytest.param("0902", {"7E8", "7E9"}, id="a service whose bitmap is not known"),
        pytest.param("020C00", {"7E8", "7E9"}, id="freeze frame"),
        pytest.param("22F810", None, id="identification"),
    ],
)
def test_a_request_waits_for_the_ecus_that_may_answer_it(request_, expected):
    ecus = known(ENGINE, GEARBOX)
    assert ecus.expected(bytes.fromhex(request_)) == expected


def test_nobody_known_means_the_full_time():
    assert KnownEcus().expected(b"\x03") is None


def test_an_ecu_that_was_only_heard_is_waited_for():
    ecus = known(ENGINE)
    ecus.met("7EA")
    assert ecus.expected(b"\x01\x02") == frozenset({"7EA"})
    assert ecus.expected(b"\x01\x0c") == frozenset({"7E8", "7EA"})


def test_a_stray_frame_slows_a_few_requests_and_no_more():
    ecus = known(ENGINE)
    for _ in range(MOST_WAITS):
        ecus.met("7EA")  # heard again and again, and never an answer
        assert ecus.expected(b"\x03") == frozenset({"7E8", "7EA"})
        ecus.unheard(b"\x03", {"7E8"})
    ecus.met("7EA")
    assert ecus.expected(b"\x03") == frozenset({"7E8"})
    ecus.learn("7EA", b"\x03", b"\x43\x00")  # an ECU after all
    assert ecus.expected(b"\x03") == frozenset({"7E8", "7EA"})


def test_an_ecu_that_answered_once_is_always_waited_for():
    ecus = known(ENGINE, GEARBOX)
    for _ in range(MOST_WAITS + 1):
        ecus.met("7E9")
        ecus.unheard(b"\x03", {"7E8"})
    assert ecus.expected(b"\x03") == frozenset({"7E8", "7E9"})


@pytest.mark.parametrize(
    "request_, answered, waited_for",
    [
        pytest.param("0600", {"7E8"}, {"7E8"}, id="silent while another answered"),
        pytest.param("0600", set(), {"7E8", "7E9"}, id="nobody answered: the request was lost"),
        pytest.param("0620", {"7E8"}, {"7E8", "7E9"}, id="a later bitmap says nothing"),
        pytest.param("020000", {"7E8"}, {"7E8", "7E9"}, id="another service says nothing"),
        pytest.param("0100", {"7E8"}, {"7E8", "7E9"}, id="service 01 never"),
    ],
)
def test_an_ecu_without_test_results_is_not_waited_for(request_, answered, waited_for):
    ecus = known(ENGINE, GEARBOX)
    ecus.unheard(bytes.fromhex(request_), answered)
    assert ecus.expected(b"\x06\x01") == frozenset(waited_for)
    assert ecus.expected(b"\x06\xa1") == frozenset(waited_for)
    assert ecus.expected(b"\x01\x0d") == frozenset({"7E8", "7E9"})
    assert ecus.expected(b"\x03") == frozenset({"7E8", "7E9"})


def test_an_ecu_that_tells_its_bitmap_late_is_waited_for_again():
    ecus = known(ENGINE, GEARBOX)
    ecus.unheard(b"\x06\x00", {"7E8"})
    ecus.learn("7E9", b"\x06\x00", bytes.fromhex("460080000000"))
    assert ecus.expected(b"\x06\x01") == frozenset({"7E8", "7E9"})


@pytest.mark.parametrize(
    "answer",
    [
        pytest.param("4100BE1FA8", id="cut short"),
        pytest.param("4100BE1FA81300", id="too long"),
        pytest.param("4120BE1FA813", id="of another bitmap"),
        pytest.param("41", id="alone"),
    ],
)
def test_a_broken_bitmap_spares_no_wait(answer):
    ecus = known(("7E8", "0100", answer))
    assert ecus.expected(b"\x01\x02") == frozenset({"7E8"})


@pytest.mark.parametrize(
    "payload, request_, good",
    [
        pytest.param("410C1F40", "010C", True, id="the PID asked"),
        pytest.param("410D5A", "010C", False, id="another PID"),
        pytest.param("410D5A", "010C0D", True, id="the second of two PIDs"),
        pytest.param("410D5A", "020C0D", False, id="another service"),
        pytest.param("420C0D1F40", "020C0D", True, id="freeze frame"),
        pytest.param("420D0D1F40", "020C0D", False, id="the frame's number is no PID"),
        pytest.param("4300", "03", True, id="no codes"),
        pytest.param("41", "010C", False, id="service alone"),
        pytest.param("62F81001", "22F810", True, id="identification"),
    ],
)
def test_an_answer_repeats_service_and_id(payload, request_, good):
    assert answers(bytes.fromhex(payload), bytes.fromhex(request_)) is good
