"""The expected result against the federal rule and the Illinois count that spells it out."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime, timedelta

import pytest

from gateway.facts import Ignition, Monitor
from ingest.domain.picture import EcuPicture, Picture
from ingest.domain.vehicles import Vehicle
from ingest.domain.verdict import OUTCOME_TEXT, Outcome, judge
from ingest.program_files import load_programs

NOW = datetime(2026, 3, 1, tzinfo=UTC)
READ = int(NOW.timestamp() * 1000)
FEDERAL = load_programs()["us-federal"]
COUNTED = [
    Monitor.CATALYST, Monitor.EVAPORATIVE_SYSTEM, Monitor.OXYGEN_SENSOR,
    Monitor.OXYGEN_SENSOR_HEATER,
]  # fmt: skip
CONTINUOUS = [Monitor.MISFIRE, Monitor.FUEL_SYSTEM, Monitor.COMPONENTS]


def car(model_year=2010, gvwr_lb=None):
    return Vehicle(
        unit="V-1", vin="1" * 17, plate="P", depot="D", depot_tz="UTC", program="us-federal",
        model_year=model_year, ignition=Ignition.SPARK, gvwr_lb=gvwr_lb,
    )  # fmt: skip


def seen(unset=(), read_at=READ, **more):
    monitors = {monitor: monitor not in unset for monitor in [*CONTINUOUS, *COUNTED]}
    facts = {"mil": False, "monitors": monitors, "confirmed": [], "pending": [], **more}
    ecu = EcuPicture(heard_at=read_at, readiness_at=read_at, **facts)
    return Picture(ecus={"7E8": ecu}, heard_at=read_at, first_heard_at=read_at)


# 40 CFR 85.2222(c)(2) by EPA420-R-01-015 (B) and 35 Ill. Adm. Code 276.209 (A): model years
# 1996-2000 two, 2001 on one, non-continuous monitors only; too many is a reject, no failure (A).
@pytest.mark.parametrize(
    "model_year, unset, outcome, spare",
    [
        pytest.param(1996, 0, "would_pass", 2, id="1996 none"),
        pytest.param(1996, 2, "would_pass", 0, id="1996 two, at the limit"),
        pytest.param(1996, 3, "not_ready", -1, id="1996 three, just over"),
        pytest.param(2000, 1, "would_pass", 1, id="2000 one"),
        pytest.param(2000, 2, "would_pass", 0, id="2000 two, at the limit"),
        pytest.param(2000, 3, "not_ready", -1, id="2000 three, just over"),
        pytest.param(2001, 0, "would_pass", 1, id="2001 none"),
        pytest.param(2001, 1, "would_pass", 0, id="2001 one, at the limit"),
        pytest.param(2001, 2, "not_ready", -1, id="2001 two, just over"),
        pytest.param(2001, 3, "not_ready", -2, id="2001 three"),
    ],
)
def test_the_count_of_monitors_follows_the_model_year(model_year, unset, outcome, spare):
    verdict = judge(FEDERAL, car(model_year), seen(COUNTED[:unset]), NOW)
    assert (verdict.outcome, verdict.spare) == (outcome, spare)
    assert verdict.incomplete == tuple(m for m in Monitor if m in COUNTED[:unset])
    if outcome == "not_ready":
        assert verdict.program_word == "reject"


def test_continuous_monitors_are_not_counted():
    # 35 Ill. Adm. Code 276.209(c)(1) (A): non-continuous monitors only.
    verdict = judge(FEDERAL, car(2001), seen([*CONTINUOUS, COUNTED[0]]), NOW)
    assert (verdict.outcome, verdict.incomplete) == (Outcome.WOULD_PASS, (COUNTED[0],))


def test_a_commanded_lamp_with_a_code_fails_before_readiness_is_asked():
    # 40 CFR 85.2207(c) (A); the reject is for a vehicle that otherwise passes (276.209, A).
    verdict = judge(FEDERAL, car(), seen(COUNTED, mil=True, confirmed=["P0420"]), NOW)
    assert (verdict.outcome, verdict.program_word) == (Outcome.WOULD_FAIL, "fail")
    assert (verdict.reasons[0].rule, verdict.reasons[0].tag) == ("40 CFR 85.2207(c)", "A")
    assert "P0420" in verdict.reasons[0].text


@pytest.mark.parametrize("confirmed", [None, []], ids=["list silent", "asked, none"])
def test_a_commanded_lamp_without_a_code_read_cannot_be_told(confirmed):
    # 40 CFR 85.2207(c) (A): "for one or more DTCs".
    verdict = judge(FEDERAL, car(), seen(mil=True, confirmed=confirmed), NOW)
    assert verdict.outcome is Outcome.CANNOT_TELL
    assert "take a fresh reading" in verdict.reasons[0].text


@pytest.mark.parametrize("kind", ["confirmed", "pending", "permanent"])
def test_codes_with_the_lamp_off_pass_but_are_told(kind):
    # 40 CFR 85.2222(d)(2), from memory (M): lamp not commanded, pass even if codes are present.
    verdict = judge(FEDERAL, car(), seen(**{kind: ["P0171"]}), NOW)
    assert verdict.outcome is Outcome.WOULD_PASS
    assert any("P0171" in reason.text for reason in verdict.reasons)


def test_any_ecu_that_commands_the_lamp_fails_the_vehicle():
    picture = seen()
    picture.ecus["7E9"] = EcuPicture(
        heard_at=READ, readiness_at=READ, mil=True, monitors={}, confirmed=["P0700"]
    )
    assert judge(FEDERAL, car(), picture, NOW).outcome is Outcome.WOULD_FAIL


# 35 Ill. Adm. Code 276.209(c)(2) (A): after P0420-P0439 the catalyst monitor must be complete.
@pytest.mark.parametrize(
    "code, unset, outcome",
    [
        pytest.param("P0419", [Monitor.CATALYST], "would_pass", id="just before the span"),
        pytest.param("P0420", [Monitor.CATALYST], "not_ready", id="first of the span"),
        pytest.param("P0439", [Monitor.CATALYST], "not_ready", id="last of the span"),
        pytest.param("P0440", [Monitor.CATALYST], "would_pass", id="just after the span"),
        pytest.param("P0420", [Monitor.EVAPORATIVE_SYSTEM], "would_pass", id="another monitor"),
    ],
)
def test_a_retest_after_a_catalyst_code_needs_the_catalyst_monitor(code, unset, outcome):
    verdict = judge(FEDERAL, car(), seen(unset), NOW, failed_codes=[code])
    assert verdict.outcome == outcome


# Never worded as ready when nothing is known (modelling choice; 85.2207 begins with 1996, A).
@pytest.mark.parametrize(
    "vehicle, picture, part",
    [
        pytest.param(car(1995), seen(), "before 1996", id="model year 1995"),
        pytest.param(car(gvwr_lb=14001), seen(), "14,000 lb", id="just too heavy"),
        pytest.param(car(), None, "Never heard", id="no picture"),
        pytest.param(car(), Picture(), "Never heard", id="empty picture"),
        pytest.param(
            car(), Picture(heard_at=READ, ecus={"7E8": EcuPicture(heard_at=READ)}),
            "No ECU answered", id="silent",
        ),
        pytest.param(car(), seen(mil=None), "whether it commands", id="lamp unknown"),
        pytest.param(car(), seen(monitors={Monitor.MISFIRE: True}), "no monitor", id="unsupported"),
        pytest.param(car(), seen(before_clear=True), "cleared", id="not heard since a clear"),
        pytest.param(
            car(), Picture(heard_at=READ, vin_mismatch="2" * 17), "another vehicle's", id="VIN"
        ),
    ],
)  # fmt: skip
def test_what_cannot_be_told_is_told_as_such(vehicle, picture, part):
    verdict = judge(FEDERAL, vehicle, picture, NOW)
    assert verdict.outcome is Outcome.CANNOT_TELL
    assert part in verdict.reasons[0].text
    assert verdict.program_word == ""


@pytest.mark.parametrize(
    "age, outcome",
    [
        pytest.param(timedelta(days=7, milliseconds=-1), "would_pass", id="just before"),
        pytest.param(timedelta(days=7), "would_pass", id="at seven days"),
        pytest.param(timedelta(days=7, milliseconds=1), "cannot_tell", id="just after"),
    ],
)
@pytest.mark.parametrize("mil", [False, True], ids=["lamp off", "lamp on"])
def test_a_stale_reading_says_nothing(age, outcome, mil):
    picture = seen(mil=mil, confirmed=["P0420"] if mil else [])
    verdict = judge(FEDERAL, car(), picture, NOW + age)
    expected = "would_fail" if mil and outcome == "would_pass" else outcome
    assert verdict.outcome == expected


def test_one_ecu_that_stopped_answering_makes_the_reading_stale():
    picture = seen()
    old = READ - 8 * 86_400_000
    picture.ecus["7E9"] = EcuPicture(heard_at=old, readiness_at=old, mil=False, monitors={})
    assert judge(FEDERAL, car(), picture, NOW).outcome is Outcome.CANNOT_TELL


def test_the_lamp_itself_and_the_connector_are_always_left_to_the_eye():
    # 40 CFR 85.2207(a), (b) (A) and 85.2222(d)(4) (A* for the check).
    for picture in (None, seen(), seen(mil=True, confirmed=["P0420"])):
        eye = " ".join(judge(FEDERAL, car(), picture, NOW).check_by_eye)
        assert "engine off" in eye
        assert "seen to be lit" in eye
        assert "connector" in eye


def test_every_reason_names_a_rule_and_a_tag():
    for picture in (None, seen(), seen(COUNTED), seen(mil=True, confirmed=["P0420"])):
        for reason in judge(FEDERAL, car(), picture, NOW).reasons:
            assert all((reason.text, reason.fact, reason.rule, reason.clause, reason.tag))


def test_the_words_on_screen_are_the_four_of_the_plan():
    assert list(OUTCOME_TEXT.values()) == ["would pass", "would fail", "not ready", "cannot tell"]


@pytest.mark.parametrize(
    "listed_mi, read_mi, exempt",
    [
        (70_000, None, True),
        (69_000, 70_001, False),  # the list is older than the reading
        (70_001, 69_000, False),
        (None, 70_000, True),
        (None, None, False),
    ],
)
def test_the_greater_of_odometer_listed_and_read_decides_an_exemption(listed_mi, read_mi, exempt):
    """15A NCAC 02D .1002: the three newest model years, unless more than 70,000 miles (A*)."""
    carolina = load_programs()["north-carolina"]
    vehicle = replace(car(2025), program="north-carolina", odometer_mi=listed_mi)
    picture = seen()
    picture.odometer_km = None if read_mi is None else read_mi * 1.609344  # NIST SP 811
    verdict = judge(carolina, vehicle, picture, NOW)
    assert (verdict.exempt, verdict.in_scope) == (exempt, not exempt)
