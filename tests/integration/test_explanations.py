"""A clear in the run-up, a recorded repair and its proof, through store, commands and queries."""

from __future__ import annotations

import json
from collections.abc import Iterator
from datetime import date, timedelta
from pathlib import Path

import pytest
from sqlalchemy import Engine

from gateway import contract
from gateway.facts import Monitor
from ingest import commands, handlers, queries, repairing
from ingest.__main__ import main
from ingest.domain.inspections import Inspection, Result
from ingest.domain.repairs import Repair
from ingest.domain.verification import State
from ingest.store.times import to_ms
from tests.support.reports import NOW, START, ecu, load, opened, report, store, vehicle

CAT = Monitor.CATALYST
PROGRAMS = queries.load_programs(None)


@pytest.fixture
def engine(store_url: str) -> Iterator[Engine]:
    with opened(store_url) as engine:
        yield engine


def _repair(**changes: object) -> Repair:
    values = {"at": to_ms(START + timedelta(hours=5)), "technician": "R. Diaz"}
    more = {"done": "replaced the sensor", "codes": ("P0420",), "codes_cleared": True}
    return Repair(**(values | more | changes))  # type: ignore[arg-type]


def _record(engine: Engine, entry: Repair, request_id: str = "r-1") -> int:
    return repairing.record_repair(engine, 1, entry, actor="R", now=NOW, request_id=request_id)


def _cycle(seq: int, *completed: Monitor) -> contract.DrivingCycle:
    begin = START + timedelta(hours=seq - 1)
    return contract.DrivingCycle(
        started_at=contract.format_time(begin),
        ended_at=contract.format_time(begin + timedelta(minutes=30)),
        propulsion_on_s=1800.0, engine_on_s=1800.0, monitors_completed=list(completed),
    )  # fmt: skip


def test_a_repair_is_told_once_and_bad_ones_are_refused_with_every_fault(engine: Engine) -> None:
    load(engine, vehicle(1))
    assert _record(engine, _repair()) == _record(engine, _repair())
    with pytest.raises(commands.CommandRefused) as refused:
        _record(engine, _repair(codes=("0420",), done=" ", technician="", at=to_ms(NOW) + 1), "r-2")
    for name in ("code: '0420'", "done: ''", "by: ''", "at: in the future"):
        assert name in str(refused.value)
    with pytest.raises(commands.RequestReused):
        _record(engine, _repair(done="another thing"))


def test_a_clear_after_a_repair_and_its_proof(engine: Engine) -> None:
    load(engine, vehicle(1))
    store(
        engine,
        report(1, 1, ecus={"7E8": ecu(mil=True, confirmed=["P0420"])}),
        report(1, 6, ecus={"7E8": ecu(incomplete=(CAT,))}, warm_ups_since_clear=0),
    )
    _record(engine, _repair())
    one = queries.record(engine, 1, NOW, PROGRAMS)
    assert one is not None
    (clear,) = one.explained.clears
    assert clear.recorded
    assert "R. Diaz" in clear.who
    assert [(p.code, p.state) for p in one.explained.proofs] == [("P0420", State.TRIED)]
    assert [why.monitor for why in one.explained.monitors] == [CAT]

    done = report(1, 8, driving_cycle=_cycle(8, CAT), reason="key_off")
    store(engine, done, report(1, 9))
    after = queries.record(engine, 1, NOW, PROGRAMS)
    assert after is not None
    assert [p.state for p in after.explained.proofs] == [State.VERIFIED]


def test_a_clear_in_the_run_up_to_an_inspection_is_its_own_alert(engine: Engine) -> None:
    load(engine, vehicle(1))  # due 2026-12-10
    early = START + timedelta(days=1)
    store(engine, report(1, 1), report(1, 6, ecus={"7E8": ecu(incomplete=(CAT,))}))

    def standing() -> list[str]:
        return [one.text for one in queries.alerts(engine, NOW, kind="clear_before_inspection")]

    handlers.sweep(engine, early)
    assert standing() == []
    handlers.sweep(engine, NOW)
    handlers.sweep(engine, NOW)
    (text,) = standing()
    assert "15 days before the inspection due Thu Dec 10, 2026" in text
    assert "nobody is known" in text
    store(engine, report(1, 7))
    handlers.sweep(engine, NOW)
    (after,) = queries.alerts(engine, NOW, kind="clear_before_inspection")
    assert after.state == "returned to normal unacknowledged"


@pytest.mark.parametrize("retest_by, raised", [(None, 0), ("2026-11-30", 1)])
def test_the_run_up_follows_the_results_entered_not_the_list_alone(
    engine: Engine, retest_by: str | None, raised: int
) -> None:
    """Due 2027-06-01 by the list; a failed test brings a retest within five days."""
    load(engine, vehicle(1, due_date=date(2027, 6, 1)))
    store(engine, report(1, 1), report(1, 6, ecus={"7E8": ecu(incomplete=(CAT,))}))
    entry = Inspection(
        program="us-federal",
        day=date(2026, 11, 20),
        result=Result.REJECTED,
        monitors=(CAT,),
        retest_by=date.fromisoformat(retest_by) if retest_by else None,
    )
    commands.record_inspection(
        engine, 1, entry, PROGRAMS.keys(), actor="R", now=NOW, request_id="i-1"
    )
    handlers.sweep(engine, NOW, programs=PROGRAMS)
    standing = queries.alerts(engine, NOW, kind="clear_before_inspection")
    assert len(standing) == raised
    if standing:
        assert "5 days before the inspection due Mon Nov 30, 2026" in standing[0].text


def test_the_command_line_enters_a_repair_and_the_record_tells_it(
    engine: Engine, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    load(engine, vehicle(1))
    store(engine, report(1, 1, ecus={"7E8": ecu(mil=True, confirmed=["P0420"])}))
    where = ["--data", str(tmp_path), "--database", str(engine.url)]
    words = ["--codes", "p0420", "--done", "replaced it", "--by", "R. Diaz", "--cleared", "no"]
    assert main(["repair", "U001", *words, *where]) == 0
    assert main(["record", "U001", "--json", *where]) == 0
    (item,) = json.loads(capsys.readouterr().out.partition("\n")[2])["items"]
    assert item["repairs"][0]["codes"] == ["P0420"]
    assert item["repairs"][0]["codes_cleared"] is False
    assert item["repair_verification"][0]["state"] == "tried"
    assert main(["record", "U001", *where]) == 0
    assert "repair of P0420: tried" in capsys.readouterr().out
    assert main(["repair", "U001", *[*words[:1], "nonsense", *words[2:]], *where]) == 3


def test_a_third_of_a_depot_with_one_cause_is_one_line(engine: Engine) -> None:
    load(engine, *(vehicle(number) for number in (1, 2, 3, 4)))
    evap = {"7E8": ecu(incomplete=(Monitor.EVAPORATIVE_SYSTEM,))}
    for number in (1, 2, 3, 4):
        full = 98.0 if number < 4 else 50.0
        reports = [
            report(
                number, seq * 24, reason="key_off", ecus=evap,
                driving_cycle=contract.DrivingCycle(
                    started_at=contract.format_time(START + timedelta(hours=seq * 24 - 1)),
                    ended_at=contract.format_time(START + timedelta(hours=seq * 24 - 0.5)),
                    propulsion_on_s=1800.0, engine_on_s=1800.0, soak_s=50_000.0,
                    fuel_start_pct=full, ambient_c=12.0, coolant_start_c=13.0,
                ),
            )
            for seq in range(1, 8)
        ]  # fmt: skip
        first = report(number, 1, ecus=evap)
        store(engine, first, *reports)

    assert queries.depot_lines(engine, "South") == ()
    (line,) = queries.depot_lines(engine)
    assert line.startswith("North: 3 of 4 vehicles with the evaporative system monitor")
    one = queries.record(engine, 1, NOW, PROGRAMS)
    assert one is not None
    assert one.explained.season == (
        "Not enough driving cycles of this depot to tell when the air suits."
    )
