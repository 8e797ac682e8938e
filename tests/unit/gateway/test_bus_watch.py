"""Who speaks on the bus and when the gateway must be silent, second by second."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from gateway.bus_watch import (
    FRESH_S,
    KEPT_BROADCASTS,
    TESTER_QUIET_S,
    Broadcast,
    BusWatch,
    Silence,
    is_request,
    pgn_of,
)

DM1 = bytes.fromhex("44FFB30C0203FFFF")


@pytest.mark.parametrize(
    "number, extended, request_",
    [
        # Ids of ISO 15765-4 as tabulated (B).
        pytest.param(0x7DF, False, True, id="functional"),
        pytest.param(0x7DE, False, False, id="just before functional"),
        pytest.param(0x7E0, False, True, id="first physical"),
        pytest.param(0x7E7, False, True, id="last physical"),
        pytest.param(0x7E8, False, False, id="first answer"),
        pytest.param(0x7EF, False, False, id="last answer"),
        pytest.param(0x7DF, True, False, id="7DF as a 29-bit id"),
        pytest.param(0x18DB33F1, True, True, id="functional 29"),
        pytest.param(0x18DBFFFA, True, True, id="functional to others from another address"),
        pytest.param(0x18DA10F1, True, True, id="physical 29"),
        pytest.param(0x18DA10FA, True, True, id="physical from another address"),
        pytest.param(0x1CDA10F1, True, True, id="physical with another priority"),
        pytest.param(0x18DAF110, True, False, id="answer 29"),
        pytest.param(0x18DAFA10, True, True, id="answer to another tester's address"),
        pytest.param(0x18DCF110, True, False, id="just after 18DB"),
        pytest.param(0x18D9F110, True, False, id="just before 18DA"),
        pytest.param(0x18FECA00, True, False, id="DM1"),
    ],
)
def test_only_ids_of_testers_are_requests(number, extended, request_):
    assert is_request(number, extended) is request_


@pytest.mark.parametrize(
    "number, pgn",
    [
        # PGNs of SAE J1939-73 (A), J1939-21 transport (C).
        pytest.param(0x18FECA00, 0xFECA, id="DM1 of the engine"),
        pytest.param(0x18FECA0B, 0xFECA, id="DM1 of the brakes"),
        pytest.param(0x18ECFF00, 0xEC00, id="transport to all"),
        pytest.param(0x18EBFF00, 0xEB00, id="transport data"),
        pytest.param(0x0CF00400, 0xF004, id="engine speed"),
    ],
)
def test_a_pgn_leaves_out_the_address(number, pgn):
    assert pgn_of(number) == pgn


@pytest.mark.parametrize(
    "after_s, silent",
    [
        pytest.param(0.0, True, id="at once"),
        pytest.param(TESTER_QUIET_S - 0.001, True, id="just before ten minutes"),
        pytest.param(TESTER_QUIET_S, False, id="at ten minutes"),
        pytest.param(TESTER_QUIET_S + 0.001, False, id="just after"),
    ],
)
def test_another_tester_silences_until_ten_minutes_after_its_last_request(after_s, silent):
    watch = BusWatch(listen_first=False)
    assert watch.hear(0x7DF, False, b"\x02\x01\x0c", 50.0)
    assert watch.hear(0x7E0, False, b"\x02\x10\x03", 100.0)
    found = watch.silence(100.0 + after_s)
    assert found == (Silence("another_tester", 100.0 + TESTER_QUIET_S) if silent else None)


def test_ten_minutes_are_600_seconds():
    assert TESTER_QUIET_S == 10 * 60


def test_an_error_frame_is_neither_traffic_nor_a_tester():
    watch = BusWatch(listen_first=True)
    assert not watch.hear(0x7DF, False, b"", 1.0, error=True)
    assert watch.silence(1.0) == Silence("no_traffic", 0.0)


@pytest.mark.parametrize(
    "after_s, silent",
    [
        pytest.param(0.0, False, id="at once"),
        pytest.param(FRESH_S - 0.001, False, id="just before it is stale"),
        pytest.param(FRESH_S, True, id="stale"),
    ],
)
def test_traffic_opens_the_bus_for_a_few_seconds(after_s, silent):
    watch = BusWatch(listen_first=True)
    assert watch.silence(9.0) == Silence("no_traffic", 0.0)
    watch.hear(0x3B0, False, b"\x00", 10.0)
    assert watch.silence(10.0 + after_s) == (Silence("no_traffic", 0.0) if silent else None)


@pytest.mark.parametrize(
    "now_s, reason",
    [
        pytest.param(99.999, None, id="just before it begins"),
        pytest.param(100.0, "shop", id="as it begins"),
        pytest.param(199.999, "shop", id="just before it ends"),
        pytest.param(200.0, None, id="as it ends"),
    ],
)
def test_a_silence_set_ahead_begins_and_ends_by_itself(now_s, reason):
    watch = BusWatch(listen_first=False)
    watch.keep_quiet("shop", 100.0, 200.0)
    found = watch.silence(now_s)
    assert (found and found.reason) == reason


def test_of_several_silences_the_longest_is_named():
    watch = BusWatch(listen_first=True)
    watch.keep_quiet("shop", 0.0, 50.0)
    watch.keep_quiet("inspection", 0.0, 5000.0)
    watch.hear(0x7DF, False, b"", 1.0)
    assert watch.silence(2.0) == Silence("inspection", 5000.0)
    watch.keep_quiet("inspection", 0.0, 0.0)
    assert watch.silence(2.0) == Silence("another_tester", 601.0)


@pytest.mark.parametrize("reason", ["another_tester", "no_traffic", "lunch"])
def test_only_shop_inspection_and_voltage_can_be_set(reason):
    with pytest.raises(ValueError, match=reason):
        BusWatch(listen_first=False).keep_quiet(reason, 0.0, 1.0)


def test_a_silence_without_a_time_is_refused():
    with pytest.raises(ValueError, match="time"):
        BusWatch(listen_first=False).keep_quiet("shop", 0.0, math.nan)


def test_what_speaks_is_told_and_an_answer_outweighs_the_rest():
    watch = BusWatch(listen_first=False)
    heard = [watch.heard]
    watch.hear(0x3B0, False, b"\x01", 0.0)
    watch.hear(0x12345678, True, b"\x01", 0.0)  # a 29-bit id of no known PGN proves nothing
    heard.append(watch.heard)
    watch.hear(0x18FECA00, True, DM1, 0.0)
    heard.append(watch.heard)
    watch.answered(newer=True)
    heard.append(watch.heard)
    watch.answered(newer=False)
    heard.append(watch.heard)
    assert heard == ["nothing", "nothing", "j1939", "newer_protocol", "answers"]


def test_dm1_and_its_transport_are_kept_raw_and_handed_over_once():
    # Example frames of SAE J1939-73 DM1 and its broadcast transport (constructed; X).
    watch = BusWatch(listen_first=False)
    opening = bytes.fromhex("200A0002FFCAFE00")
    for number, data in ((0x18FECA00, DM1), (0x18ECFF00, opening), (0x0CF00400, DM1)):
        watch.hear(number, True, data, 7.0)
    assert watch.take_broadcasts() == [
        Broadcast(0xFECA, 0, DM1, 7.0),
        Broadcast(0xEC00, 0, opening, 7.0),
    ]
    assert watch.take_broadcasts() == []


def test_broadcasts_nobody_takes_do_not_pile_up():
    watch = BusWatch(listen_first=False)
    for second in range(KEPT_BROADCASTS + 10):
        watch.hear(0x18FECA00, True, DM1, float(second))
    kept = watch.take_broadcasts()
    assert len(kept) == KEPT_BROADCASTS
    assert kept[0].heard_s == 10.0


FRAMES = st.lists(
    st.tuples(
        st.one_of(st.sampled_from([0x7DF, 0x7E8, 0x18DB33F1, 0x18FECA00]), st.integers(0, 2**29)),
        st.booleans(),
        st.binary(max_size=8),
        st.booleans(),
    ),
    max_size=30,
)


@given(FRAMES)
def test_after_any_frames_a_tester_silences_and_nobody_else_does(frames):
    watch = BusWatch(listen_first=False)
    testers = [
        watch.hear(number, extended, data, 0.0, error=error)
        for number, extended, data, error in frames
    ]
    assert (watch.silence(0.0) is not None) == any(testers)
