"""Backup while ingest writes, restore, compare rows and digests: on SQLite and PostgreSQL."""

from __future__ import annotations

import json
import os
import sqlite3
import subprocess
import sys
import threading
import zipfile
from collections.abc import Callable
from contextlib import closing
from datetime import timedelta
from pathlib import Path

import pytest
from sqlalchemy import func, select

from gateway import contract
from ingest import handlers, queries
from ingest.__main__ import main
from ingest.store import backup as backups
from ingest.store.backup import BackupRefused
from ingest.store.contents import TableSum, contents, differences
from ingest.store.database import NotOurDatabase, read, write
from ingest.store.schema import lost_reports, report_key
from ingest.store.schema import report as report_table
from tests.support.databases import NewUrl
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

VEHICLES, LENGTH = 4, 60


def _fill(url: str) -> dict[str, TableSum]:
    """A store with something in most tables; what it holds."""
    with opened(url) as engine:
        load(engine, *(vehicle(number) for number in range(1, VEHICLES + 1)))
        for number in range(1, VEHICLES + 1):
            store(engine, *history(number, LENGTH))
        handlers.store_batch(engine, [handlers.Incoming("fleet/nonsense", b"\0\xff", NOW)])
        handlers.sweep(engine, NOW)
    return _held(url)


def _held(url: str) -> dict[str, TableSum]:
    with opened(url) as engine, read(engine) as connection:
        return contents(connection)


# -- there and back -------------------------------------------------------------------------------


def test_a_restore_holds_what_was_backed_up_and_goes_on(
    new_url_of_either: NewUrl, tmp_path: Path
) -> None:
    source, target, file = new_url_of_either(), new_url_of_either(), tmp_path / "backup"
    before = _fill(source)

    made = backups.backup(source, file, NOW)
    done = backups.restore(target, file, NOW, overwrite=True)

    assert made.tables == done.manifest.tables == before
    assert differences(before, _held(target)) == ()
    assert _held(source) == before
    assert made.rows > VEHICLES * LENGTH * 2
    with opened(target) as engine:  # keys, references and counters of rows work as before
        assert handlers.rebuild(engine, check=True, now=NOW).differences == ()
        assert store(engine, *history(1, LENGTH + 1)[-2:]) == ["duplicate", "stored"]
        load(engine, vehicle(VEHICLES + 1), request_id="later")


def test_the_same_reports_have_the_same_digests_on_both_databases(
    tmp_path: Path, fresh_postgres_url: str
) -> None:
    assert differences(_fill(f"sqlite:///{tmp_path}/store"), _fill(fresh_postgres_url)) == ()


def test_a_backup_taken_while_reports_come_in_is_one_state(
    new_url_of_either: NewUrl, tmp_path: Path
) -> None:
    """Key, report and journal are written in one transaction: a backup has all three or none."""
    source, target = new_url_of_either(), new_url_of_either()
    _fill(source)
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
            keys = connection.execute(select(func.count()).select_from(report_key)).scalar_one()
        assert rows == keys
        through = handlers.receipts_for(engine, [gateway_name(1)], NOW)[0].through
        assert through * VEHICLES == rows


def test_a_backup_of_an_older_edition_is_brought_forward(
    new_url_of_either: NewUrl, tmp_path: Path
) -> None:
    from alembic import command

    from ingest.store.database import migrations

    source, target, file = new_url_of_either(), new_url_of_either(), tmp_path / "backup"
    _fill(source)
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
        assert queries.fleet_today(engine, None, NOW, queries.load_programs()).lost_reports == 1
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


# -- what is refused ------------------------------------------------------------------------------


def test_a_database_that_is_there_is_put_aside_only_when_told(
    new_url_of_either: NewUrl, tmp_path: Path
) -> None:
    source, target, file = new_url_of_either(), new_url_of_either(), tmp_path / "backup"
    _fill(source)
    with opened(target) as engine:
        load(engine, vehicle(9))
    before = _held(target)
    backups.backup(source, file, NOW)

    with pytest.raises(BackupRefused, match="--overwrite"):
        backups.restore(target, file, NOW)
    assert _held(target) == before

    aside = backups.restore(target, file, NOW, overwrite=True).aside
    assert aside is not None
    assert "before_restore_20261125t120000z" in aside
    if target.startswith("sqlite"):
        assert _held(f"sqlite:///{aside}") == before
    else:
        schema = aside.split()[1]
        with opened(target) as engine, read(engine) as connection:
            units = connection.exec_driver_sql(f"SELECT unit FROM {schema}.vehicle").scalars()
            assert list(units) == ["U009"]
        # And it is not in the next backup.
        assert backups.backup(target, tmp_path / "next", NOW).tables == _held(target)


def test_a_database_that_anybody_has_open_is_refused(
    new_url_of_either: NewUrl, tmp_path: Path
) -> None:
    url, file = new_url_of_either(), tmp_path / "backup"
    before = _fill(url)
    backups.backup(url, file, NOW)

    # As ingest and the board have it open, without a transaction.
    with opened(url), pytest.raises(BackupRefused, match="in use"):
        backups.restore(url, file, NOW, overwrite=True)
    with opened(url), opened(url):  # a second engine takes nothing of the first one's hold
        pass
    assert _held(url) == before
    backups.restore(url, file, NOW, overwrite=True)


HOLD = """
import sys
from ingest.store.database import open_database
first, second = open_database(sys.argv[1]), open_database(sys.argv[1])
second.dispose()
print("open", flush=True)
sys.stdin.read()
"""


def test_another_process_that_opened_the_file_twice_still_holds_it(tmp_path: Path) -> None:
    """Closing any handle of a file drops the locks of a whole process (POSIX, fcntl)."""
    url, file = f"sqlite:///{tmp_path}/store", tmp_path / "backup"
    before = _fill(url)
    backups.backup(url, file, NOW)
    words = [sys.executable, "-c", HOLD, url]
    root = Path(__file__).parents[2]
    with subprocess.Popen(words, stdin=subprocess.PIPE, stdout=subprocess.PIPE, cwd=root) as other:
        assert other.stdout is not None
        assert other.stdout.readline() == b"open\n"
        with pytest.raises(BackupRefused, match="in use"):
            backups.restore(url, file, NOW, overwrite=True)
        other.communicate(b"")
    assert _held(url) == before


def _newer(manifest: dict[str, object]) -> None:
    manifest["revision"] = "9999"


def _other_kind(manifest: dict[str, object]) -> None:
    other = {"sqlite": "postgresql", "postgresql": "sqlite"}
    manifest["database"] = other[str(manifest["database"])]


def _no_field(manifest: dict[str, object]) -> None:
    del manifest["taken_at"]


def _one_row_more(manifest: dict[str, object]) -> None:
    tables = manifest["tables"]
    assert isinstance(tables, dict)
    tables["report"]["rows"] += 1


@pytest.mark.parametrize(
    "change, words",
    [
        pytest.param(_newer, "newer edition", id="newer edition"),
        pytest.param(_other_kind, "expected one of", id="other database"),
        pytest.param(_no_field, "damaged", id="field missing"),
        pytest.param(_one_row_more, "report: 60 rows", id="a row is missing"),
    ],
)
def test_a_backup_that_is_not_what_it_says_is_refused(
    tmp_path: Path, change: Callable[[dict[str, object]], None], words: str
) -> None:
    url, file = f"sqlite:///{tmp_path}/store", tmp_path / "backup"
    with opened(url) as engine:
        store(engine, *history(1, LENGTH))
    backups.backup(url, file, NOW)
    with zipfile.ZipFile(file) as archive:
        parts = {name: archive.read(name) for name in archive.namelist()}
    manifest = json.loads(parts["manifest.json"])
    change(manifest)
    parts["manifest.json"] = json.dumps(manifest).encode()
    with zipfile.ZipFile(file, "w") as archive:
        for name, body in parts.items():
            archive.writestr(name, body)

    with pytest.raises(BackupRefused, match=words):
        backups.restore(f"sqlite:///{tmp_path}/other", file, NOW)
    assert sorted(one.name for one in tmp_path.iterdir()) == ["backup", "store"]


def test_no_single_damaged_byte_goes_unseen(tmp_path: Path) -> None:
    """Every 97th byte of a backup is turned over in turn: refused, or without any effect."""
    url, file = f"sqlite:///{tmp_path}/store", tmp_path / "backup"
    with opened(url) as engine:
        store(engine, *history(1, 10))
    held = _held(url)
    backups.backup(url, file, NOW)
    good = file.read_bytes()
    bad, target = tmp_path / "bad", tmp_path / "target"
    refused = 0
    places = range(0, len(good), 97)
    for place in places:
        body = bytearray(good)
        body[place] ^= 0xFF
        bad.write_bytes(body)
        try:
            backups.restore(f"sqlite:///{target}", bad, NOW)
        except BackupRefused:
            refused += 1
        else:  # such as a date in the archive's own directory
            assert _held(f"sqlite:///{target}") == held
            target.unlink()
    assert refused > len(places) * 0.9
    for end in (0, 1, len(good) // 2, len(good) - 1):
        bad.write_bytes(good[:end])
        with pytest.raises(BackupRefused):
            backups.restore(f"sqlite:///{target}", bad, NOW)
    assert not target.exists()


def test_a_damaged_database_is_put_aside_and_replaced(tmp_path: Path) -> None:
    url, file = f"sqlite:///{tmp_path}/store", tmp_path / "backup"
    before = _fill(url)
    backups.backup(url, file, NOW)
    path = tmp_path / "store"
    body = bytearray(path.read_bytes())
    body[4096 : 4096 * 20] = os.urandom(4096 * 19)
    path.write_bytes(body)
    with pytest.raises(BackupRefused, match="damaged"):
        backups.backup(url, tmp_path / "second", NOW)
    assert not (tmp_path / "second").exists()

    backups.restore(url, file, NOW, overwrite=True)

    assert _held(url) == before
    assert [one.name for one in tmp_path.glob("store.before*")] == [
        "store.before_restore_20261125t120000z"
    ]


def test_files_of_others_are_left_alone(tmp_path: Path) -> None:
    url, file = f"sqlite:///{tmp_path}/store", tmp_path / "backup"
    _fill(url)
    backups.backup(url, file, NOW)
    with pytest.raises(BackupRefused, match="--overwrite"):
        backups.backup(url, file, NOW)
    foreign = tmp_path / "foreign"
    with closing(sqlite3.connect(foreign)) as other:
        other.execute("CREATE TABLE theirs (x)")
    body = foreign.read_bytes()
    with pytest.raises(NotOurDatabase):
        backups.restore(f"sqlite:///{foreign}", file, NOW, overwrite=True)
    with pytest.raises(NotOurDatabase):
        backups.backup(f"sqlite:///{foreign}", tmp_path / "none", NOW)
    with pytest.raises(BackupRefused, match="no backup of this program"):
        backups.restore(f"sqlite:///{tmp_path}/new", foreign, NOW)
    assert foreign.read_bytes() == body
    assert backups.backup(url, file, NOW + timedelta(1), overwrite=True).taken_at > "2026-11-26"
    assert file.stat().st_mode & 0o077 == 0


# -- the commands ---------------------------------------------------------------------------------


def test_the_commands_say_what_they_did_and_exit_with_the_right_code(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    data, file = tmp_path / "data", tmp_path / "backup"
    words = ["--data", str(data)]
    assert main(["backup", str(file), *words]) == 4  # nothing is there yet
    data.mkdir()
    before = _fill(f"sqlite:///{data}/fleet.sqlite3")

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
