"""The whole job, end to end: simulated vehicles, CAN, MQTT, store; then the same again."""

from __future__ import annotations

import json
import random
import re
from pathlib import Path

import pytest

from fleet_demo.__main__ import main as demo
from ingest import queries
from ingest.__main__ import main as ingest
from ingest.arrival import Arrival
from ingest.handlers import rebuild, store_batch
from ingest.program_files import load_programs
from ingest.store.rebuilding import snapshot
from tests.support.reports import NOW, opened

WORDS = ["--once", "--no-board", "--vehicles", "12", "--days", "15", "--seed", "7"]
END = "2026-11-20"
THE_NEXT_DAY = "2026-11-21T00:00:00Z"


def _demo(folder: Path, live: int) -> int:
    return demo([*WORDS, "--end", END, "--live", str(live), "--data", str(folder)])


def _past_events(folder: Path) -> list[tuple[str, str, str, str]]:
    """Every event that began before the live day: what seed and end alone decide."""
    programs = load_programs()
    found = []
    with opened(f"sqlite:///{folder}/fleet.sqlite3") as engine:
        for vehicle in queries.vehicle_list(engine):
            record = queries.record(engine, vehicle.id or 0, NOW, programs)
            assert record is not None
            found += [
                (vehicle.unit, event.kind, event.subject, str(event.started_at))
                for event in record.events
                if str(event.started_at) < END and event.kind != "gateway_silent"
            ]
    return sorted(found)


def test_the_whole_job_end_to_end(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    first, second = tmp_path / "first", tmp_path / "second"

    assert _demo(first, live=50) == 0

    told = capsys.readouterr().out
    published = re.search(r"reports published (\d+) = stored (\d+)", told)
    assert published is not None
    assert published[1] == published[2]
    assert int(published[1]) > 500
    assert "dead letters 0" in told
    heard = re.search(r"heard (\d+) requests by service: (.*)", told)
    assert heard is not None
    # Read-only services of SAE J1979 (B): nothing else may be heard on the bus.
    services = {part.split(":")[0] for part in heard[2].split(", ")}
    assert int(heard[1]) > 0
    assert services <= {"01", "02", "03", "06", "07", "09", "0A"}
    read = re.search(r"over the bus: (\d+) vehicles read, (\d+) with two ECUs", told)
    assert read is not None
    assert int(read[1]) >= 5
    assert int(read[2]) >= 1

    _the_lamp_of_the_live_phase_is_an_alert(first, capsys)
    assert _demo(second, live=1) == 0
    assert _past_events(first) == _past_events(second)
    _shuffled_and_doubled_reports_give_the_same_store(second, tmp_path)


def _the_lamp_of_the_live_phase_is_an_alert(
    folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    asked = ["--json", "--data", str(folder), "--as-of", THE_NEXT_DAY]
    assert ingest(["alerts", *asked]) == 0
    alerts = json.loads(capsys.readouterr().out)["items"]
    live = [one for one in alerts if one["kind"] == "mil_on" and one["since"] >= END]
    assert len(live) == 1
    assert ingest(["record", live[0]["unit"], *asked]) == 0
    record = json.loads(capsys.readouterr().out)["items"][0]
    assert record["expected_obd_result"] == "would fail"
    assert {event["kind"] for event in record["events"]} >= {"mil_on", "code"}


def _shuffled_and_doubled_reports_give_the_same_store(folder: Path, tmp_path: Path) -> None:
    """`rebuild --check` on the demo's data, and on a shuffled, duplicated copy."""
    url = f"sqlite:///{tmp_path}/shuffled.sqlite3"
    with opened(f"sqlite:///{folder}/fleet.sqlite3") as engine, opened(url) as other:
        assert rebuild(engine, check=True, now=NOW).differences == ()
        from ingest import commands
        from ingest.store.database import read
        from ingest.store.schema import report

        commands.load_vehicles(
            other, queries.vehicle_list(engine), actor="test", now=NOW, request_id="copy"
        )
        with read(engine) as connection:
            rows = connection.execute(report.select()).all()
        from gateway import contract

        items = [Arrival(contract.topic(row.gateway, "report"), row.body, NOW) for row in rows]
        items += items[::3]
        random.Random(7).shuffle(items)
        for start in range(0, len(items), 200):
            store_batch(other, items[start : start + 200])
        assert rebuild(other, check=True, now=NOW).differences == ()
        assert snapshot(other) == snapshot(engine)
