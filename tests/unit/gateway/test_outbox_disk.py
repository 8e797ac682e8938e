"""A disk that is really full: a small file system of its own, filled to the last byte.

What may be dropped, and in which order, is the wire contract's (version 1); ENOSPC is the
system's own answer (POSIX.1-2017, write).
"""

from __future__ import annotations

import json
import os
import shutil
import sqlite3
import subprocess
import sys
from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest
from msgspec import UNSET

from gateway import contract
from gateway.outbox import NotAnOutbox, Outbox, OutboxFull
from gateway.outbox_file import RESERVE_BYTES

NOW = datetime(2026, 11, 2, 14, 0, tzinfo=UTC)
ROOT = Path(__file__).parents[3]
Spans = list[list[int]]


def build_for(
    outbox: Outbox, reason: contract.Reason, size: int = 0
) -> Callable[[int, Spans], list[contract.Report]]:
    """Build reports of about `size` bytes."""

    def build(seq: int, dropped: Spans) -> list[contract.Report]:
        piece = contract.Evidence(ecu="7E8", request="01", answer="00" * min(size // 2, 4000))
        padding = [piece] * max(1, size // 8000)
        return [
            contract.Report(
                schema="report/1",
                gateway="gw-0001",
                journal=outbox.journal,
                journal_created_at=outbox.journal_created_at,
                seq=seq,
                boot_no=outbox.boot_no,
                taken_at=contract.format_time(NOW),
                clock="synced",
                uptime_ms=seq,
                reason=reason,
                ecus={},
                dropped=dropped or UNSET,
                evidence=padding if size else UNSET,
            )
        ]

    return build


def kept(outbox: Outbox) -> set[int]:
    return {item.seq for item in outbox.due(0.0, 100_000)}


def told(outbox: Outbox) -> set[int]:
    """Every seq that a report still waiting declares as dropped."""
    found: set[int] = set()
    for item in outbox.due(0.0, 100_000):
        spans = contract.decode_report(item.body).dropped
        for first, last in [] if spans is UNSET else spans:
            found |= set(range(first, last + 1))
    return found


def fill_a_small_disk(folder: Path) -> dict[str, Any]:
    """Write far more than the disk holds, an event among every ten; say what became of it."""
    outbox = Outbox(folder / "box", lambda: NOW)
    events: list[int] = []
    for number in range(4000):
        reason: contract.Reason = "change" if number % 10 == 0 else "periodic"
        size = 200 if reason == "change" else 3000
        seqs = outbox.append(build_for(outbox, reason, size))
        events += seqs if reason == "change" else []
    journal = outbox.journal
    outbox.close()
    again = Outbox(folder / "box", lambda: NOW)
    last = again.append(build_for(again, "key_off", 0))[0]
    left, declared = kept(again), told(again)
    again.close()
    events += (newer := fill_with_events_and_die(folder))
    third = Outbox(folder / "box", lambda: NOW)
    full = kept(third)
    said: dict[str, Any] = {
        "journal kept": journal == again.journal == third.journal,
        "events lost": sorted(set(events) - full),
        "events lost at first": sorted({e for e in events if e < last} - left),
        "undeclared": sorted(set(range(1, last + 1)) - left - declared),
        "dropped": len(set(range(1, last + 1)) - left),
        "nothing but events came": max(full) == max(newer),
    }
    stand = contract.Receipt(
        schema="receipt/1",
        gateway="gw-0001",
        journal=journal,
        through=max(full) // 2,
        also=[],
        aside=[],
        at=contract.format_time(NOW),
    )
    try:
        said["receipted"] = third.apply_receipt(stand)
        said["goes on"] = third.append(build_for(third, "change", 3000))[0] > max(full)
    except OutboxFull as error:
        said["receipted"] = str(error)
    third.close()
    return said


def fill_with_events_and_die(folder: Path) -> list[int]:
    """In a process of its own: events until even they find no room, then no farewell.

    The last word of a full disk is an error, never a loss; and the next start must go well.
    """
    reader, writer = os.pipe()
    if os.fork() == 0:
        outbox, stored = Outbox(folder / "box", lambda: NOW), list[int]()
        try:
            while True:
                stored += outbox.append(build_for(outbox, "change", 3000))
        except OutboxFull:
            os.write(writer, json.dumps(stored).encode())
        finally:
            os._exit(0)
    os.close(writer)
    with os.fdopen(reader) as said:
        found: list[int] = json.loads(said.read())
    os.wait()
    return found


@pytest.fixture
def small_disk(tmp_path: Path) -> list[str]:
    """The start of a command line that sees a disk of 6 MiB at `tmp_path / "disk"`."""
    (tmp_path / "disk").mkdir()
    unshare = shutil.which("unshare")
    if unshare is None:
        pytest.skip("no unshare: a small file system needs a name space of its own")
    prefix = [unshare, "--user", "--map-root-user", "--mount"]
    script = 'mount -t tmpfs -o size=6m tmpfs "$0" && exec "$@"'
    command = [*prefix, "sh", "-c", script, str(tmp_path / "disk")]
    if subprocess.run([*command, "true"], capture_output=True, check=False).returncode:
        pytest.skip("this system lets nobody mount a small file system")
    return command


def test_a_full_disk_drops_periodic_readings_declares_them_and_never_an_event(
    small_disk: list[str], tmp_path: Path
) -> None:
    done = subprocess.run(
        [*small_disk, sys.executable, __file__, str(tmp_path / "disk")],
        capture_output=True,
        text=True,
        check=False,
        env={**os.environ, "PYTHONPATH": str(ROOT)},
    )
    assert done.returncode == 0, done.stderr
    said = json.loads(done.stdout)
    assert said.pop("dropped") > 1000
    assert said.pop("receipted") > 0
    assert said == {
        "journal kept": True,
        "events lost": [],
        "events lost at first": [],
        "undeclared": [],
        "nothing but events came": True,
        "goes on": True,
    }


@pytest.mark.parametrize("reason", ["change", "key_on", "key_off", "full"])
def test_above_the_limit_an_event_is_kept_whatever_its_reason(
    tmp_path: Path, reason: contract.Reason
) -> None:
    outbox = Outbox(tmp_path / "box", lambda: NOW, limit_bytes=1000)
    for _ in range(20):
        outbox.append(build_for(outbox, "periodic", 0))
        outbox.append(build_for(outbox, reason, 0))
    assert kept(outbox) >= set(range(2, 41, 2))
    outbox.append(build_for(outbox, reason))
    assert told(outbox) == set(range(1, 42)) - kept(outbox)
    assert told(outbox) <= set(range(1, 41, 2))
    outbox.close()


def test_a_month_of_periodic_readings_alone_stays_within_the_limit(tmp_path: Path) -> None:
    outbox = Outbox(tmp_path / "box", lambda: NOW, limit_bytes=100_000, synchronous="OFF")
    for _ in range(1000):
        outbox.append(build_for(outbox, "periodic", 2000))
        assert sum(outbox._sizes.values()) <= 100_000
    outbox.append(build_for(outbox, "key_off"))
    outbox.append(build_for(outbox, "key_off"))
    assert told(outbox) == set(range(1, 1003)) - kept(outbox)
    outbox.close()


def test_thirty_days_of_two_shifts_fit_under_the_default_limit(tmp_path: Path) -> None:
    """Common practice, no source: two shifts, 40 stops a day with the ignition off."""
    outbox = Outbox(tmp_path / "box", lambda: NOW, synchronous="OFF")
    times: dict[contract.Reason, int] = {
        "periodic": 16 * 4,
        "key_on": 40,
        "key_off": 40,
        "change": 20,
    }
    sizes: dict[contract.Reason, int] = {"key_on": 20_000, "periodic": 4000}
    day = [(reason, sizes.get(reason, 6000)) for reason, n in times.items() for _ in range(n)]
    for _ in range(30):
        outbox.append_many([build_for(outbox, reason, size) for reason, size in day])
    assert outbox.pending() == 30 * len(day)
    assert told(outbox) == set()
    outbox.close()


def test_the_reserve_is_on_disk_before_it_is_needed(tmp_path: Path) -> None:
    Outbox(tmp_path / "box", lambda: NOW).close()
    assert (tmp_path / "box.reserve").stat().st_blocks * 512 >= RESERVE_BYTES


def test_an_outbox_in_memory_leaves_no_file(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    outbox = Outbox(":memory:", lambda: NOW)
    assert outbox.append(build_for(outbox, "key_on")) == [1]
    outbox.close()
    assert list(tmp_path.iterdir()) == []


def _cut(path: Path) -> None:
    os.truncate(path, path.stat().st_size // 2)


def _scribble(path: Path) -> None:
    with path.open("r+b") as file:
        file.seek(4096)
        file.write(b"\xa5" * (path.stat().st_size - 4096))


def _forget_a_table(path: Path) -> None:
    db = sqlite3.connect(path)
    db.execute("DROP TABLE meta")
    db.commit()
    db.close()


@pytest.mark.parametrize(
    "harm, said",
    [
        pytest.param(_cut, "damaged", id="cut in half"),
        pytest.param(_scribble, "damaged", id="pages overwritten"),
        pytest.param(_forget_a_table, "damaged", id="a table is gone"),
        pytest.param(lambda path: path.write_bytes(b"x" * 8192), "not a database", id="no SQLite"),
    ],
)
def test_a_damaged_file_is_one_clear_error_and_is_left_as_it_is(
    tmp_path: Path, harm: Callable[[Path], None], said: str
) -> None:
    path = tmp_path / "box"
    outbox = Outbox(path, lambda: NOW)
    outbox.append_many([build_for(outbox, "change", 2000)] * 50)
    outbox.close()
    harm(path)
    before = path.read_bytes()
    with pytest.raises(NotAnOutbox, match=said) as caught:
        Outbox(path, lambda: NOW)
    assert str(path) in str(caught.value)
    assert "\n" not in str(caught.value)
    assert path.read_bytes() == before


def test_a_folder_in_the_place_of_the_file_is_one_clear_error(tmp_path: Path) -> None:
    (tmp_path / "box").mkdir()
    with pytest.raises(NotAnOutbox, match="expected a file that can be read and written"):
        Outbox(tmp_path / "box", lambda: NOW)


if __name__ == "__main__":
    print(json.dumps(fill_a_small_disk(Path(sys.argv[1]))))
