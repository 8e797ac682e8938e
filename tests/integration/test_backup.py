"""Backup while ingest writes, restore, compare rows and digests: on SQLite and PostgreSQL."""

from __future__ import annotations

import threading
from pathlib import Path

import pytest
from sqlalchemy import func, select, update

from gateway import contract
from ingest import handlers, queries
from ingest.__main__ import main
from ingest.store import backup as backups
from ingest.store.backup import BackupRefused
from ingest.store.contents import differences
from ingest.store.database import read, write
from ingest.store.schema import lost_reports, vehicle_state
from ingest.store.schema import report as report_table
from tests.support.databases import NewUrl
from tests.support.filled_store import LENGTH, VEHICLES, fill, held_in
from tests.support.reports import (
    NOW,
    gateway_name,
    history,
    incoming,
    journal_of,
    load,
    opened,
    report,
    store,
    vehicle,
)
from tests.support.stored_keys import stored_keys

# -- there and back -------------------------------------------------------------------------------


def test_a_restore_holds_what_was_backed_up_and_goes_on(
    new_url_of_either: NewUrl, tmp_path: Path
) -> None:
    source, target, file = new_url_of_either(), new_url_of_either(), tmp_path / "backup"
    before = fill(source)

    made = backups.backup(source, file, NOW)
    done = backups.restore(target, file, NOW, overwrite=True)

    assert made.tables == done.manifest.tables == before
    assert differences(before, held_in(target)) == ()
    assert held_in(source) == before
    assert made.rows > VEHICLES * LENGTH * 2
    with opened(target) as engine:  # keys, references and counters of rows work as before
        assert handlers.rebuild(engine, check=True, now=NOW).differences == ()
        assert store(engine, *history(1, LENGTH + 1)[-2:]) == ["duplicate", "stored"]
        load(engine, vehicle(VEHICLES + 1), request_id="later")


def test_the_same_reports_have_the_same_digests_on_both_databases(
    tmp_path: Path, fresh_postgres_url: str
) -> None:
    urls = (f"sqlite:///{tmp_path}/store", fresh_postgres_url)
    for url in urls:
        fill(url)
        with opened(url) as engine, write(engine) as connection:
            connection.execute(update(vehicle_state).values(stamp=0))  # drawn, and so never alike
    assert differences(*map(held_in, urls)) == ()


def test_a_backup_taken_while_reports_come_in_is_one_state(
    new_url_of_either: NewUrl, tmp_path: Path
) -> None:
    """Key, report and journal are written in one transaction: a backup has all three or none."""
    source, target = new_url_of_either(), new_url_of_either()
    fill(source)
    stop, seq = threading.Event(), [LENGTH]

    def write_on() -> None:
        with opened(source) as engine:
            while not stop.is_set():
                seq[0] += 1
                store(engine, *(report(number, seq[0]) for number in range(1, VEHICLES + 1)))

    writer = threading.Thread(target=write_on)
    writer.start()
    try:
        counts = [backups.backup(source, tmp_path / f"{n}", NOW).rows for n in range(4)]
        left = seq[0]
    finally:
        stop.set()
        writer.join()

    assert left > LENGTH + 4  # the writer was not held up
    assert counts == sorted(counts)
    backups.restore(target, tmp_path / "3", NOW, overwrite=True)
    with opened(target) as engine:
        assert handlers.rebuild(engine, check=True, now=NOW).differences == ()
        with read(engine) as connection:
            rows = connection.execute(select(func.count()).select_from(report_table)).scalar_one()
        assert rows == len(stored_keys(engine))
        through = handlers.receipts_for(engine, [gateway_name(1)], NOW)[0].through
        assert through * VEHICLES == rows


def test_a_backup_of_an_older_edition_is_brought_forward(
    new_url_of_either: NewUrl, tmp_path: Path
) -> None:
    from alembic import command

    from ingest.store.database import migrations

    source, target, file = new_url_of_either(), new_url_of_either(), tmp_path / "backup"
    fill(source)
    with opened(source) as engine, write(engine) as connection:
        config = migrations()
        config.attributes["connection"] = connection
        command.downgrade(config, "0001")

    made = backups.backup(source, file, NOW)
    backups.restore(target, file, NOW, overwrite=True)

    assert made.revision == "0001"
    with opened(target) as engine:
        assert handlers.rebuild(engine, check=False, now=NOW).reports == VEHICLES * LENGTH
        assert handlers.rebuild(engine, check=True, now=NOW).differences == ()


# -- what is lost between backups -----------------------------------------------------------------


def test_what_came_after_the_backup_is_an_event_when_the_outbox_has_trimmed_it(
    new_url_of_either: NewUrl, tmp_path: Path
) -> None:
    """Reports 6 to 10 were receipted and trimmed; 11 to 12 were not yet, and come again."""
    url, file = new_url_of_either(), tmp_path / "backup"
    with opened(url) as engine:
        load(engine, vehicle(1))
        store(engine, *(report(1, seq) for seq in range(1, 6)))
    backups.backup(url, file, NOW)
    with opened(url) as engine:
        store(engine, *(report(1, seq) for seq in range(6, 13)))
        assert handlers.receipts_for(engine, [gateway_name(1)], NOW)[0].through == 12
    backups.restore(url, file, NOW, overwrite=True)

    with opened(url) as engine:
        store(engine, report(1, 11), report(1, 12))  # no receipt reached the gateway for these
        handlers.store_batch(engine, [incoming(_presence(oldest_kept=11))])

        with read(engine) as connection:
            rows = connection.execute(select(lost_reports)).all()
        assert [(row.gateway, row.first_seq, row.last_seq) for row in rows] == [
            (gateway_name(1), 6, 10)
        ]
        assert queries.fleet_today(engine, None, NOW, queries.load_programs()).lost_reports == 5
        # The gap is told once and blocks nothing: the receipt goes past it.
        assert handlers.receipts_for(engine, [gateway_name(1)], NOW)[0].through == 12


def _presence(oldest_kept: int) -> contract.Presence:
    return contract.Presence(
        schema="presence/1",
        gateway=gateway_name(1),
        state="online",
        journal=journal_of(1),
        boot_no=1,
        connection_no=2,
        oldest_kept=oldest_kept,
        at=contract.format_time(NOW),
    )


# -- the commands ---------------------------------------------------------------------------------


def test_the_commands_say_what_they_did_and_exit_with_the_right_code(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    data, file = tmp_path / "data", tmp_path / "backup"
    words = ["--data", str(data)]
    assert main(["backup", str(file), *words]) == 4  # nothing is there yet
    data.mkdir()
    before = fill(f"sqlite:///{data}/fleet.sqlite3")

    assert main(["backup", str(file), *words]) == 0
    rows = sum(one.rows for one in before.values())
    assert f"{rows} rows of {len(before)} tables, checked" in capsys.readouterr().out
    assert main(["backup", str(file), *words]) == 3
    assert main(["restore", str(file), *words]) == 3
    assert "--overwrite" in capsys.readouterr().err
    assert main(["restore", str(file), "--overwrite", *words]) == 0
    assert f"{rows} rows as of" in capsys.readouterr().out
    assert main(["restore", str(tmp_path / "nothing"), *words]) == 3
    assert main(["restore", str(file), "--data", str(tmp_path / "new" / "place")]) == 0


def test_without_postgresqls_programs_the_command_says_what_is_missing(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    from ingest.store import backup_postgresql

    monkeypatch.setenv("PATH", str(tmp_path))
    monkeypatch.setattr(backup_postgresql, "DEBIAN", tmp_path)
    with pytest.raises(BackupRefused, match="postgresql-client"):
        backup_postgresql._program("pg_dump")
