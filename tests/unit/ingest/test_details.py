"""Freeze frames, test results, counters, silence and driving cycles through the fold."""

from __future__ import annotations

from pathlib import Path

import msgspec
import pytest

from gateway.contract import (
    DrivingCycle,
    EcuReading,
    FreezeFrame,
    Implausible,
    LampBroadcast,
    MonitorResult,
    Report,
    SuspectCode,
    decode_report,
    format_time,
    parse_time,
)
from gateway.facts import Monitor
from ingest.domain.episodes import VehicleState, fold, start
from ingest.domain.monitor_tests import outcome

GOLDEN = Path(__file__).parents[2] / "golden" / "contract" / "v1"
JOURNAL = "00000000-0000-4000-8000-000000000001"
CREATED = "2026-01-01T00:00:00.000Z"
T0 = int(parse_time(CREATED).timestamp() * 1000)
CAT = Monitor.CATALYST


def at(seq):
    return T0 + seq * 60_000


def reading(seq, ecus=None, **more):
    taken = parse_time(CREATED).fromtimestamp(at(seq) / 1000, tz=parse_time(CREATED).tzinfo)
    facts = {"taken_at": format_time(taken), "clock": "synced", "ecus": ecus or {}}
    return Report(
        schema="report/1", gateway="gw-1", journal=JOURNAL, journal_created_at=CREATED, seq=seq,
        boot_no=1, uptime_ms=seq * 60_000, reason="full", **{**facts, **more},
    )  # fmt: skip


def run(*reports):
    """The picture, the episodes as they last stood, and the driving cycles."""
    state, told, cycles = start(), {}, []
    for report in reports:
        step = fold(state, report, "")
        # Going on from the stored bytes must be the same as going on from memory.
        state = msgspec.msgpack.decode(msgspec.msgpack.encode(step.state), type=VehicleState)
        assert state == step.state
        told.update({episode.natural: episode for episode in step.changed})
        cycles += step.cycles
    return state.picture, list(told.values()), cycles


def result(monitor_id, test_id, value=1.0, **more):
    facts = {"scaling_id": 1, "low": 0.0, "high": 2.0, "passed": True}
    return MonitorResult(monitor_id=monitor_id, test_id=test_id, value=value, **{**facts, **more})


def frame(code="P0420", **values):
    return FreezeFrame(frame=0, code=code, values=values or {"engine_speed_rpm": 2000.0})


def one(**said):
    return {"7E8": EcuReading(**said)}


def test_a_full_reading_as_the_contract_writes_it_is_kept_whole():
    # tests/golden: a freeze frame and test results in the shape of SAE J1979 (from memory).
    body = (GOLDEN / "report.freeze-frame-and-test-results.json").read_bytes()
    picture, _, _ = run(decode_report(body))

    ecu = picture.ecus["7E8"]
    assert [(f.code, f.values["coolant_c"]) for f in ecu.freeze_frames] == [("P0143", 83.0)]
    assert [outcome(r) for r in ecu.test_results] == [
        "passed",
        "passed",
        "not run since codes were cleared",
    ]
    assert ecu.in_use_counters == {"obd_conditions": 120, "ignition_cycles": 340}
    assert picture.live["engine_speed_rpm"] == 740.0
    assert picture.implausible[0].basis == "common practice, no source"
    assert (picture.heard, picture.unread()) == ("answers", None)


@pytest.mark.parametrize(
    "second, frames",
    [
        pytest.param(one(mil=True), ["P0420"], id="not asked: kept"),
        pytest.param({}, ["P0420"], id="no ECU answers: kept"),
        pytest.param(one(freeze_frames=[]), [], id="asked, none"),
        pytest.param(one(freeze_frames=[frame("P0300")]), ["P0300"], id="another one"),
    ],
)
def test_the_latest_freeze_frames_stand(second, frames):
    picture, _, _ = run(reading(1, one(freeze_frames=[frame()])), reading(2, second))
    assert [f.code for f in picture.ecus["7E8"].freeze_frames] == frames


def test_test_results_are_kept_by_monitor_and_test_until_a_clear():
    first = one(monitors={CAT: True}, test_results=[result(0x21, 0x80), result(0x01, 0x01)])
    again = one(monitors={CAT: True}, test_results=[result(0x21, 0x80, 1.5)])
    picture, _, _ = run(reading(1, first), reading(2, again))
    kept = [(r.monitor_id, r.test_id, r.value) for r in picture.ecus["7E8"].test_results]
    assert kept == [(0x01, 0x01, 1.0), (0x21, 0x80, 1.5)]

    # A clear takes every result with it (SAE J1979, service 04; from memory): what is read after
    # it stands alone.
    cleared = reading(3, one(monitors={CAT: False}))
    after = one(monitors={CAT: False}, test_results=[result(0x21, 0x80, 0.0)])
    more = one(monitors={CAT: False}, test_results=[result(0x21, 0x81, 0.0)])
    picture, _, _ = run(reading(1, first), cleared, reading(4, after), reading(5, more))
    left = [(r.monitor_id, r.test_id) for r in picture.ecus["7E8"].test_results]
    assert left == [(0x21, 0x80), (0x21, 0x81)]


def test_an_ecu_that_goes_on_in_a_further_part_has_its_lists_joined():
    parts = [
        reading(
            1,
            {"7E8": EcuReading(confirmed=["P0420"], test_results=[result(1, 1)])},
            part=[1, 3],
        ),
        reading(
            2,
            {
                "7E8": EcuReading(
                    confirmed=["P0420", "P0300"],
                    test_results=[result(1, 2)],
                    in_use_counters={"ignition_cycles": 3},
                )
            },
            part=[2, 3],
            implausible=[Implausible(rule="a_rule", text="One.", basis="b")],
        ),
        reading(
            3,
            {
                "7E8": EcuReading(
                    test_results=[result(2, 1)], in_use_counters={"x_completions": 1}
                ),
                "7E9": EcuReading(confirmed=[]),
            },
            part=[3, 3],
            implausible=[Implausible(rule="another_rule", text="Two.", basis="b")],
        ),
    ]
    picture, _, _ = run(*parts)

    ecu = picture.ecus["7E8"]
    assert ecu.confirmed == ["P0420", "P0300"]
    assert [(r.monitor_id, r.test_id) for r in ecu.test_results] == [(1, 1), (1, 2), (2, 1)]
    assert ecu.in_use_counters == {"ignition_cycles": 3, "x_completions": 1}
    assert [one.rule for one in picture.implausible] == ["a_rule", "another_rule"]
    assert picture.codes("confirmed") == {"P0420", "P0300"}


def test_another_tester_on_the_bus_is_an_event_from_its_first_reading_to_the_next_without_it():
    picture, found, _ = run(
        reading(1, one(mil=False)),
        reading(2, quiet="another_tester", quiet_until="2026-01-01T00:12:00.000Z"),
        reading(3, quiet="another_tester", quiet_until="2026-01-01T00:13:00.000Z"),
    )
    assert (picture.quiet, picture.quiet_until) == ("another_tester", T0 + 13 * 60_000)
    assert [(e.kind, e.start_key[1], e.end_key) for e in found] == [("another_tester", 2, None)]

    picture, found, _ = run(
        reading(1, quiet="another_tester"), reading(2, quiet="shop"), reading(3, one(mil=False))
    )
    spans = [(e.kind, e.start_key[1], e.end_key[1] if e.end_key else None) for e in found]
    assert spans == [("another_tester", 1, 2)]
    assert picture.quiet is None


@pytest.mark.parametrize("quiet", ["shop", "inspection", "low_voltage", "no_traffic"])
def test_another_reason_for_silence_is_shown_and_is_no_event(quiet):
    picture, found, _ = run(reading(1, quiet=quiet))
    assert (picture.quiet, found) == (quiet, [])


def test_an_end_of_silence_on_a_day_that_does_not_exist_is_not_known():
    picture, _, _ = run(reading(1, quiet="shop", quiet_until="2026-02-30T00:00:00.000Z"))
    assert (picture.quiet, picture.quiet_until) == ("shop", None)


@pytest.mark.parametrize(
    "reports, unread",
    [
        pytest.param([{"heard": "j1939"}], "J1939 vehicle, not read yet", id="J1939 alone"),
        pytest.param(
            [{"heard": "newer_protocol"}], "newer protocol, not read yet", id="newer alone"
        ),
        pytest.param([{"heard": "nothing"}], None, id="nobody speaks"),
        pytest.param(
            [{"heard": "j1939"}, {"heard": "nothing"}],
            "J1939 vehicle, not read yet",
            id="asleep since",
        ),
        pytest.param(
            [{"heard": "j1939"}, {"heard": "answers", "ecus": one(monitors={CAT: True})}],
            None,
            id="answers since",
        ),
        pytest.param(
            [{"heard": "answers", "ecus": one(monitors={CAT: True})}, {"heard": "j1939"}],
            None,
            id="answered before: its readiness grows old instead",
        ),
    ],
)
def test_a_language_that_is_not_read_is_told_until_the_vehicle_answers(reports, unread):
    picture, _, _ = run(*(reading(n, **more) for n, more in enumerate(reports, 1)))
    assert picture.unread() == unread


def test_broadcast_lamps_and_codes_are_kept_as_heard():
    # DM1 (SAE J1939-73, 5.7.1; from memory): lamps and codes of one controller.
    dm1 = LampBroadcast(
        source=0, malfunction="on", stop="off", warning="on", protect="off",
        codes=[SuspectCode(spn=3251, fmi=2)],
    )  # fmt: skip
    picture, _, _ = run(reading(1, heard="j1939", lamp_broadcasts=[dm1]), reading(2, heard="j1939"))

    assert picture.lamp_broadcasts == [dm1]
    assert picture.lamp_broadcasts_at == at(1)
    assert picture.heard_at == at(2)
    assert picture.codes("confirmed") is None
    assert picture.mil() is None


def cycle(begin="2026-01-01T00:00:00.000Z", **more):
    facts = {"ended_at": "2026-01-01T00:30:00.000Z", "propulsion_on_s": 1800, "engine_on_s": 1500}
    return DrivingCycle(started_at=begin, **{**facts, **more})


def test_a_driving_cycle_comes_out_once_with_what_was_and_was_not_given():
    said = cycle(distance_km=31.5, warm_up=True, monitors_completed=[CAT], not_given=["fuel_level"])
    _, _, cycles = run(
        reading(1, driving_cycle=said),
        reading(2, driving_cycle=said),
        reading(3, driving_cycle=cycle("2026-01-01T01:00:00.000Z")),
    )

    assert [(c.seq, c.distance_km, c.warm_up) for c in cycles] == [(1, 31.5, True), (3, None, None)]
    assert (cycles[0].monitors_completed, cycles[0].not_given) == ([CAT], ["fuel_level"])
    assert (cycles[0].started_at, cycles[0].observed_at) == (T0, at(1))


def test_a_driving_cycle_in_a_reading_of_parts_is_known_by_its_first_part():
    _, _, cycles = run(
        reading(4, one(mil=False), part=[1, 2]),
        reading(5, one(pending=[]), part=[2, 2], driving_cycle=cycle()),
    )
    assert [c.key for c in cycles] == [(JOURNAL, 4)]


def test_another_vehicles_driving_cycle_is_not_taken():
    state = start()
    report = reading(1, driving_cycle=cycle(), vin="22222222222222222")
    assert fold(state, report, "11111111111111111").cycles == []
