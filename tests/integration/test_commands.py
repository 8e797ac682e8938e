"""Commands: done once for a request id, refused when the row changed, with their audit row."""

from __future__ import annotations

import threading
from collections.abc import Iterator
from contextlib import suppress
from datetime import UTC, date, datetime, timedelta
from typing import Any

import pytest
from sqlalchemy import Engine, select

from ingest import commands, queries
from ingest.commands import Changed, CommandRefused, RequestReused, SlotTaken
from ingest.store import appointments
from ingest.store.database import read
from ingest.store.schema import appointment_slot, audit
from tests.support.reports import NOW, ecu, load, opened, report, store, vehicle

NINE = datetime(2026, 12, 1, 15, 0, tzinfo=UTC)  # 09:00 in Chicago
QUARTER = timedelta(minutes=15)


@pytest.fixture
def engine(store_url_of_either: str) -> Iterator[Engine]:
    with opened(store_url_of_either) as engine:
        load(engine, vehicle(1), vehicle(2))
        yield engine


def _book(engine: Engine, request_id: str, **changes: Any) -> commands.Booking:
    start = changes.pop("start", NINE)
    number = changes.pop("number", 4)
    values: dict[str, Any] = {
        "vehicle_id": 1,
        "depot": "North",
        "bay": "1",
        "start": start,
        "slots": [start + QUARTER * n for n in range(number)],
        "hours": number / 4,
        "reason": "Inspection due.",
        "actor": "manager",
        "now": NOW,
        "request_id": request_id,
    }
    return commands.book(engine, **(values | changes))


def _lit(engine: Engine) -> queries.Alert:
    store(engine, report(1, 1, ecus={"7E8": ecu(mil=True, confirmed=["P0420"])}))
    return queries.alerts(engine, NOW)[0]


def _audits(engine: Engine) -> list[str]:
    with read(engine) as connection:
        return list(connection.execute(select(audit.c.command).order_by(audit.c.id)).scalars())


def test_a_booking_is_kept_with_its_slots_and_audit(engine: Engine) -> None:
    booking = _book(engine, "b1")

    (found,) = queries.appointments(engine, "North", "2026-W49")
    assert (found.id, found.unit, found.bay) == (booking.appointment_id, "U001", "1")
    assert (found.start, found.end) == (NINE, NINE + timedelta(hours=1))
    assert len(found.slots) == 4
    assert _audits(engine) == ["load_vehicles", "book"]


def test_a_repeat_of_a_request_gives_the_same_result_and_books_once(engine: Engine) -> None:
    assert _book(engine, "b1") == _book(engine, "b1")
    assert len(queries.appointments(engine, "North")) == 1


def test_a_request_id_used_for_something_else_is_refused(engine: Engine) -> None:
    _book(engine, "b1")

    with pytest.raises(RequestReused):
        _book(engine, "b1", bay="2")


@pytest.mark.parametrize(
    ("slots_later", "bay", "taken"),
    [(3, "1", True), (4, "1", False), (-4, "1", False), (-3, "1", True), (0, "2", False)],
    ids=["last slot", "just after", "just before", "first slot", "other bay"],
)
def test_a_slot_of_a_bay_is_taken_once(
    engine: Engine, slots_later: int, bay: str, taken: bool
) -> None:
    _book(engine, "b1")

    def second() -> commands.Booking:
        return _book(engine, "b2", vehicle_id=2, start=NINE + slots_later * QUARTER, bay=bay)

    if taken:
        with pytest.raises(SlotTaken):
            second()
        assert len(queries.appointments(engine, "North")) == 1
        assert _audits(engine) == ["load_vehicles", "book"]
    else:
        second()
        assert len(queries.appointments(engine, "North")) == 2


@pytest.mark.parametrize(
    ("slots_later", "depot", "taken"),
    [(3, "South", True), (4, "South", False), (-4, "South", False), (-3, "South", True),
     (0, "North", True)],
    ids=["last slot", "just after", "just before", "first slot", "same depot"],
)  # fmt: skip
def test_a_vehicle_is_in_one_bay_at_a_time_over_all_depots(
    engine: Engine, slots_later: int, depot: str, taken: bool
) -> None:
    load(engine, vehicle(3, depot="South"), request_id="load-2")
    _book(engine, "b1")

    def second() -> commands.Booking:
        return _book(engine, "b2", depot=depot, bay="2", start=NINE + slots_later * QUARTER)

    if taken:
        with pytest.raises(SlotTaken, match=r"unit U001 is booked .* in bay 1 of North"):
            second()
        assert _audits(engine) == ["load_vehicles", "load_vehicles", "book"]
    else:
        second()
        assert len(queries.appointments(engine, depot)) == 1


def test_two_depots_at_once_get_the_vehicle_once(
    engine: Engine, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Each holds still once it has found the vehicle free: not both may find it so."""
    load(engine, vehicle(3, depot="South"), request_id="load-2")
    outcomes: list[str] = []
    both, look = threading.Barrier(2), appointments.of_vehicle_between

    def slow_look(*asked: Any) -> Any:
        found = look(*asked)
        with suppress(threading.BrokenBarrierError):
            both.wait(timeout=1.0)
        return found

    def run(depot: str) -> None:
        try:
            _book(engine, depot, depot=depot)
            outcomes.append("booked")
        except SlotTaken:
            outcomes.append("taken")

    monkeypatch.setattr(appointments, "of_vehicle_between", slow_look)
    threads = [threading.Thread(target=run, args=(depot,)) for depot in ("North", "South")]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()

    assert sorted(outcomes) == ["booked", "taken"]


def test_two_people_at_once_get_one_bay(engine: Engine) -> None:
    outcomes: list[str] = []

    def run(request_id: str) -> None:
        try:
            _book(engine, request_id)
            outcomes.append("booked")
        except SlotTaken:
            outcomes.append("taken")

    threads = [threading.Thread(target=run, args=(f"b{n}",)) for n in range(4)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()

    assert sorted(outcomes) == ["booked", "taken", "taken", "taken"]


@pytest.mark.parametrize(
    ("changes", "word"),
    [
        ({"bay": "9"}, "bay"),
        ({"depot": "Nowhere"}, "bay"),
        ({"vehicle_id": 99}, "vehicle 99"),
        ({"slots": []}, "slots"),
        ({"slots": [NINE + QUARTER]}, "slots"),
        ({"start": NINE + timedelta(minutes=1)}, "quarters"),
    ],
    ids=["bay", "depot", "vehicle", "no slot", "other start", "odd minute"],
)
def test_what_cannot_be_booked_is_refused_with_the_reason(
    engine: Engine, changes: dict[str, Any], word: str
) -> None:
    with pytest.raises(CommandRefused, match=word):
        _book(engine, "b1", **changes)
    assert queries.appointments(engine, "North") == ()


def _cancel(engine: Engine, number: int, version: int, request_id: str) -> commands.Booking:
    return commands.cancel_appointment(
        engine, number, actor="manager", now=NOW, request_id=request_id, expected_version=version
    )


def test_a_cancelled_appointment_frees_its_slots(engine: Engine) -> None:
    booking = _book(engine, "b1")
    with pytest.raises(Changed):
        _cancel(engine, booking.appointment_id, 2, "c0")

    assert _cancel(engine, booking.appointment_id, 1, "c1").state == "cancelled"

    with read(engine) as connection:
        assert connection.execute(select(appointment_slot)).all() == []
    with pytest.raises(CommandRefused, match="already"):
        _cancel(engine, booking.appointment_id, 2, "c2")
    _book(engine, "b2")


def test_an_alert_is_acknowledged_once_and_by_whom_is_kept(engine: Engine) -> None:
    before = _lit(engine)

    def acknowledge(request_id: str, version: int) -> commands.AlertStand:
        return commands.acknowledge_alert(
            engine, before.id, actor="ops", now=NOW, request_id=request_id,
            expected_version=version,
        )  # fmt: skip

    stand = acknowledge("a1", before.version)
    assert stand == acknowledge("a1", before.version)
    assert (stand.state, stand.version) == ("acknowledged", before.version + 1)
    with pytest.raises(Changed):
        acknowledge("a2", before.version)
    with pytest.raises(CommandRefused, match="acknowledge"):
        acknowledge("a3", stand.version)

    store(engine, report(1, 2))
    assert queries.alerts(engine, NOW) == ()  # off and acknowledged: closed
    record = queries.record(engine, 1, NOW, _programs())
    assert record is not None
    assert [(one.event, one.actor) for one in record.alert_events] == [
        ("raised", "system"), ("acknowledge", "ops"), ("return to normal", "system"),
    ]  # fmt: skip


def _programs() -> queries.Programs:
    from ingest.program_files import load_programs

    return load_programs()


def test_a_held_alert_is_not_announced_until_its_time(engine: Engine) -> None:
    before = _lit(engine)
    assert [one.id for one in queries.pending_notices(engine, "mail", NOW)] == [before.id]
    until = NOW + timedelta(days=2)

    stand = commands.shelve_alert(
        engine, before.id, until=until, reason="Part on order.", actor="ops", now=NOW,
        request_id="s1", expected_version=before.version,
    )  # fmt: skip

    assert stand.state == "unacknowledged"
    assert queries.alerts(engine, NOW)[0].held
    assert queries.pending_notices(engine, "mail", until - timedelta(seconds=1)) == ()
    assert len(queries.pending_notices(engine, "mail", until)) == 1


@pytest.mark.parametrize(
    ("ahead", "reason"),
    [(timedelta(0), "why"), (timedelta(days=91), "why"), (timedelta(days=1), " ")],
    ids=["now", "too long", "no reason"],
)
def test_a_hold_needs_a_time_ahead_and_a_reason(
    engine: Engine, ahead: timedelta, reason: str
) -> None:
    before = _lit(engine)
    with pytest.raises(CommandRefused):
        commands.shelve_alert(
            engine, before.id, until=NOW + ahead, reason=reason, actor="ops", now=NOW,
            request_id="s1", expected_version=before.version,
        )  # fmt: skip


def test_a_notice_is_said_once_a_channel(engine: Engine) -> None:
    one = _lit(engine)

    commands.record_notice(engine, one.id, 1, "mail", "sent", now=NOW)
    commands.record_notice(engine, one.id, 1, "mail", "sent again", now=NOW)

    assert queries.pending_notices(engine, "mail", NOW) == ()
    assert len(queries.pending_notices(engine, "log", NOW)) == 1


def test_loading_again_changes_only_what_differs(engine: Engine) -> None:
    moved = vehicle(2, depot="South", due_date=date(2027, 1, 5))

    result = load(engine, vehicle(1), moved, vehicle(3), request_id="load-2")

    assert (result.added, result.changed, result.unchanged) == (1, 1, 1)
    assert [one.name for one in queries.depots(engine)] == ["North", "South"]
    assert queries.find_vehicle(engine, "u002")[0].due_date == date(2027, 1, 5)


def test_two_vehicles_of_one_list_may_swap_their_vins(engine: Engine) -> None:
    one, two = vehicle(1), vehicle(2)
    load(engine, vehicle(1, vin=two.vin), vehicle(2, vin=one.vin), request_id="load-2")

    assert queries.find_vehicle(engine, one.vin)[0].unit == "U002"


def test_a_vin_of_a_vehicle_outside_the_list_is_refused_and_nothing_is_changed(
    engine: Engine,
) -> None:
    with pytest.raises(CommandRefused, match="VIN"):
        load(engine, vehicle(9), vehicle(3, vin=vehicle(2).vin), request_id="load-2")
    assert [one.unit for one in queries.vehicle_list(engine)] == ["U001", "U002"]


def test_a_mended_vin_brings_in_the_readings_that_were_flagged(engine: Engine) -> None:
    load(engine, vehicle(1, vin="1FLEET00000999999"), request_id="load-2")
    store(engine, report(1, 1, ecus={"7E8": ecu(mil=True, confirmed=["P0420"])}))
    assert queries.alerts(engine, NOW) == ()
    standing = queries.forecast(engine, NOW, _programs())[0]
    assert standing.verdict.outcome == "cannot_tell"

    load(engine, vehicle(1), request_id="load-3")

    assert [one.unit for one in queries.alerts(engine, NOW)] == ["U001"]
