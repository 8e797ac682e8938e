"""Depots and technicians as lists: every fault named, all or nothing, written and read again."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import date, time, timedelta
from pathlib import Path

import pytest
from sqlalchemy import Engine

from ingest import commands, queries
from ingest.__main__ import main
from ingest.commands import CommandRefused
from ingest.domain.shop import DepotSettings, Technician
from ingest.shop_lists import load_list, write_list
from tests.support.reports import NOW, load, opened, vehicle

DEPOTS = "name,tz,bays,weekdays,opens,closes,closed_days\n"
PEOPLE = "name,depot,skills\n"
NORTH = "North,America/Chicago,1; 2; Truck,Mon-Sat,06:30,18:00,2026-12-24; 2026-12-25\n"


@pytest.fixture
def engine(store_url_of_either: str) -> Iterator[Engine]:
    with opened(store_url_of_either) as engine:
        load(engine, vehicle(1), vehicle(2))
        yield engine


def _load(engine: Engine, folder: Path, which: str, text: str, request_id: str = "l1") -> int:
    path = folder / f"{which}.csv"
    path.write_text(text, encoding="utf-8")
    return load_list(engine, which, path, actor="clerk", now=NOW, request_id=request_id)


def test_a_depot_s_bays_hours_and_closed_days_are_the_list_s(engine: Engine, tmp_path: Path):
    assert _load(engine, tmp_path, "depots", DEPOTS + NORTH) == 1
    assert queries.depots(engine) == (
        DepotSettings(
            "North", "America/Chicago", ("1", "2", "Truck"), (0, 1, 2, 3, 4, 5), time(6, 30),
            time(18), (date(2026, 12, 24), date(2026, 12, 25)),
        ),
    )  # fmt: skip


def test_every_fault_of_every_row_is_told_and_nothing_is_loaded(engine: Engine, tmp_path: Path):
    before = queries.depots(engine)
    rows = (
        "North,America/New_York,1; 1,Mon-Fri,18:00,06:00,2026-13-01\n"
        "South,Nowhere/At_All,,Someday,7,25:00,\n"
        "south,America/Chicago,1,Mon,07:10,17:00,\n"
    )
    with pytest.raises(CommandRefused) as refused:
        _load(engine, tmp_path, "depots", DEPOTS + rows)
    told = str(refused.value)
    for part in (
        "line 2: tz: 'America/New_York', expected America/Chicago",
        "line 2: bays: '1; 1'",
        "line 2: closes: '06:00', expected a time after opens",
        "line 2: closed_days: '2026-13-01'",
        "line 3: tz: 'Nowhere/At_All'",
        "line 3: bays: ''",
        "line 3: weekdays: 'Someday'",
        "line 3: opens: '7'",
        "line 3: closes: '25:00'",
        "line 4: opens: '07:10', expected HH:MM, on a quarter of an hour",
        "line 4: name: 'south', expected a name once: line 3 has it already",
    ):
        assert part in told
    assert queries.depots(engine) == before


def test_a_bay_with_an_appointment_ahead_stays(engine: Engine, tmp_path: Path):
    start = NOW.replace(minute=0, second=0, microsecond=0) + timedelta(hours=20)
    commands.book(
        engine, 1, "North", "2", start, [start], 0.25, "test", actor="clerk", now=NOW,
        request_id="b1",
    )  # fmt: skip
    with pytest.raises(CommandRefused, match="expected 2 too: appointments are booked there"):
        _load(engine, tmp_path, "depots", DEPOTS + NORTH.replace("1; 2; Truck", "1"))
    assert _load(engine, tmp_path, "depots", DEPOTS + NORTH) == 1


def test_technicians_are_the_list_s_and_who_is_not_on_it_has_left(engine: Engine, tmp_path: Path):
    two = PEOPLE + "A. Okafor,North,diagnosis; diesel\nM. Lind,North,\n"
    assert _load(engine, tmp_path, "technicians", two) == 2
    assert queries.technicians(engine, "North") == (
        Technician("A. Okafor", "North", ("diagnosis", "diesel")),
        Technician("M. Lind", "North"),
    )
    with pytest.raises(CommandRefused, match="line 2: depot: 'West', expected one of North"):
        _load(engine, tmp_path, "technicians", PEOPLE + "A. Okafor,West,\n", "l2")
    assert len(queries.technicians(engine)) == 2
    assert _load(engine, tmp_path, "technicians", PEOPLE + "M. Lind,North,\n", "l3") == 1
    assert [one.name for one in queries.technicians(engine)] == ["M. Lind"]


@pytest.mark.parametrize("ending", ["csv", "xlsx"])
def test_what_is_exported_loads_again_and_is_the_same(engine: Engine, tmp_path: Path, ending: str):
    _load(engine, tmp_path, "depots", DEPOTS + NORTH)
    _load(engine, tmp_path, "technicians", PEOPLE + "A. Okafor,North,diesel\n", "l2")
    before = queries.depots(engine), queries.technicians(engine)
    for number, which in enumerate(("depots", "technicians")):
        path = tmp_path / f"{which}.{ending}"
        assert write_list(engine, which, path) == 1
        load_list(engine, which, path, actor="clerk", now=NOW, request_id=f"again {number}")
    assert (queries.depots(engine), queries.technicians(engine)) == before


def test_both_are_loaded_and_written_from_the_command_line(
    store_url: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    where = ["--data", str(tmp_path), "--database", store_url]
    with opened(store_url) as engine:
        load(engine, vehicle(1))
    (tmp_path / "depots.csv").write_text(DEPOTS + NORTH, encoding="utf-8")
    assert main(["depots", "--load", str(tmp_path / "depots.csv"), *where]) == 0
    assert main(["depots", "--export", str(tmp_path / "out.csv"), *where]) == 0
    assert (tmp_path / "out.csv").read_text(encoding="utf-8") == DEPOTS + NORTH.replace(
        "Mon-Sat", "Mon Tue Wed Thu Fri Sat"
    )
    (tmp_path / "people.csv").write_text(PEOPLE + "A,Nowhere,\n", encoding="utf-8")
    assert main(["technicians", "--load", str(tmp_path / "people.csv"), *where]) == 3
    assert "nothing was loaded" in capsys.readouterr().err
