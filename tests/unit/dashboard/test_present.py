"""The sentences and rows of the board. Facts are built from wire reports through the real fold.

Status words: 40 CFR 85.2207(c) fails a vehicle whose MIL is commanded on for a DTC (tag A, from
the facts of the trade); silence is never 'no codes' (modelling choice of this project).
"""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, date, datetime, time, timedelta
from typing import Any
from zoneinfo import ZoneInfo

import pytest

from dashboard import present, reads
from dashboard.exports import DISCLAIMER
from dashboard.planning.model import Bay, Depot, working_week
from dashboard.views import record_rows
from gateway.facts import FULL_NAMES, CycleStatus, Ignition, Monitor
from ingest import queries
from ingest.domain.dictionary import NOT_KNOWN, OWN_SOURCE, explainer
from ingest.domain.due import urgency
from ingest.domain.picture import EcuPicture, Picture
from ingest.domain.vehicles import Vehicle
from ingest.domain.verdict import judge
from ingest.queries import Alert, Event, FleetToday, Standing

NOW = datetime(2026, 11, 25, 15, 0, tzinfo=UTC)  # Wednesday, 9:00 AM in Chicago
CHICAGO = ZoneInfo("America/Chicago")
PROGRAMS = queries.load_programs()
NORTH = Depot("North", "America/Chicago", (Bay("1"),), working_week(time(7), time(17)))
HEARD = int((NOW - timedelta(hours=2)).timestamp() * 1000)
VEHICLE = Vehicle(
    unit="U001",
    vin="1FLEET00000000001",
    plate="FLT 001",
    depot="North",
    depot_tz="America/Chicago",
    program="us-federal",
    model_year=2019,
    ignition=Ignition.SPARK,
    gvwr_lb=8500,
    gateway="gw-0001",
    due_date=date(2026, 12, 4),
    id=1,
)
READY = {Monitor.MISFIRE: True, Monitor.CATALYST: True, Monitor.EVAPORATIVE_SYSTEM: True}


def picture(
    *, mil: bool = False, codes: list[str] | None = None, monitors: dict[Monitor, bool] = READY
) -> Picture:
    ecu = EcuPicture(
        heard_at=HEARD,
        readiness_at=HEARD,
        mil=mil,
        code_count=len(codes or []),
        monitors=monitors,
        monitors_this_cycle={Monitor.CATALYST: CycleStatus.NOT_COMPLETE},
        confirmed=codes or [],
        pending=[],
    )
    return Picture(ecus={"7E8": ecu}, heard_at=HEARD, warm_ups_since_clear=255)


def standing(facts: Picture | None, vehicle: Vehicle = VEHICLE) -> Standing:
    verdict = judge(PROGRAMS["us-federal"], vehicle, facts, NOW)
    heard = NOW - timedelta(hours=2) if facts else None
    need = urgency(vehicle, verdict, facts, date(2026, 11, 25))
    return Standing(vehicle, facts, verdict, need, heard, None)


def today(*found: Standing) -> FleetToday:
    quiet = tuple(one.vehicle.unit for one in found if one.heard_at is None)
    return FleetToday(NOW, found, len(found) - len(quiet), quiet, (), 0, 0, 0)


@pytest.mark.parametrize(
    ("said", "text"),
    [
        ({}, VEHICLE.unit),
        ({"state": "in shop"}, f"{VEHICLE.unit} (in shop)"),
        ({"state": "down", "hold_reason": "seats"}, f"{VEHICLE.unit} (down; hold: seats)"),
    ],
)
def test_a_row_says_what_bears_on_sending_the_vehicle_out(said: Any, text: str) -> None:
    found = standing(picture(), replace(VEHICLE, **said))
    rows = (present.work_row, present.stop_row, present.why_row)
    assert [row(found, CHICAGO, NOW)["Unit"] for row in rows] == [text] * 3


@pytest.mark.parametrize(
    ("facts", "words"),
    [
        pytest.param(picture(), "would pass", id="passes"),
        pytest.param(picture(mil=True, codes=["P0420"]), "would fail", id="lamp on for a code"),
        pytest.param(
            picture(monitors=READY | {Monitor.CATALYST: False, Monitor.EVAPORATIVE_SYSTEM: False}),
            "not ready (the program's word: reject)",
            id="one monitor too many",
        ),
        pytest.param(None, "cannot tell", id="never heard"),
        pytest.param(picture(mil=True), "cannot tell", id="lamp on without a code"),
    ],
)
def test_the_answer_is_a_sentence(facts: Picture | None, words: str) -> None:
    answer = present.answer(standing(facts))

    assert words in answer
    assert answer.startswith("Expected OBD result: ")
    assert answer.endswith(".")


@pytest.mark.parametrize(
    ("day", "text"),
    [
        pytest.param(date(2026, 11, 23), "Mon Nov 23, overdue by 2 days", id="past"),
        pytest.param(date(2026, 11, 24), "Tue Nov 24, overdue by 1 day", id="just before"),
        pytest.param(date(2026, 11, 25), "Wed Nov 25, today", id="at"),
        pytest.param(date(2026, 11, 26), "Thu Nov 26, in 1 day", id="just after"),
        pytest.param(date(2027, 1, 4), "Mon Jan 4, 2027, in 40 days", id="next year"),
        pytest.param(None, "no due date", id="none"),
    ],
)
def test_the_day_to_test_by_says_how_far_off_it_is(day: date | None, text: str) -> None:
    found = standing(picture(), replace(VEHICLE, due_date=day))
    assert present.test_by(found, CHICAGO, NOW) == text


@pytest.mark.parametrize(
    ("ago", "text"),
    [
        (timedelta(seconds=59), "just now"),
        (timedelta(minutes=1), "1 min ago"),
        (timedelta(minutes=59), "59 min ago"),
        (timedelta(minutes=60), "1 h ago"),
        (timedelta(hours=47, minutes=59), "47 h ago"),
        (timedelta(hours=48), "2 days ago"),
    ],
    ids=["seconds", "a minute", "before an hour", "an hour", "before two days", "two days"],
)
def test_an_age_has_one_unit(ago: timedelta, text: str) -> None:
    assert present.since(NOW - ago, NOW) == text


def test_times_are_the_depots_own_and_us_style() -> None:
    assert present.moment(NOW, CHICAGO, NOW) == "Wed Nov 25, 9:00 AM"
    assert present.moment(None, CHICAGO, NOW) == "never"
    assert present.clock_text(time(17, 0)) == "5:00 PM"


def test_the_board_says_how_much_was_heard_and_who_was_not() -> None:
    silent = standing(None, replace(VEHICLE, unit="U002", gateway=None))
    fleet = today(standing(picture()), silent)

    assert present.heard(fleet) == "1 of 2 vehicles were heard in the last 24 hours."
    assert present.heard(today(standing(picture()))).startswith("All 1 ")
    assert present.heard(today()) == "No vehicle of the list belongs to this depot."
    assert present.quiet_rows(fleet, CHICAGO) == [
        {"Unit": "U002", "Last heard": "never", "Gateway": "none fitted"}
    ]


def test_a_vehicle_nothing_is_known_of_says_why() -> None:
    row = present.why_row(standing(None), CHICAGO, NOW)
    assert row["Why"] == "Never heard from: no reading of this vehicle yet."
    assert row["Next step"].startswith("Take a fresh reading")


@pytest.mark.parametrize(
    "text", ["*bold*", ":red[x]", "$x$", "a|b", "<b>", "1. one", "[a](b)", "# head", "a & b"]
)
def test_every_mark_of_markdown_is_escaped(text: str) -> None:
    shown = present.escape(text)
    marks = [at for at, char in enumerate(shown) if char in "*_[]()#$|<>&:."]
    assert all(shown[at - 1] == "\\" for at in marks)
    assert shown.replace("\\", "") == text


def alert(**changes: object) -> Alert:
    made = Alert(
        id=1, vehicle_id=1, unit="U001", depot="North", kind="mil_on", subject="",
        state="unacknowledged", priority="high", since=NOW - timedelta(minutes=5), ended_at=None,
        text="MIL (check engine) came on.", instruction="Ease off.", held=False,
        shelved_until=None, shelved_reason=None, announcement=1, version=1,
    )  # fmt: skip
    return replace(made, **changes)  # type: ignore[arg-type]


def test_an_alert_has_a_shape_and_a_word_for_its_priority() -> None:
    assert present.alert_title(alert(), CHICAGO, NOW) == (
        "▲ High priority: unit U001, North, since Wed Nov 25, 8:55 AM CST (5 min ago)"
    )
    signs = {present.priority(alert(priority=word)) for word in ("high", "medium", "low")}
    assert len({sign[0] for sign in signs}) == 3


def test_a_held_alert_says_until_when_and_why() -> None:
    held = alert(held=True, shelved_until=NOW + timedelta(hours=1), shelved_reason="parts ordered")
    text = present.alert_state(held, CHICAGO, NOW)
    assert text == "State: unacknowledged. Held until Wed Nov 25, 10:00 AM: parts ordered."


def test_monitors_have_full_names_and_those_not_complete_come_first() -> None:
    rows = record_rows.monitor_rows(picture(monitors=READY | {Monitor.CATALYST: False}))

    assert [row["Monitor"] for row in rows] == ["catalyst", "misfire", "evaporative system"]
    assert rows[0]["Since codes cleared"] == "not complete"
    assert rows[0]["This driving cycle"] == "not complete"
    assert rows[1]["Counted at inspection"] == "no, runs all the time"
    assert {row["Monitor"] for row in rows} <= set(FULL_NAMES.values())


def test_codes_have_meanings_and_silence_is_not_no_codes() -> None:
    facts = picture(mil=True, codes=["P0420", "P1ABC"])
    rows = record_rows.code_rows(facts, explainer("Northfield", 2019))

    assert [row["Code"] for row in rows] == ["P0420", "P1ABC"]
    assert "atalyst" in rows[0]["Meaning"]
    assert (rows[0]["Range"], rows[0]["Source"]) == ("standard code", OWN_SOURCE)
    assert (rows[1]["Range"], rows[1]["Source"]) == ("the vehicle maker's own code", "none")
    assert rows[1]["Meaning"] == NOT_KNOWN
    assert record_rows.code_silence(facts) == (
        "Asked for pending codes: none. Not answered: permanent codes."
    )


def test_the_current_status_says_what_was_not_answered() -> None:
    rows = record_rows.status_rows(standing(picture()), CHICAGO, NOW)
    values = {row["What"]: row["Value"] for row in rows}

    assert values["MIL (check engine)"] == "commanded off"
    assert values["Odometer"] == "not answered"
    assert values["Warm-ups since codes cleared"] == "255 or more"


def test_distances_are_miles() -> None:
    facts = picture()
    facts.odometer_km = 160.9344  # 100 miles of 1.609344 km (international mile)
    rows = record_rows.status_rows(standing(facts), CHICAGO, NOW)
    assert {"What": "Odometer", "Value": "100 miles"} in rows


def test_a_reason_keeps_its_rule_clause_and_source() -> None:
    (row, *_) = record_rows.reason_rows(
        standing(picture(mil=True, codes=["P0420"])).verdict.reasons
    )
    assert row["Reason"] == "The MIL (check engine) is commanded on, for P0420."
    assert row["Rule"].startswith("40 CFR 85.2207(c)")
    assert row["Source"] == "the rule itself (2026-06)"


@pytest.mark.parametrize(
    ("kind", "subject", "ended", "text", "end"),
    [
        ("mil_on", "", None, "MIL (check engine) on, for P0420", "still so"),
        ("clear", "", None, "codes cleared", "never"),
        ("not_complete", "catalyst", NOW, "monitor not complete: catalyst", "Wed Nov 25, 9:00 AM"),
        ("gateway_silent", "", None, "gateway silent", "still so"),
    ],
)
def test_events_are_told_in_the_words_of_the_trade(
    kind: str, subject: str, ended: datetime | None, text: str, end: str
) -> None:
    details = {"codes": ["P0420"]} if kind == "mil_on" else {}
    event = Event(1, kind, subject, NOW - timedelta(days=1), ended, details)
    (row,) = record_rows.event_rows([event], CHICAGO, NOW, explainer(None, None))
    assert (row["Event"], row["Ended"]) == (text, end)


def test_a_vehicle_that_must_not_be_dispatched_is_due_today() -> None:
    flashing = standing(picture(mil=True, codes=["P0300"]))
    job = reads.job_of(flashing, date(2026, 11, 25))

    assert flashing.need.do_not_dispatch
    assert job is not None
    assert job.deadline == date(2026, 11, 25)
    assert job.reason.startswith("Do not dispatch.")


def test_work_without_a_due_date_gets_one_and_says_so() -> None:
    broken = standing(picture(mil=True, codes=["P0420"]), replace(VEHICLE, due_date=None))
    job = reads.job_of(broken, date(2026, 11, 25))
    assert job is not None
    assert job.deadline == date(2026, 12, 23)
    assert "Planned within 28 days." in job.reason


@pytest.mark.parametrize(
    ("at", "hours", "fits"),
    [
        pytest.param(time(7, 0), 1.0, True, id="at opening"),
        pytest.param(time(6, 45), 1.0, False, id="just before opening"),
        pytest.param(time(16, 0), 1.0, True, id="ends at closing"),
        pytest.param(time(16, 15), 1.0, False, id="ends after closing"),
        pytest.param(time(7, 0), 0.3, True, id="rounded up"),
    ],
)
def test_a_visit_lies_within_the_open_hours(at: time, hours: float, fits: bool) -> None:
    day = date(2026, 11, 30)
    if not fits:
        with pytest.raises(reads.NotPossible):
            reads.slots_for(NORTH, day, at, hours, NOW)
        return
    slots = reads.slots_for(NORTH, day, at, hours, NOW)
    assert slots[0] == datetime.combine(day, at, CHICAGO)
    assert len(slots) == (4 if hours == 1.0 else 2)


@pytest.mark.parametrize(
    ("now", "fits"),
    [
        (datetime(2026, 11, 30, 13, 0, tzinfo=UTC), True),
        (datetime(2026, 11, 30, 13, 0, 1, tzinfo=UTC), False),
    ],
    ids=["at", "just after"],
)
def test_a_visit_does_not_begin_in_the_past(now: datetime, fits: bool) -> None:
    if fits:
        assert reads.slots_for(NORTH, date(2026, 11, 30), time(7), 1.0, now)
    else:
        with pytest.raises(reads.NotPossible, match="passed"):
            reads.slots_for(NORTH, date(2026, 11, 30), time(7), 1.0, now)


@pytest.mark.parametrize(
    ("now", "close"),
    [
        (datetime(2026, 11, 25, 22, 59, tzinfo=UTC), datetime(2026, 11, 24, 23, tzinfo=UTC)),
        (datetime(2026, 11, 25, 23, 0, tzinfo=UTC), datetime(2026, 11, 25, 23, tzinfo=UTC)),
        (datetime(2026, 11, 30, 14, 0, tzinfo=UTC), datetime(2026, 11, 27, 23, tzinfo=UTC)),
    ],
    ids=["before closing", "at closing", "Monday looks back to Friday"],
)
def test_the_last_close_is_the_end_of_the_last_open_day(now: datetime, close: datetime) -> None:
    assert reads.last_close(NORTH, now) == close


@pytest.mark.parametrize(
    ("now", "monday"),
    [
        (datetime(2026, 11, 27, 22, 45, tzinfo=UTC), date(2026, 11, 23)),
        (datetime(2026, 11, 27, 22, 46, tzinfo=UTC), date(2026, 11, 30)),
        (datetime(2026, 11, 29, 12, 0, tzinfo=UTC), date(2026, 11, 30)),
    ],
    ids=["last quarter of an hour", "just after", "Sunday"],
)
def test_a_week_without_an_open_hour_gives_way_to_the_next(now: datetime, monday: date) -> None:
    assert reads.first_open_week(NORTH, now) == monday


def test_the_cautions_are_all_there() -> None:
    names = [name for name, _ in record_rows.CAUTIONS]
    assert names == [
        "Flashing lamp", "Clearing codes", "Tampering", "Readiness drives", "In the shop",
    ]  # fmt: skip
    assert DISCLAIMER == (
        "Advisory forecast from on-board data. Not an official emissions inspection. "
        "The inspection station decides."
    )
