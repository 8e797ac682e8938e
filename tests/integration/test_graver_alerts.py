"""What became graver is told anew, whoever has seen or held it; what became less so is not.

Re-alarming is of ISA-18.2 / IEC 62682 (from memory). A misfire code may come with a flashing lamp
(13 CCR 1968.2(e)(3.4.1), A*); the stop lamp asks for the vehicle to be stopped (SAE J1939-73,
5.7.1, from memory).
"""

from __future__ import annotations

from collections.abc import Iterator
from datetime import timedelta
from typing import Any, Literal

import pytest
from msgspec import UNSET
from sqlalchemy import Engine

from gateway.contract import EcuReading, LampBroadcast, Report, SuspectCode
from ingest import commands, handlers, queries
from ingest.program_files import load_programs
from tests.support.reports import NOW, ecu, load, opened, report, store, vehicle

Lamp = Literal["off", "on", "fast_flash"]


@pytest.fixture
def engine(store_url: str) -> Iterator[Engine]:
    with opened(store_url) as engine:
        load(engine, vehicle(1))
        yield engine


def lit(seq: int, *codes: str) -> Report:
    return report(1, seq, ecus={"7E8": ecu(mil=True, confirmed=list(codes))})


def truck(seq: int, lamp: Lamp = "on", stop: Lamp = "off") -> Report:
    said = LampBroadcast(
        source=0, malfunction=lamp, stop=stop, warning="off", protect="off",
        codes=[SuspectCode(spn=3251, fmi=2)],
    )  # fmt: skip
    return report(1, seq, lamp_broadcasts=[said])


def told_and_seen(engine: Engine) -> queries.Alert:
    """Operations were told of the alert that stands, and have acknowledged it."""
    (one,) = queries.pending_notices(engine, "mail", NOW)
    commands.record_notice(engine, one.id, one.announcement, "mail", "sent", now=NOW)
    commands.acknowledge_alert(
        engine, one.id, actor="ops", now=NOW, request_id=f"seen {one.version}",
        expected_version=one.version,
    )  # fmt: skip
    assert queries.pending_notices(engine, "mail", NOW) == ()
    return one


def standing(engine: Engine) -> queries.Alert:
    (one,) = queries.alerts(engine, NOW)
    return one


GRAVER: list[Any] = [
    pytest.param(lit(1, "P0420"), lit(2, "P0420", "P0300"), "If the lamp flashes", id="misfire"),
    pytest.param(truck(1), truck(2, lamp="fast_flash"), "If the lamp flashes", id="flashing"),
    pytest.param(truck(1), truck(2, stop="on"), "The stop lamp is on", id="stop lamp"),
    pytest.param(
        truck(1, lamp="fast_flash"), truck(2, lamp="fast_flash", stop="on"), "The stop lamp is on",
        id="stop lamp where it is high already",
    ),
]  # fmt: skip


@pytest.mark.parametrize(("first", "then", "instruction"), GRAVER)
def test_a_lamp_that_becomes_graver_is_told_again(
    engine: Engine, first: Report, then: Report, instruction: str
) -> None:
    store(engine, first)
    before = told_and_seen(engine)

    store(engine, then)

    (told,) = queries.pending_notices(engine, "mail", NOW)
    assert (told.id, told.state, told.priority) == (before.id, "unacknowledged", "high")
    assert told.instruction.startswith(instruction)
    record = queries.record(engine, 1, NOW, load_programs())
    assert record is not None
    events = record.alert_events
    assert [(one.event, one.to_state) for one in events] == [
        ("raised", "unacknowledged"), ("acknowledge", "acknowledged"),
        ("re-alarm", "unacknowledged"),
    ]  # fmt: skip
    assert before.text in events[-1].note
    told_and_seen(engine)  # once more is enough


def test_what_is_held_is_told_as_well_when_it_becomes_graver(engine: Engine) -> None:
    store(engine, lit(1, "P0420"))
    before = standing(engine)
    commands.shelve_alert(
        engine, before.id, until=NOW + timedelta(days=9), reason="Part on order.", actor="ops",
        now=NOW, request_id="held", expected_version=before.version,
    )  # fmt: skip
    assert queries.pending_notices(engine, "mail", NOW) == ()

    store(engine, lit(2, "P0420", "P0301"))

    assert len(queries.pending_notices(engine, "mail", NOW)) == 1
    assert not standing(engine).held


LESS: list[Any] = [
    pytest.param([lit(1, "P0420")], [lit(2, "P0420", "P0171")], "medium", "P0171", id="one more"),
    pytest.param([lit(1)], [lit(2, "P0420")], "medium", "P0420", id="the code is read later"),
    pytest.param([lit(1, "P0420")], [lit(2)], "medium", "P0420", id="the code is gone"),
    pytest.param([lit(1, "P0300")], [lit(2, "P0420")], "medium", "P0420", id="no misfire any more"),
    pytest.param([lit(1, "P0420")], [lit(2, "P0420")], "medium", "P0420", id="the same"),
    pytest.param(
        [lit(1, "P0420"), lit(3, "P0420")], [lit(2, "P0300")], "medium", "P0420",
        id="a misfire of the past that arrives late",
    ),
]  # fmt: skip


@pytest.mark.parametrize(("first", "then", "priority", "code"), LESS)
def test_a_lamp_that_is_no_graver_is_put_right_without_a_word(
    engine: Engine, first: list[Report], then: list[Report], priority: str, code: str
) -> None:
    store(engine, *first)
    told_and_seen(engine)

    store(engine, *then)

    one = standing(engine)
    assert (one.state, one.priority) == ("acknowledged", priority)
    assert code in one.text
    assert queries.pending_notices(engine, "mail", NOW) == ()


def test_a_misfire_that_arrives_late_and_still_is_so_is_told(engine: Engine) -> None:
    """The newest reading did not answer about codes: what was read before still holds."""
    store(engine, lit(1, "P0420"), report(1, 3, ecus={"7E8": EcuReading(mil=True)}))
    told_and_seen(engine)

    store(engine, lit(2, "P0420", "P0300"))

    assert standing(engine).priority == "high"
    assert len(queries.pending_notices(engine, "mail", NOW)) == 1
    assert handlers.rebuild(engine, check=True, now=NOW).differences == ()


def test_a_late_reading_takes_a_rise_back_that_never_was(engine: Engine) -> None:
    """A VIN read late shows that the readings with the misfire are of another vehicle."""
    misfire = {"7E8": ecu(mil=True, confirmed=["P0420", "P0300"])}
    store(engine, lit(1, "P0420"), report(1, 3, ecus=misfire, vin=UNSET))
    assert standing(engine).priority == "high"

    store(engine, report(1, 2, vin="1FTFW1ET5DFC10312"))

    assert standing(engine).priority == "medium"
