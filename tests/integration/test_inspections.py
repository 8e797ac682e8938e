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
from ingest.domain.out_of_area import OutOfArea, Status
from ingest.domain.verdict import Outcome
from ingest.program_files import load_programs
from ingest.store.database import read
from ingest.store.entered_schema import inspection
from ingest.store.schema import audit
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
        commands.withdraw_entry(engine, 2, "result", number, "wrong unit", request_id="w0", **said)
    with pytest.raises(CommandRefused, match="why"):
        commands.withdraw_entry(engine, 1, "result", number, " ", request_id="w0", **said)
    commands.withdraw_entry(engine, 1, "result", number, "wrong unit", request_id="w1", **said)
    after = _record(engine)
    assert after.inspections == ()
    (taken,) = after.withdrawn
    assert (taken.entry.id, taken.by, taken.why, taken.at) == (number, "clerk", "wrong unit", NOW)
    with read(engine) as connection:
        assert len(connection.execute(select(inspection)).all()) == 1
    with pytest.raises(CommandRefused):
        commands.withdraw_entry(engine, 1, "result", number, "again", request_id="w2", **said)


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
    store_url: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    where = ["--data", str(tmp_path), "--database", store_url]
    with opened(store_url) as engine:
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


def _look(engine: Engine, request_id: str, **seen: Any) -> int:
    values: dict[str, Any] = {"lit_at_key_on": None, "lit_while_running": None, "by": "Pat"}
    look = ObservedLamp(NOW - timedelta(hours=1), **(values | seen))
    return commands.record_walk_around(engine, 1, look, now=NOW, request_id=request_id)


def test_what_a_fresh_walk_around_answers_is_no_longer_to_be_looked_at(engine: Engine) -> None:
    """40 CFR 85.2222(d)(4), 85.2207(a), (b): lamp at key-on, lamp while commanded, connector."""
    store(engine, report(1, 1320))
    before = _record(engine).standing.verdict
    assert (len(before.check_by_eye), before.seen_by_eye) == (3, ())
    _look(engine, "l1", lit_at_key_on=True)
    one = _record(engine).standing.verdict
    assert len(one.check_by_eye) == 2
    assert one.seen_by_eye == (
        "Lamp lit with the key on and the engine off: yes. Seen Wed Nov 25, 2026 by Pat.",
    )
    _look(engine, "l2", lit_at_key_on=True, lit_while_running=False, connector_works=True)
    assert _record(engine).standing.verdict.check_by_eye == ()
    store(engine, report(1, 1320 + 8 * 24))
    later = _record(engine, NOW + timedelta(days=8)).standing.verdict
    assert len(later.check_by_eye) == 3, "a look grows stale as a reading does"
    assert any("look again" in reason.text for reason in later.reasons)


def test_a_bad_connector_would_fail(engine: Engine) -> None:
    """40 CFR 85.2207(a): missing, tampered with or otherwise inoperable (A)."""
    store(engine, report(1, 1320))
    number = _look(engine, "l1", connector_works=False)
    verdict = _record(engine).standing.verdict
    assert verdict.outcome is Outcome.WOULD_FAIL
    assert (verdict.reasons[0].rule, verdict.reasons[0].tag) == ("40 CFR 85.2207(a)", "A")
    commands.withdraw_entry(
        engine, 1, "walk-around", number, "other unit", actor="Lee", now=NOW, request_id="w1"
    )
    after = _record(engine)
    assert after.standing.verdict.outcome is Outcome.WOULD_PASS
    assert after.looks == ()
    assert [(one.kind, one.by, one.why) for one in after.withdrawn] == [
        ("walk-around", "Lee", "other unit")
    ]


def _away(engine: Engine, request_id: str, **changes: Any) -> int:
    values: dict[str, Any] = {
        "program": "illinois", "status": Status.RECIPROCITY, "since": TODAY, "place": "Ohio",
    }  # fmt: skip
    return commands.record_out_of_area(
        engine, 1, OutOfArea(**(values | changes)), set(PROGRAMS), actor="clerk", now=NOW,
        request_id=request_id,
    )  # fmt: skip


def test_an_absence_is_told_with_the_verdict_and_moves_no_day(engine: Engine) -> None:
    store(engine, report(1, 1320))
    before = _record(engine).standing
    _away(engine, "a1", until=TODAY + timedelta(days=5), proof="OH 4711", proof_day=TODAY)
    after = _record(engine)
    assert after.standing.verdict.outcome is before.verdict.outcome
    assert after.standing.dues[0].due == before.dues[0].due
    told = " ".join(reason.text for reason in after.standing.verdict.reasons)
    assert "in Ohio, from Wed Nov 25, 2026 to Mon Nov 30, 2026: reciprocity." in told
    assert "Proof on file: OH 4711 of Wed Nov 25, 2026." in told
    over = _record(engine, NOW + timedelta(days=6))
    assert all("Ohio" not in reason.text for reason in over.standing.verdict.reasons)
    assert [one.place for one in over.absences] == ["Ohio"], "the history stays"


def test_an_absence_without_proof_says_so_and_can_be_withdrawn(engine: Engine) -> None:
    number = _away(engine, "a1", status=Status.DEFERRAL)
    told = " ".join(reason.text for reason in _record(engine).standing.verdict.reasons)
    assert "until the agency grants it the due date stands. No proof is on file." in told
    commands.withdraw_entry(
        engine, 1, "out of area", number, "it is back", actor="Lee", now=NOW, request_id="w1"
    )
    assert _record(engine).absences == ()


def test_every_fault_of_an_absence_is_told(engine: Engine) -> None:
    with pytest.raises(CommandRefused) as refused:
        _away(
            engine, "a1", program="nowhere", place=" ", until=TODAY - timedelta(days=1),
            proof="x" * 65,
        )  # fmt: skip
    for part in ("program: 'nowhere'", "place: ''", "until: 2026-11-24", "its date", "65 char"):
        assert part in str(refused.value)


def test_absence_and_withdrawal_from_the_command_line(
    store_url: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    where = ["--by", "Pat", "--data", str(tmp_path), "--database", store_url]
    with opened(store_url) as engine:
        load(engine, vehicle(1, program="illinois"))
    away = ["out-of-area", "U001", "--status", "test_there", "--place", "Ohio"]
    assert main([*away, "--since", "2026-03-14", *where]) == 0
    assert main(["walk-around", "U001", "--connector-works", "yes", *where]) == 0
    assert main(["walk-around", "U001", "--withdraw", "1", *where]) == 3
    assert "why: 0 characters" in capsys.readouterr().err
    assert main(["walk-around", "U001", "--withdraw", "1", "--why", "wrong unit", *where]) == 0
    capsys.readouterr()
    assert main(["record", "U001", "--json", *where[2:]]) == 0
    item = json.loads(capsys.readouterr().out)["items"][0]
    assert item["out_of_area"][0]["status"] == "test there"
    assert item["walk_arounds"] == []
    assert item["withdrawn"][0]["why"] == "wrong unit"
