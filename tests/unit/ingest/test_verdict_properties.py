"""What must hold of every verdict of every program, whatever the facts (X: by construction)."""

from __future__ import annotations

from datetime import UTC, datetime

from hypothesis import given, settings
from hypothesis import strategies as st

from gateway.facts import CONTINUOUS, Ignition, Monitor
from ingest.domain.picture import EcuPicture, Picture
from ingest.domain.vehicle_columns import FUELS
from ingest.domain.vehicles import Vehicle
from ingest.domain.verdict import Outcome, judge
from ingest.program_files import load_programs

NOW = datetime(2026, 3, 1, tzinfo=UTC)
READ = int(NOW.timestamp() * 1000)
PROGRAMS = load_programs()
# A lamp failure outlasts a drive; a vehicle of which nothing can be told may still pass.
RANK = [Outcome.WOULD_FAIL, Outcome.NOT_READY, Outcome.CANNOT_TELL, Outcome.WOULD_PASS]
CODES = st.lists(st.sampled_from(["P0420", "P0442", "P0171"]), max_size=2, unique=True)

vehicles = st.builds(
    Vehicle,
    unit=st.just("V-1"), vin=st.just("1" * 17), plate=st.just("P"), depot=st.just("D"),
    depot_tz=st.just("UTC"), program=st.sampled_from(sorted(PROGRAMS)),
    model_year=st.integers(1994, 2027), ignition=st.sampled_from(Ignition),
    fuel=st.none() | st.sampled_from(FUELS), gvwr_lb=st.none() | st.integers(5000, 40000),
    odometer_mi=st.none() | st.integers(1, 100_000),
)  # fmt: skip
ecus = st.builds(
    EcuPicture,
    heard_at=st.just(READ), readiness_at=st.just(READ), mil=st.none() | st.booleans(),
    code_count=st.none() | st.integers(0, 3), ignition=st.none() | st.sampled_from(Ignition),
    monitors=st.dictionaries(st.sampled_from(Monitor), st.booleans()),
    confirmed=st.none() | CODES, pending=st.none() | CODES, permanent=st.none() | CODES,
    supported_before=st.none() | st.lists(st.sampled_from(Monitor), unique=True),
    before_clear=st.sampled_from([False, False, False, True]),
)  # fmt: skip
counters = st.none() | st.floats(0, 500, allow_nan=False)
pictures = st.builds(
    Picture,
    ecus=st.dictionaries(st.sampled_from(["7E8", "7E9"]), ecus, min_size=1), heard_at=st.just(READ),
    warm_ups_since_clear=st.none() | st.integers(0, 30), distance_since_clear_km=counters,
    minutes_since_clear_min=st.none() | st.integers(0, 700),
    odometer_km=st.none() | st.floats(0, 1000, allow_nan=False),
)  # fmt: skip


@settings(max_examples=400)
@given(vehicle=vehicles, picture=pictures, failed=CODES, data=st.data())
def test_one_more_complete_monitor_never_worsens_a_verdict(vehicle, picture, failed, data):
    program = PROGRAMS[vehicle.program]
    before = judge(program, vehicle, picture, NOW, failed_codes=failed)
    waiting = [
        (name, one) for name, ecu in picture.ecus.items() for one, done in ecu.monitors.items()
        if not done
    ]  # fmt: skip
    if not waiting:
        return
    name, monitor = data.draw(st.sampled_from(waiting))
    picture.ecus[name].monitors[monitor] = True
    after = judge(program, vehicle, picture, NOW, failed_codes=failed)
    assert RANK.index(after.outcome) >= RANK.index(before.outcome)
    if before.spare is not None and after.spare is not None:
        assert after.spare >= before.spare


@settings(max_examples=200)
@given(
    vehicle=vehicles,
    picture=st.none()
    | st.builds(
        Picture,
        heard=st.sampled_from([None, "nothing", "answers", "j1939", "newer_protocol"]),
        heard_at=st.none() | st.just(READ),
        ecus=st.dictionaries(st.just("7E8"), st.builds(EcuPicture, heard_at=st.just(READ))),
    ),
)
def test_no_facts_never_pass(vehicle, picture):
    verdict = judge(PROGRAMS[vehicle.program], vehicle, picture, NOW)
    assert verdict.outcome is Outcome.CANNOT_TELL
    assert verdict.program_word == ""
    assert verdict.reasons


@settings(max_examples=400)
@given(vehicle=vehicles, picture=pictures)
def test_a_pass_is_borne_out_by_the_facts(vehicle, picture):
    program = PROGRAMS[vehicle.program]
    verdict = judge(program, vehicle, picture, NOW)
    assert all(
        one.text and one.fact and one.rule and one.clause and one.tag for one in verdict.reasons
    )
    assert verdict.reasons
    assert (verdict.missing == "") is (verdict.outcome is not Outcome.CANNOT_TELL)
    if verdict.outcome is Outcome.WOULD_PASS:
        assert picture.mil() is False
        assert verdict.in_scope
        assert picture.monitors().keys() - CONTINUOUS
        assert verdict.spare is None or verdict.spare >= 0
        assert not any(ecu.before_clear for ecu in picture.ecus.values())
