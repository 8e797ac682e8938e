"""Results and looks as people enter them: kept once, refused with every fault, and heeded."""

from __future__ import annotations

import json
from collections.abc import Iterator
from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
from sqlalchemy import Engine, select

from gateway.facts import Monitor
from ingest import commands, queries
from ingest.__main__ import main
from ingest.commands import CommandRefused
from ingest.domain.inspections import Inspection, Result
from ingest.domain.observed_lamp import ObservedLamp
from ingest.domain.verdict import Outcome
from ingest.program_files import load_programs
from ingest.store.database import read
from ingest.store.schema import audit, inspection
from tests.support.reports import NOW, ecu, load, opened, report, store, vehicle

PROGRAMS = load_programs(None)
TODAY = date(2026, 11, 25)


@pytest.fixture
def engine(store_url_of_either: str) -> Iterator[Engine]:
    with opened(store_url_of_either) as engine:
        load(engine, vehicle(1, program="illinois"), vehicle(2, program="illinois"))
        yield engine


def _enter(engine: Engine, request_id: str, **changes: Any) -> int:
    values: dict[str, Any] = {"program": "illinois", "day": TODAY, "result": Result.PASSED}
    return commands.record_inspection(
        engine,
        1,
        Inspection(**(values | changes)),
        set(PROGRAMS),
        actor="clerk",
        now=NOW,
        request_id=request_id,
    )


def _record(engine: Engine, as_of: datetime = NOW) -> queries.VehicleRecord:
    found = queries.record(engine, 1, as_of, PROGRAMS)
    assert found is not None
    return found


def test_a_result_is_kept_as_entered_with_its_audit_row(engine: Engine) -> None:
    entry: dict[str, Any] = {
        "result": Result.REJECTED, "monitors": (Monitor.CATALYST,), "note": "turned away",
        "retest_by": TODAY + timedelta(days=30),
    }  # fmt: skip
    number = _enter(engine, "r1", **entry)
    assert _enter(engine, "r1", **entry) == number, "a repeat gives the result of the first time"
    expected = Inspection("illinois", TODAY, id=number, **entry)
    assert _record(engine).inspections == (expected,)
    with read(engine) as connection:
        rows = connection.execute(select(audit).where(audit.c.request_id == "r1")).all()
    assert [(row.command, row.actor) for row in rows] == [("record_inspection", "clerk")]


def test_every_fault_of_a_result_is_told_and_nothing_is_kept(engine: Engine) -> None:
    with pytest.raises(CommandRefused) as refused:
        _enter(
            engine, "r1", program="nowhere", day=TODAY + timedelta(days=1), codes=("X1",),
            monitors=(Monitor.CATALYST,), retest_by=TODAY,
        )  # fmt: skip
    told = str(refused.value)
    for part in ("program: 'nowhere'", "day: 2026-11-26", "codes: 'X1'", "monitors: ", "retest_by"):
        assert part in told
    assert _record(engine).inspections == ()


def test_today_is_the_depot_s_own_day(engine: Engine) -> None:
    """03:00 UTC on the 26th is the evening of the 25th in Chicago."""
    late = datetime(2026, 11, 26, 3, 0, tzinfo=UTC)
    entry = Inspection("illinois", date(2026, 11, 26), Result.PASSED)
    with pytest.raises(CommandRefused, match="2026-11-25 or earlier"):
        commands.record_inspection(
            engine, 1, entry, set(PROGRAMS), actor="clerk", now=late, request_id="r1"
        )


def test_a_failure_for_the_catalyst_makes_the_next_test_a_retest(engine: Engine) -> None:
    """35 Ill. Adm. Code 276.209(c): one not complete is allowed, but after a failure for P0420-
    P0439 the catalyst must be complete (A)."""
    store(engine, report(1, 1320, ecus={"7E8": ecu(incomplete=(Monitor.CATALYST,))}))
    assert _record(engine).standing.verdict.outcome is Outcome.WOULD_PASS
    _enter(engine, "r1", result=Result.FAILED, codes=("P0420",))
    after = _record(engine).standing
    assert after.dues[0].failed_codes == ("P0420",)
    assert after.verdict.outcome is Outcome.NOT_READY
    _enter(engine, "r2")
    assert _record(engine).standing.verdict.outcome is Outcome.WOULD_PASS


def test_a_withdrawn_result_counts_no_more_and_is_kept(engine: Engine) -> None:
    number = _enter(engine, "r1", result=Result.FAILED, codes=("P0420",))
    said: dict[str, Any] = {"actor": "clerk", "now": NOW}
    with pytest.raises(CommandRefused, match="none of this vehicle"):
        commands.withdraw_inspection(engine, 2, number, request_id="w0", **said)
    commands.withdraw_inspection(engine, 1, number, request_id="w1", **said)
    assert _record(engine).inspections == ()
    with read(engine) as connection:
        assert len(connection.execute(select(inspection)).all()) == 1
    with pytest.raises(CommandRefused):
        commands.withdraw_inspection(engine, 1, number, request_id="w2", **said)


def test_a_pass_moves_the_deadline_of_the_forecast(engine: Engine) -> None:
    assert queries.forecast(engine, NOW, PROGRAMS)[0].need.deadline == date(2026, 12, 10)
    _enter(engine, "r1", valid_until=date(2028, 11, 30))
    one, other = queries.forecast(engine, NOW, PROGRAMS)
    assert one.need.deadline == date(2028, 11, 30)
    assert other.need.deadline == date(2026, 12, 10)


def test_a_second_program_has_due_days_of_its_own(engine: Engine) -> None:
    _enter(engine, "r1", program="new-york", day=date(2026, 3, 14))
    dues = _record(engine).standing.dues
    assert [(one.program, one.due) for one in dues] == [
        ("illinois", date(2026, 12, 10)),
        ("new-york", date(2027, 3, 14)),
    ]


def test_a_dark_bulb_is_found_before_the_inspector_finds_it(engine: Engine) -> None:
    """40 CFR 85.2222(d)(4): the lamp is looked at with the key on and the engine off (A*)."""
    store(engine, report(1, 1320))
    assert _record(engine).standing.verdict.outcome is Outcome.WOULD_PASS
    look = ObservedLamp(
        NOW - timedelta(hours=1), lit_at_key_on=False, lit_while_running=False, by="Pat"
    )
    commands.record_walk_around(engine, 1, look, now=NOW, request_id="l1")
    found = _record(engine)
    assert found.looks == (look,)
    assert found.standing.verdict.outcome is Outcome.WOULD_FAIL
    assert _record(engine, NOW - timedelta(hours=2)).looks == (), "not known before it was seen"


@pytest.mark.parametrize(
    ("at", "key_on", "told"),
    [(NOW + timedelta(minutes=1), True, "no later than now"), (NOW, None, "nothing entered")],
)
def test_a_look_that_cannot_be_is_refused(
    engine: Engine, at: datetime, key_on: bool | None, told: str
) -> None:
    look = ObservedLamp(at, lit_at_key_on=key_on, lit_while_running=None, by="Pat")
    with pytest.raises(CommandRefused, match=told):
        commands.record_walk_around(engine, 1, look, now=NOW, request_id="l1")


def test_both_are_entered_from_the_command_line(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    where = ["--data", str(tmp_path)]
    with opened(f"sqlite:///{tmp_path / 'fleet.sqlite3'}") as engine:
        load(engine, vehicle(1, program="illinois"))
    failed = ["--result", "failed", "--codes", "p0420", "--on", "2026-03-14", "--by", "Pat"]
    assert main(["inspection", "u001", *failed, *where]) == 0
    seen = ["--lit-at-key-on", "yes", "--lit-while-running", "no", "--by", "Pat"]
    assert main(["walk-around", "U001", *seen, *where]) == 0
    assert (
        main(["inspection", "U001", "--result", "passed", "--codes", "P0420", "--by", "P", *where])
        == 3
    )
    assert main(["inspection", "nobody", *failed, *where]) == 3
    assert "expected none unless it failed" in capsys.readouterr().err
    assert main(["record", "U001", "--json", *where]) == 0
    item = json.loads(capsys.readouterr().out)["items"][0]
    assert item["inspection_results"][0]["codes"] == ["P0420"]
    assert item["inspections_due"][0]["failed_codes"] == ["P0420"]
    assert item["walk_arounds"][0]["lit_at_key_on"] is True
    assert main(["record", "U001", *where]) == 0
    assert "lamp lit at key-on: yes; lit while running: no" in capsys.readouterr().out
