"""A vehicle that speaks another language: cannot tell, never 'no codes' (modelling choice)."""

from __future__ import annotations

from datetime import UTC, date, datetime

import pytest

from gateway.facts import Ignition, Monitor
from ingest.domain.due import urgency
from ingest.domain.picture import EcuPicture, Picture
from ingest.domain.vehicles import Vehicle
from ingest.domain.verdict import Outcome, judge
from ingest.program_files import load_programs

NOW = datetime(2026, 11, 25, 12, 0, tzinfo=UTC)
HEARD = int(NOW.timestamp() * 1000) - 3_600_000
PROGRAM = load_programs()["us-federal"]
VEHICLE = Vehicle(
    unit="U001", vin="1FLEET00000000001", plate="FLT 001", gvwr_lb=None, gateway=None,
    depot="North", depot_tz="America/Chicago", program="us-federal", model_year=2019,
    ignition=Ignition.COMPRESSION, due_date=date(2026, 12, 9),
)  # fmt: skip


@pytest.mark.parametrize(
    "heard, text",
    [
        pytest.param("j1939", "J1939 vehicle, not read yet.", id="J1939"),
        pytest.param("newer_protocol", "Newer protocol, not read yet.", id="SAE J1979-2"),
        pytest.param("nothing", "No ECU answered for its monitors and lamp.", id="nothing"),
        pytest.param("answers", "No ECU answered for its monitors and lamp.", id="no monitors"),
    ],
)
def test_a_vehicle_whose_language_is_not_read_cannot_be_told(heard, text):
    picture = Picture(heard=heard, heard_at=HEARD)
    verdict = judge(PROGRAM, VEHICLE, picture, NOW)

    assert verdict.outcome is Outcome.CANNOT_TELL
    assert [reason.text for reason in verdict.reasons] == [text]
    assert picture.codes("confirmed") is None


def test_a_vehicle_that_answered_is_judged_by_its_answers_whatever_else_is_on_the_bus():
    ecu = EcuPicture(
        heard_at=HEARD, readiness_at=HEARD, mil=False, monitors={Monitor.NMHC_CATALYST: True},
        confirmed=[], pending=[], permanent=[],
    )  # fmt: skip
    picture = Picture(ecus={"7E8": ecu}, heard="j1939", heard_at=HEARD)
    assert judge(PROGRAM, VEHICLE, picture, NOW).outcome is Outcome.WOULD_PASS


@pytest.mark.parametrize(
    "today, hours",
    [
        pytest.param(date(2026, 11, 24), 0.0, id="15 days left"),
        pytest.param(date(2026, 11, 25), 1.0, id="14 days left"),
        pytest.param(date(2026, 11, 26), 1.0, id="13 days left"),
    ],
)
def test_what_cannot_be_read_by_gateway_is_read_by_hand_when_the_inspection_is_near(today, hours):
    picture = Picture(heard="j1939", heard_at=HEARD)
    need = urgency(VEHICLE, judge(PROGRAM, VEHICLE, picture, NOW), picture, today)

    assert (need.hours, need.next_step) == (hours, "Have lamp, codes and monitors read by hand.")
    assert need.reason == "J1939 vehicle, not read yet."
