"""The fold: readings in order become the picture and the events of one vehicle."""

from __future__ import annotations

import msgspec
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from gateway.contract import (
    DrivingCycle,
    EcuReading,
    LampBroadcast,
    Report,
    SuspectCode,
    format_time,
    parse_time,
)
from gateway.facts import Monitor
from ingest.domain.episodes import VehicleState, fold, start

JOURNAL = "00000000-0000-4000-8000-000000000001"
CREATED = "2026-01-01T00:00:00.000Z"
T0 = int(parse_time(CREATED).timestamp() * 1000)
VIN = "11111111111111111"
CAT, EVAP, MISFIRE = Monitor.CATALYST, Monitor.EVAPORATIVE_SYSTEM, Monitor.MISFIRE


def at(seq):
    """One reading a minute."""
    return T0 + seq * 60_000


def when(ms):
    return format_time(parse_time(CREATED).fromtimestamp(ms / 1000, tz=parse_time(CREATED).tzinfo))


def reading(seq, ecus=None, **more):
    if ecus is None:
        ecus = {"7E8": EcuReading(mil=False, monitors={CAT: True})}
    facts = {
        "taken_at": when(at(seq)), "clock": "synced", "uptime_ms": seq * 60_000, "boot_no": 1,
        "journal": JOURNAL,
    }  # fmt: skip
    return Report(
        schema="report/1", gateway="gw-1", journal_created_at=CREATED, seq=seq,
        reason="periodic", ecus=ecus, **{**facts, **more},
    )  # fmt: skip


def one(**said):
    return {"7E8": EcuReading(**said)}


def run(reports, state=None):
    """The state and, in order, each episode as it last stood."""
    state = state or start()
    told = {}
    for report in reports:
        step = fold(state, report, VIN)
        state = step.state
        told.update({episode.natural: episode for episode in step.changed})
    return state, list(told.values())


def spans(episodes, kind):
    return [
        (e.subject, e.start_key[1], e.end_key[1] if e.end_key else None)
        for e in episodes
        if e.kind == kind
    ]


def test_the_lamp_is_one_episode_over_all_ecus():
    # 40 CFR 85.2207(c) (A) asks for the vehicle's lamp, not that of one ECU.
    _, found = run(
        [
            reading(1, {"7E8": EcuReading(mil=False), "7E9": EcuReading(mil=False)}),
            reading(2, {"7E8": EcuReading(mil=True), "7E9": EcuReading(mil=False)}),
            reading(3, {"7E8": EcuReading(mil=True), "7E9": EcuReading(mil=True)}),
            reading(4, {"7E8": EcuReading(mil=False), "7E9": EcuReading(mil=True)}),
            reading(5, {"7E8": EcuReading(mil=False), "7E9": EcuReading(mil=False)}),
            reading(6, {"7E8": EcuReading(mil=True)}),
        ]
    )
    assert spans(found, "mil_on") == [("", 2, 5), ("", 6, None)]
    assert [e.started_at for e in found if e.kind == "mil_on"] == [at(2), at(6)]


def broadcast(source, malfunction):
    return LampBroadcast(
        source=source, malfunction=malfunction, stop="off", warning="off", protect="off",
        codes=[SuspectCode(spn=3251, fmi=2)],
    )  # fmt: skip


def test_a_lamp_that_is_only_broadcast_is_an_episode_until_every_controller_has_it_out():
    """DM1, bits 8-7 of byte 1: the malfunction lamp of one controller (SAE J1939-73, 5.7.1; A).

    A reading tells the controllers that changed: what another one said before still stands.
    """
    told = [[broadcast(0, "on")], [broadcast(61, "fast_flash")], [broadcast(0, "off")], None,
            [broadcast(61, "off")]]  # fmt: skip
    readings = [
        reading(n, ecus={}, heard="j1939", **({"lamp_broadcasts": said} if said else {}))
        for n, said in enumerate(told, 1)
    ]
    state, episodes = run(readings)
    assert spans(episodes, "mil_on") == [("", 1, 5)]
    assert episodes[-1].details["broadcast_by"] == [0]
    assert [one.source for one in state.picture.lamp_broadcasts] == [0, 61]
    assert state.picture.mil() is None  # nothing that J1979 asks for was answered


@pytest.mark.parametrize(
    "second, expected",
    [
        pytest.param(one(mil=True), [("P0420:confirmed", 1, None)], id="list silent: still so"),
        pytest.param({}, [("P0420:confirmed", 1, None)], id="no ECU answers: still so"),
        pytest.param(one(confirmed=[]), [("P0420:confirmed", 1, 2)], id="asked, none: over"),
        pytest.param(
            one(confirmed=["P0300"]),
            [("P0420:confirmed", 1, 2), ("P0300:confirmed", 2, None)],
            id="another code instead",
        ),
        pytest.param(
            one(pending=["P0420"]),
            [("P0420:confirmed", 1, None), ("P0420:pending", 2, None)],
            id="another list of the same code",
        ),
    ],
)
def test_silence_is_never_no_codes(second, expected):
    _, found = run([reading(1, one(confirmed=["P0420"])), reading(2, second)])
    assert spans(found, "code") == expected


def test_a_monitor_is_not_complete_until_every_ecu_that_supports_it_is():
    both = [
        {"7E8": EcuReading(monitors={CAT: a}), "7E9": EcuReading(monitors={CAT: b, EVAP: True})}
        for a, b in [(False, False), (True, False), (True, True)]
    ]
    _, found = run([reading(n, ecus) for n, ecus in enumerate(both, start=1)])
    assert spans(found, "not_complete") == [("catalyst", 1, 3)]


def test_permanent_codes_are_their_own_episode():
    _, found = run([reading(1, one(permanent=["P0420"])), reading(2, one(permanent=[]))])
    assert spans(found, "code") == [("P0420:permanent", 1, 2)]


# Warm-ups are one byte and distance two (SAE J1979, PIDs 30 and 31; C): 255 and 65535 saturate.
# Ninety warm-ups do not fit into one minute: that is another ECU's counter (modelling choice; X).
@pytest.mark.parametrize(
    "before, after, cleared",
    [
        pytest.param({"warm_ups_since_clear": 9}, {"warm_ups_since_clear": 10}, False, id="up"),
        pytest.param({"warm_ups_since_clear": 254}, {"warm_ups_since_clear": 255}, False, id="sat"),
        pytest.param({"warm_ups_since_clear": 255}, {"warm_ups_since_clear": 255}, False, id="top"),
        pytest.param({"warm_ups_since_clear": 255}, {"warm_ups_since_clear": 0}, True, id="to 0"),
        pytest.param({"warm_ups_since_clear": 9}, {"warm_ups_since_clear": 8}, False, id="by one"),
        pytest.param({"warm_ups_since_clear": 9}, {"warm_ups_since_clear": 3}, True, id="to 3"),
        pytest.param({"warm_ups_since_clear": 99}, {"warm_ups_since_clear": 90}, False, id="other"),
        pytest.param(
            {"distance_since_clear_km": 65530.0}, {"distance_since_clear_km": 3.0}, False,
            id="rolled over",
        ),
        pytest.param(
            {"distance_since_clear_km": 900.0, "odometer_km": 5000.0},
            {"distance_since_clear_km": 950.0, "odometer_km": 5500.0}, True,
            id="behind the odometer",
        ),
        pytest.param(
            {"distance_since_clear_km": 65000.0}, {"distance_since_clear_km": 65535.0}, False,
            id="distance rises to saturation",
        ),
        pytest.param(
            {"distance_since_clear_km": 65535.0}, {"distance_since_clear_km": 3.0}, True,
            id="distance restarts",
        ),
        pytest.param(
            {"minutes_since_clear_min": 500}, {"minutes_since_clear_min": 2}, True, id="minutes"
        ),
        pytest.param({"warm_ups_since_clear": 9}, {}, False, id="not answered"),
    ],
)  # fmt: skip
def test_a_clear_is_seen_in_the_counters(before, after, cleared):
    state, found = run([reading(1, **before), reading(2, **after)])
    assert spans(found, "clear") == ([("", 2, 2)] if cleared else [])
    assert state.picture.last_clear_at == (at(2) if cleared else None)


def test_a_clear_is_seen_in_readiness_falling_back_and_told_once():
    two = {"7E8": EcuReading(monitors={CAT: True}), "7E9": EcuReading(monitors={CAT: True})}
    state, found = run(
        [
            reading(1, two, warm_ups_since_clear=90, distance_since_clear_km=900.0),
            reading(2, {"7E8": EcuReading(monitors={CAT: False})}),
            reading(3, {"7E9": EcuReading(monitors={CAT: False})}, warm_ups_since_clear=1),
            reading(4, two, warm_ups_since_clear=2),
        ]
    )
    assert spans(found, "clear") == [("", 2, 2)]
    assert spans(found, "not_complete") == [("catalyst", 2, 4)]
    assert state.picture.distance_since_clear_km is None


def test_driving_cycles_count_from_the_last_clear():
    def cycle(n):
        return DrivingCycle(
            started_at=when(at(n)), ended_at=when(at(n) + 1), propulsion_on_s=1, engine_on_s=1
        )

    state, _ = run(
        [
            reading(1, driving_cycle=cycle(1), warm_ups_since_clear=50),
            reading(2, driving_cycle=cycle(2), warm_ups_since_clear=51),
            reading(3, driving_cycle=cycle(2), warm_ups_since_clear=51),
        ]
    )
    assert (state.picture.driving_cycles, state.picture.driving_cycles_since_clear) == (2, 2)
    state, _ = run([reading(4, warm_ups_since_clear=0), reading(5, driving_cycle=cycle(5))], state)
    assert (state.picture.driving_cycles, state.picture.driving_cycles_since_clear) == (3, 1)


def test_a_split_reading_is_one_moment():
    first = {"7E8": EcuReading(mil=True, monitors={CAT: True}), "7E9": EcuReading(mil=False)}
    left, right = {"7E8": EcuReading(mil=False)}, {"7E9": EcuReading(mil=True)}
    whole, told = run([reading(1, first), reading(2, {**left, **right})])
    split, parts = run(
        [reading(1, first), reading(2, left, part=[1, 2]), reading(3, right, part=[2, 2])]
    )
    assert parts == told
    assert spans(parts, "mil_on") == [("", 1, None)]
    assert split.picture.ecus == whole.picture.ecus


def test_a_split_reading_whose_end_is_lost_counts_when_the_next_comes():
    state, told = run([reading(1, one(mil=True), part=[1, 2])])
    assert told == []
    state, told = run([reading(5, one(mil=True))], state)
    assert [(e.start_key[1], e.started_at) for e in told] == [(1, at(1))]


def test_another_vehicles_vin_is_flagged_and_not_folded():
    state, told = run(
        [reading(1, one(mil=False), vin=VIN), reading(2, one(mil=True), vin="2" * 17)]
    )
    assert state.picture.vin_mismatch == "2" * 17
    assert told == []
    state, told = run([reading(3, one(mil=True))], state)
    assert told == []
    state, told = run([reading(4, one(mil=True), vin=VIN)], state)
    assert state.picture.vin_mismatch is None
    assert spans(told, "mil_on") == [("", 4, None)]


@pytest.mark.parametrize(
    "more, expected",
    [
        pytest.param({}, at(3), id="good clock"),
        pytest.param({"taken_at": None, "clock": "unset"}, at(3), id="unset: by uptime"),
        pytest.param({"taken_at": "2000-01-01T00:00:00.000Z"}, at(3), id="not sane: by uptime"),
        pytest.param({"taken_at": when(T0 - 86_400_001)}, at(3), id="before the journal"),
        pytest.param({"taken_at": when(T0 - 86_400_000)}, T0 - 86_400_000, id="a day before it"),
        pytest.param({"taken_at": when(at(9)), "clock": "held"}, at(3), id="held: by uptime"),
        pytest.param(
            {"taken_at": None, "clock": "unset", "boot_no": 2, "uptime_ms": 5}, at(1),
            id="unset after a restart: the last moment",
        ),
        pytest.param(
            {"taken_at": when(at(9)), "clock": "held", "boot_no": 2, "uptime_ms": 5}, at(9),
            id="held after a restart: what it says",
        ),
    ],
)  # fmt: skip
def test_the_moment_observed_comes_from_the_reports_alone(more, expected):
    state, _ = run([reading(1)])
    assert fold(state, reading(3, **more), VIN).observed_at == expected


def test_without_any_clock_the_journals_start_stands_in():
    assert fold(start(), reading(1, taken_at=None, clock="unset"), VIN).observed_at == T0


MONITORS = st.dictionaries(st.sampled_from([CAT, EVAP, MISFIRE]), st.booleans(), max_size=3)
CODES = st.lists(st.sampled_from(["P0300", "P0420", "P0171"]), unique=True, max_size=3)
READINGS = st.builds(
    lambda said: EcuReading(**said),
    st.fixed_dictionaries(
        {},
        optional={
            "mil": st.booleans(), "monitors": MONITORS, "confirmed": CODES, "pending": CODES,
            "permanent": CODES,
        },
    ),
)  # fmt: skip


@st.composite
def histories(draw):
    reports = []
    for seq in range(1, draw(st.integers(1, 12)) + 1):
        more = draw(
            st.fixed_dictionaries(
                {},
                optional={
                    "warm_ups_since_clear": st.integers(0, 255),
                    "distance_since_clear_km": st.integers(0, 65535).map(float),
                    "part": st.sampled_from([[1, 2], [2, 2]]),
                    "vin": st.sampled_from([VIN, VIN, "2" * 17]),
                },
            )
        )
        ecus = draw(st.dictionaries(st.sampled_from(["7E8", "7E9"]), READINGS, max_size=2))
        if draw(st.booleans()):
            more |= {"clock": "unset", "taken_at": None}
        reports.append(reading(seq, ecus, **more))
    return reports


@settings(max_examples=150, deadline=None)
@given(histories(), st.data())
def test_going_on_from_a_stored_state_equals_starting_afresh(reports, data):
    """Design rule: what is so is a function of the set of reports (modelling choice)."""
    whole, told = run(reports)
    cut = data.draw(st.integers(0, len(reports)))
    before, first = run(reports[:cut])
    kept = msgspec.msgpack.encode(before)
    after, second = run(reports[cut:], msgspec.msgpack.decode(kept, type=VehicleState))
    assert after == whole
    assert {e.natural: e for e in [*first, *second]} == {e.natural: e for e in told}
    assert msgspec.msgpack.encode(before) == kept, "the fold changed the state it was given"


@settings(max_examples=100, deadline=None)
@given(histories())
def test_open_episodes_are_exactly_those_told_and_not_ended(reports):
    state, told = run(reports)
    assert sorted(e.natural for e in state.open) == sorted(
        e.natural for e in told if e.ended_at is None
    )
