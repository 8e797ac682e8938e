"""Alert states after ISA-18.2 / IEC 62682 (from memory), and what raises an alert."""

from __future__ import annotations

from datetime import UTC, datetime

import pytest

from gateway.contract import LampBroadcast, SuspectCode
from ingest.domain.alerts import (
    ACKNOWLEDGE,
    NORMAL,
    RECUR,
    STANDING,
    AlertError,
    AlertState,
    conditions,
    step,
)
from ingest.domain.episodes import Episode, VehicleState
from ingest.domain.picture import EcuPicture, Picture

NOW = datetime(2026, 3, 1, tzinfo=UTC)


@pytest.mark.parametrize(
    "events, expected",
    [
        pytest.param([], "unacknowledged", id="begins unacknowledged"),
        pytest.param([ACKNOWLEDGE], "acknowledged", id="seen"),
        pytest.param([ACKNOWLEDGE, NORMAL], "closed", id="seen, then over"),
        pytest.param([NORMAL], "returned to normal unacknowledged", id="over, not seen"),
        pytest.param([NORMAL, ACKNOWLEDGE], "closed", id="over, then seen"),
        pytest.param([NORMAL, RECUR], "unacknowledged", id="over, then again"),
        pytest.param([ACKNOWLEDGE, NORMAL, RECUR], "unacknowledged", id="closed, then again"),
    ],
)
def test_an_alert_moves_as_the_alarm_standards_say(events, expected):
    state = STANDING
    for event in events:
        state = step(state, event)
    assert state.value == expected


@pytest.mark.parametrize(
    "state, event",
    [
        pytest.param(AlertState.ACKNOWLEDGED, ACKNOWLEDGE, id="seen twice"),
        pytest.param(AlertState.CLOSED, ACKNOWLEDGE, id="seen when closed"),
        pytest.param(AlertState.RETURNED, NORMAL, id="over twice"),
        pytest.param(AlertState.UNACKNOWLEDGED, "explode", id="no such event"),
    ],
)
def test_a_move_that_is_not_in_the_table_is_refused(state, event):
    with pytest.raises(AlertError, match=event):
        step(state, event)


def lamp_on(codes=(), pending=()):
    ecu = EcuPicture(heard_at=1, mil=True, confirmed=list(codes), pending=list(pending))
    episode = Episode(kind="mil_on", subject="", started_at=1, start_key=("j", 1))
    return VehicleState(picture=Picture(ecus={"7E8": ecu}), open=[episode])


# A flashing lamp tells of misfire that can damage the catalyst (13 CCR 1968.2(e)(3.4.1), A*);
# easing off and parking is owner's-manual advice (B).
@pytest.mark.parametrize(
    "codes, pending, priority, first",
    [
        pytest.param(["P0301"], [], "high", "If the lamp flashes", id="misfire"),
        pytest.param(["P0420"], ["P0300"], "high", "If the lamp flashes", id="misfire pending"),
        pytest.param(["P0420"], [], "medium", "Steady lamp", id="catalyst"),
        pytest.param([], [], "high", "If the lamp flashes", id="code not read yet"),
    ],
)
def test_a_lamp_is_ranked_by_its_codes_and_the_driver_is_told_what_to_do(
    codes, pending, priority, first
):
    (found,) = conditions(lamp_on(codes, pending), NOW)
    assert (found.kind, found.episode, found.priority) == ("mil_on", "mil_on||j|1", priority)
    assert found.instruction.startswith(first)
    assert "park" in found.instruction
    assert all(code in found.text for code in codes)


@pytest.mark.parametrize(
    "lamp, stop, codes, priority, first",
    [
        pytest.param("on", "off", [(3251, 2)], "medium", "Steady lamp", id="steady"),
        pytest.param("on", "off", [], "high", "If the lamp flashes", id="no code broadcast"),
        pytest.param("fast_flash", "off", [(3251, 2)], "high", "If the lamp flashes", id="flash"),
        # The red stop lamp: severe enough to warrant stopping (SAE J1939-73, 5.7.1; from memory).
        pytest.param("on", "on", [(100, 1)], "high", "The stop lamp is on: stop", id="stop lamp"),
    ],
)
def test_a_lamp_broadcast_on_j1939_is_an_alert_with_its_suspect_parameters(
    lamp, stop, codes, priority, first
):
    heard = LampBroadcast(
        source=0, malfunction=lamp, stop=stop, warning="off", protect="off",
        codes=[SuspectCode(spn=spn, fmi=fmi) for spn, fmi in codes],
    )  # fmt: skip
    episode = Episode(kind="mil_on", subject="", started_at=1, start_key=("j", 1))
    state = VehicleState(picture=Picture(lamp_broadcasts=[heard]), open=[episode])
    (found,) = conditions(state, NOW)
    assert (found.kind, found.priority) == ("mil_on", priority)
    assert found.instruction.startswith(first)
    assert all(f"SPN {spn} FMI {fmi} of address 0" in found.text for spn, fmi in codes)


def test_a_monitor_not_setting_is_a_low_priority():
    episode = Episode(kind="not_complete", subject="catalyst", started_at=1, start_key=("j", 2))
    picture = Picture(driving_cycles=40, driving_cycles_since_clear=40)
    (found,) = conditions(VehicleState(picture=picture, open=[episode]), NOW)
    assert (found.kind, found.subject, found.priority) == ("monitor_stuck", "catalyst", "low")


def test_nothing_open_raises_nothing():
    assert conditions(VehicleState(), NOW) == []
