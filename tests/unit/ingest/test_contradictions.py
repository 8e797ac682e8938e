"""Facts that do not fit are flagged with the verdict, and never lead to a pass they would deny."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import msgspec
import pytest

from gateway.facts import CONTINUOUS, Ignition, Monitor
from ingest.domain import contradictions as rules
from ingest.domain.details import supported_before
from ingest.domain.observed_lamp import LampFinding, ObservedLamp, compare
from ingest.domain.picture import EcuPicture, Picture
from ingest.domain.programs import parse_additions, with_additions
from ingest.domain.vehicles import Vehicle
from ingest.domain.verdict import Outcome, judge
from ingest.program_files import load_programs

NOW = datetime(2026, 3, 1, tzinfo=UTC)
READ = int(NOW.timestamp() * 1000)
PROGRAMS = load_programs()
OWN = [Monitor.CATALYST, Monitor.EVAPORATIVE_SYSTEM, Monitor.OXYGEN_SENSOR]
CAR = Vehicle(
    unit="V-1", vin="1ZZZZ2C0XM0000001", plate="P", depot="D", depot_tz="UTC",
    program="us-federal", model_year=2010, ignition=Ignition.SPARK, gvwr_lb=8000,
    make="Northfield",
)  # fmt: skip


def ecu(**more):
    facts = {
        "mil": False, "code_count": 0, "ignition": Ignition.SPARK, "confirmed": [],
        "permanent": [], "monitors": dict.fromkeys([*CONTINUOUS, *OWN], True), **more,
    }  # fmt: skip
    return EcuPicture(heard_at=READ, readiness_at=READ, codes_at=READ, **facts)


def seen(one=None, **more):
    return Picture(ecus={"7E8": one or ecu()}, heard_at=READ, **more)


def contradictions(vehicle, picture):
    return rules.contradictions(vehicle, picture, rules.ignition_told(picture))


def texts(verdict):
    return " ".join(reason.text for reason in verdict.reasons)


# PID 01 byte A and service 03 (SAE J1979; B): the lamp bit, the count and the list belong together.
@pytest.mark.parametrize(
    "facts, kinds, part",
    [
        pytest.param({}, [], "", id="all fits"),
        pytest.param(
            # 13 CCR 1968.2 (d)(2.3): the lamp goes out first, the code stays stored (B).
            {"code_count": 1, "confirmed": ["P0171"]}, [],
            "goes out by itself after three driving cycles", id="lamp off, code kept",
        ),
        pytest.param(
            {"code_count": 1, "confirmed": None}, ["lamp_and_count"],
            "counts 1 stored code that it did not list", id="lamp off, count 1, not listed",
        ),
        pytest.param(
            {"mil": True, "confirmed": []}, ["lamp_and_count"],
            "counts no stored code.", id="lamp on, count 0",
        ),
        pytest.param(
            {"mil": True, "code_count": 2, "confirmed": ["P0171"]}, ["count_and_list"],
            "counts 2 stored codes and lists 1.", id="count 2, listed 1",
        ),
        pytest.param(
            {"supported_before": [*OWN, Monitor.SECONDARY_AIR]}, ["supported"],
            "lost secondary air system", id="a monitor lost",
        ),
        pytest.param(
            {"ignition": Ignition.COMPRESSION}, ["ignition"], "the ECUs say compression",
            id="another ignition than listed",
        ),
    ],
)  # fmt: skip
def test_each_contradiction_is_flagged_with_the_verdict(facts, kinds, part):
    if "supported_before" in facts:
        facts = {"supported_before": [*CONTINUOUS, *facts["supported_before"]]}
    picture = seen(ecu(**facts))
    assert [one.kind for one in contradictions(CAR, picture)] == kinds
    assert part in texts(judge(PROGRAMS["us-federal"], CAR, picture, NOW))


@pytest.mark.parametrize(
    "since, odometer, flagged",
    [(105.0, 100.0, False), (106.0, 100.0, True), (50.0, None, False), (None, 10.0, False)],
)
def test_a_distance_since_clear_above_the_odometer(since, odometer, flagged):
    picture = seen(distance_since_clear_km=since, odometer_km=odometer)
    assert [one.kind for one in contradictions(CAR, picture)] == ["distance"] * flagged


def test_a_distance_that_cannot_be_waives_nothing():
    # 15 warm-ups and 200 miles waive a permanent code in California (B); 400 km alone would do.
    code = ecu(permanent=["P0420"])
    program = PROGRAMS["california-light-duty"]
    good = seen(code, warm_ups_since_clear=15, distance_since_clear_km=400.0, odometer_km=90_000.0)
    assert judge(program, CAR, good, NOW).outcome is Outcome.WOULD_PASS
    bad = msgspec.structs.replace(good, odometer_km=300.0)
    verdict = judge(program, CAR, bad, NOW)
    assert (verdict.outcome, verdict.missing) == (Outcome.CANNOT_TELL, "reading")


def test_lost_monitors_make_a_pass_unclear_only_where_they_could_be_too_many():
    lost = [Monitor.SECONDARY_AIR, Monitor.HEATED_CATALYST]
    for number, outcome in [(1, Outcome.WOULD_PASS), (2, Outcome.CANNOT_TELL)]:
        picture = seen(ecu(supported_before=[*CONTINUOUS, *OWN, *lost[:number]]))
        assert judge(PROGRAMS["us-federal"], CAR, picture, NOW).outcome is outcome


def test_the_set_supported_at_first_is_kept_until_it_is_back():
    first = dict.fromkeys(OWN, True)
    known = ecu(monitors=first)
    assert supported_before(EcuPicture(heard_at=READ), first) is None
    assert supported_before(known, dict.fromkeys(OWN, False)) is None
    less = {Monitor.CATALYST: True}
    before = supported_before(known, less)
    assert before == OWN
    known.supported_before, known.monitors = before, less
    assert supported_before(known, {Monitor.EGR_VVT: True}) == OWN
    assert supported_before(known, first) is None


def test_an_ignition_that_changes_the_rules_must_be_mended_first():
    # Oregon counts differ: gasoline 2001 on one, diesel 1997-2008 none (A*).
    old = Vehicle(
        unit="V", vin="1" * 17, plate="P", depot="D", depot_tz="UTC", program="oregon",
        model_year=2005, ignition=Ignition.SPARK, gvwr_lb=8000,
    )  # fmt: skip
    verdict = judge(PROGRAMS["oregon"], old, seen(ecu(ignition=Ignition.COMPRESSION)), NOW)
    assert (verdict.outcome, verdict.missing) == (Outcome.CANNOT_TELL, "list")


HOUR = timedelta(hours=1)


# 40 CFR 85.2207(b) (A) and 85.2222(d)(4) (A* for the check); 24 hours are our choice (X).
@pytest.mark.parametrize(
    "key_on, running, commanded, ago, found",
    [
        (True, False, False, HOUR, {LampFinding.AGREES}),
        (True, True, True, HOUR, {LampFinding.AGREES, LampFinding.LIT_WHILE_RUNNING}),
        (False, None, False, HOUR, {LampFinding.DARK_AT_KEY_ON}),
        (None, False, True, HOUR, {LampFinding.DARK_WHILE_COMMANDED}),
        (None, False, True, 24 * HOUR, {LampFinding.DARK_WHILE_COMMANDED}),
        (None, False, True, 25 * HOUR, {LampFinding.NOT_COMPARABLE}),
        (None, True, False, HOUR, {LampFinding.LIT_WHILE_RUNNING, LampFinding.LIT_UNCOMMANDED}),
        (None, True, False, 25 * HOUR, {LampFinding.NOT_COMPARABLE}),
        (None, True, None, HOUR, {LampFinding.LIT_WHILE_RUNNING, LampFinding.NOT_COMPARABLE}),
        (None, None, True, HOUR, set()),
    ],
)
def test_what_was_seen_is_set_against_the_command(key_on, running, commanded, ago, found):
    observed = ObservedLamp(NOW - ago, key_on, running, "T. Reader")
    assert set(compare(observed, commanded, NOW)) == found


def test_a_dark_bulb_fails_before_any_reading_and_an_old_look_does_not():
    for age, outcome in [(7, Outcome.WOULD_FAIL), (8, Outcome.CANNOT_TELL)]:
        observed = ObservedLamp(NOW - timedelta(days=age), False, None, "T. Reader")
        verdict = judge(PROGRAMS["us-federal"], CAR, None, NOW, observed=observed)
        assert verdict.outcome is outcome
        assert "T. Reader" in texts(verdict)


ROW = """
[[exceptions]]
make = "northfield"
{more}
from_model_year = 2008
to_model_year = 2010
about = "{about}"
treated = "{treated}"
text = "A letter of the agency says so."
source = "an invented letter"
edition = "2026-01"
tag = "X"
"""


@pytest.mark.parametrize(
    "about, treated, more, outcome, part",
    [
        (
            "catalyst",
            "not_counted",
            "",
            "would_pass",
            "The fleet's own row on northfield, catalyst",
        ),
        ("catalyst", "not_counted", 'vin_starts = ["1ZZZZ"]', "would_pass", "own row"),
        ("catalyst", "not_counted", 'vin_starts = ["2ZZZZ"]', "not_ready", ""),
        ("catalyst", "not_counted", 'engine = "3.0"', "not_ready", "may apply, check model and"),
        ("communication", "other_test", "", "cannot_tell", "communication: A letter"),
        ("communication", "told", "", "not_ready", "communication: A letter"),
    ],
)
def test_an_exception_of_the_fleet_is_applied_as_far_as_the_list_can_tell(
    about, treated, more, outcome, part
):
    added = parse_additions(ROW.format(about=about, treated=treated, more=more), "own")
    program = with_additions(PROGRAMS["us-federal"], added)
    monitors = dict.fromkeys([*CONTINUOUS, *OWN], True) | dict.fromkeys(OWN[:2], False)
    verdict = judge(program, CAR, seen(ecu(monitors=monitors)), NOW)
    assert verdict.outcome == outcome
    assert part in texts(verdict)
