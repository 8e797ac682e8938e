"""What a vehicle needs and until when (hours: common practice, unsourced)."""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta

import msgspec
import pytest

from gateway.facts import Ignition, Monitor
from ingest.domain.due import DEFAULT_HOURS, repair_hours, step_by_cause, urgency
from ingest.domain.explanation import NOT_TOLD, WhyNot
from ingest.domain.observed_lamp import ObservedLamp
from ingest.domain.picture import EcuPicture, Picture
from ingest.domain.stuck_advice import ADVICE
from ingest.domain.stuck_causes import Cause, Found
from ingest.domain.vehicles import Vehicle
from ingest.domain.verdict import judge
from ingest.program_files import load_programs

TODAY = date(2026, 3, 1)
NOW = datetime(2026, 3, 1, tzinfo=UTC)
READ = int(NOW.timestamp() * 1000)
FEDERAL = load_programs()["us-federal"]


def need(due=None, model_year=2010, heard=True, state="in service", look=None, **said):
    vehicle = Vehicle(
        unit="V-1", vin="1" * 17, plate="P", depot="D", depot_tz="UTC", program="us-federal",
        model_year=model_year, ignition=Ignition.SPARK, due_date=due, state=state,
    )  # fmt: skip
    facts = {"mil": False, "monitors": {Monitor.CATALYST: True}, "confirmed": [], **said}
    ecu = EcuPicture(heard_at=READ, readiness_at=READ, **facts)
    picture = Picture(ecus={"7E8": ecu}, heard_at=READ) if heard else None
    verdict = judge(FEDERAL, vehicle, picture, NOW, observed=look)
    return urgency(vehicle, verdict, picture, TODAY)


@pytest.mark.parametrize(
    "days, overdue, soon",
    [
        pytest.param(-1, True, True, id="yesterday"),
        pytest.param(0, False, True, id="today"),
        pytest.param(1, False, True, id="tomorrow"),
        pytest.param(14, False, True, id="last soon day"),
        pytest.param(15, False, False, id="just after soon"),
    ],
)
def test_the_deadline_is_counted_in_the_depots_days(days, overdue, soon):
    found = need(TODAY + timedelta(days=days))
    assert (found.overdue, found.soon, found.days_left) == (overdue, soon, days)


def test_a_lamp_for_misfire_is_not_dispatched():
    found = need(mil=True, confirmed=["P0300"])
    assert found.do_not_dispatch
    assert "do not just clear" in found.next_step
    assert found.hours == repair_hours(["P0300"]) > 0


@pytest.mark.parametrize(
    "said",
    [
        pytest.param({"mil": True, "confirmed": ["P0420"]}, id="lamp for the catalyst"),
        pytest.param({"mil": False, "confirmed": ["P0300"]}, id="misfire code, lamp off"),
    ],
)
def test_other_vehicles_may_be_dispatched(said):
    assert not need(**said).do_not_dispatch


def test_a_vehicle_not_ready_needs_driving_and_no_bay():
    unset = {Monitor.CATALYST: False, Monitor.EVAPORATIVE_SYSTEM: False}
    found = need(monitors=unset)
    assert found.hours == 0.0
    assert "evaporative system" in found.next_step
    assert "Do not clear codes" in found.next_step


def test_a_vehicle_never_heard_needs_a_look():
    assert need(heard=False).hours == DEFAULT_HOURS


def test_a_vehicle_outside_the_program_is_sent_to_the_authority():
    assert "authority" in need(model_year=1995).next_step


@pytest.mark.parametrize("state, planned", [("not in use", False), ("down", True)])
def test_no_work_is_planned_for_a_vehicle_that_is_not_in_use(state, planned):
    found = need(state=state, mil=True, confirmed=["P0420"])
    assert (found.hours > 0) is planned
    assert found.next_step.startswith("Not in use") is not planned


@pytest.mark.parametrize(
    "codes, look, step",
    [
        (["P0420"], (None, None), "Repair P0420; do not just clear the codes."),
        (["P0420"], (False, None), "Repair P0420; do not just clear the codes. Find why the lamp"),
        ([], (False, None), "Find why the lamp stays dark: bulb, fuse or wiring."),
        (["P0420"], (True, False), "Repair P0420; do not just clear the codes. Find why the lamp"),
    ],
)
def test_a_lamp_seen_dark_is_part_of_the_next_step(codes, look, step):
    """40 CFR 85.2207(b) (A), 85.2222(d)(4) (from memory): a dark lamp fails."""
    seen = ObservedLamp(NOW, look[0], look[1], "Pat")
    assert need(mil=bool(codes), confirmed=codes, look=seen).next_step.startswith(step)


def test_a_code_without_a_row_costs_the_default():
    assert repair_hours(["P1FFF"]) == DEFAULT_HOURS


def _why(monitor, cause=None):
    found = () if cause is None else (Found(cause, 1.0, "seen"),)
    return WhyNot(monitor, found, ADVICE[cause] if cause else NOT_TOLD, None)


def test_the_one_next_step_is_that_of_the_cause_and_a_code_goes_first():
    unset = {Monitor.CATALYST: False, Monitor.EVAPORATIVE_SYSTEM: False}
    ecu = EcuPicture(heard_at=READ, readiness_at=READ, mil=False, monitors=unset, confirmed=[])
    vehicle = Vehicle(
        unit="V-1", vin="1" * 17, plate="P", depot="D", depot_tz="UTC", program="us-federal",
        model_year=2010, ignition=Ignition.SPARK,
    )  # fmt: skip
    verdict = judge(FEDERAL, vehicle, Picture(ecus={"7E8": ecu}, heard_at=READ), NOW)
    before = need(monitors=unset)
    catalyst = _why(Monitor.CATALYST)
    evap = _why(Monitor.EVAPORATIVE_SYSTEM, Cause.SHORT)
    step = step_by_cause(before, verdict, [evap, catalyst]).next_step
    assert step.startswith("Catalyst: "), "the program lets one be, and evap is the slowest"
    assert step.endswith("Do not clear codes.")
    again = msgspec.structs.replace(verdict, retest=True)
    step = step_by_cause(before, again, [catalyst, evap]).next_step
    assert step.startswith("Evaporative system: Give it one longer route")
    assert step.endswith("Then 1 more monitor: see below.")
    code = _why(Monitor.CATALYST, Cause.CODE)
    step = step_by_cause(before, verdict, [evap, code]).next_step
    assert step.startswith("Catalyst: Diagnose and repair the code first")
    assert step_by_cause(before, verdict, []) == before
