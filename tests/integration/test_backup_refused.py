"""What backup and restore refuse, and that what is there stays as it was."""

from __future__ import annotations

import json
import os
import sqlite3
import subprocess
import sys
import zipfile
from collections.abc import Callable
from contextlib import closing
from datetime import timedelta
from pathlib import Path

import pytest

from ingest.store import backup as backups
from ingest.store.backup import BackupRefused
from ingest.store.database import NotOurDatabase, read
from tests.support.databases import NewUrl
from tests.support.filled_store import LENGTH, fill, held_in
from tests.support.reports import NOW, history, load, opened, store, vehicle


def test_a_database_that_is_there_is_put_aside_only_when_told(
    new_url_of_either: NewUrl, tmp_path: Path
) -> None:
    source, target, file = new_url_of_either(), new_url_of_either(), tmp_path / "backup"
    fill(source)
    with opened(target) as engine:
        load(engine, vehicle(9))
    before = held_in(target)
    backups.backup(source, file, NOW)

    with pytest.raises(BackupRefused, match="--overwrite"):
        backups.restore(target, file, NOW)
    assert held_in(target) == before

    aside = backups.restore(target, file, NOW, overwrite=True).aside
    assert aside is not None
    assert "before_restore_20261125t120000z" in aside
    if target.startswith("sqlite"):
        assert held_in(f"sqlite:///{aside}") == before
    else:
        schema = aside.split()[1]
        with opened(target) as engine, read(engine) as connection:
            units = connection.exec_driver_sql(f"SELECT unit FROM {schema}.vehicle").scalars()
            assert list(units) == ["U009"]
        # And it is not in the next backup.
        assert backups.backup(target, tmp_path / "next", NOW).tables == held_in(target)


def test_a_database_that_anybody_has_open_is_refused(
    new_url_of_either: NewUrl, tmp_path: Path
) -> None:
    url, file = new_url_of_either(), tmp_path / "backup"
    before = fill(url)
    backups.backup(url, file, NOW)

    # As ingest and the board have it open, without a transaction.
    with opened(url), pytest.raises(BackupRefused, match="in use"):
        backups.restore(url, file, NOW, overwrite=True)
    with opened(url), opened(url):  # a second engine takes nothing of the first one's hold
        pass
    assert held_in(url) == before
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
    before = fill(url)
    backups.backup(url, file, NOW)
    words = [sys.executable, "-c", HOLD, url]
    root = Path(__file__).parents[2]
    with subprocess.Popen(words, stdin=subprocess.PIPE, stdout=subprocess.PIPE, cwd=root) as other:
        assert other.stdout is not None
        assert other.stdout.readline() == b"open\n"
        with pytest.raises(BackupRefused, match="in use"):
            backups.restore(url, file, NOW, overwrite=True)
        other.communicate(b"")
    assert held_in(url) == before


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
    held = held_in(url)
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
            assert held_in(f"sqlite:///{target}") == held
            target.unlink()
    assert refused > len(places) * 0.9
    for end in (0, 1, len(good) // 2, len(good) - 1):
        bad.write_bytes(good[:end])
        with pytest.raises(BackupRefused):
            backups.restore(f"sqlite:///{target}", bad, NOW)
    assert not target.exists()


def test_a_damaged_database_is_put_aside_and_replaced(tmp_path: Path) -> None:
    url, file = f"sqlite:///{tmp_path}/store", tmp_path / "backup"
    before = fill(url)
    backups.backup(url, file, NOW)
    path = tmp_path / "store"
    body = bytearray(path.read_bytes())
    body[4096 : 4096 * 20] = os.urandom(4096 * 19)
    path.write_bytes(body)
    with pytest.raises(BackupRefused, match="damaged"):
        backups.backup(url, tmp_path / "second", NOW)
    assert not (tmp_path / "second").exists()

    backups.restore(url, file, NOW, overwrite=True)

    assert held_in(url) == before
    assert [one.name for one in tmp_path.glob("store.before*")] == [
        "store.before_restore_20261125t120000z"
    ]


def test_files_of_others_are_left_alone(tmp_path: Path) -> None:
    url, file = f"sqlite:///{tmp_path}/store", tmp_path / "backup"
    fill(url)
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
