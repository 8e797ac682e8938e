"""The outbox keeps every report until a receipt names it (wire contract, version 1)."""

from __future__ import annotations

import os
import signal
import sqlite3
import subprocess
import sys
from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path

import pytest
from msgspec import UNSET

from gateway import contract
from gateway.outbox import NotAnOutbox, Outbox, OutboxBusy, ReportTooLarge

NOW = datetime(2026, 11, 2, 14, 0, tzinfo=UTC)
JOURNAL = "6f1c2a7e-58b1-4e0d-9a43-0c6d5e2f7b10"
OTHER = "00000000-0000-4000-8000-000000000001"


def report(
    seq: int,
    dropped: list[list[int]] | None = None,
    reason: contract.Reason = "periodic",
    vin: str = "",
) -> contract.Report:
    return contract.Report(
        schema="report/1",
        gateway="gw-0001",
        journal=JOURNAL,
        journal_created_at=contract.format_time(NOW),
        seq=seq,
        boot_no=1,
        taken_at=contract.format_time(NOW),
        clock="synced",
        uptime_ms=1000,
        reason=reason,
        ecus={},
        vin=vin or UNSET,
        dropped=dropped or UNSET,
    )


def receipt(
    through: int,
    also: list[list[int]] | None = None,
    aside: list[str] | None = None,
    journal: str = JOURNAL,
) -> contract.Receipt:
    return contract.Receipt(
        schema="receipt/1",
        gateway="gw-0001",
        journal=journal,
        through=through,
        also=also or [],
        aside=[contract.SetAside(digest=one, reason="unreadable") for one in aside or []],
        at=contract.format_time(NOW),
    )


def opened(path: Path, limit: int = 10**6) -> Outbox:
    return Outbox(path, lambda: NOW, limit, journal=JOURNAL, created_at=NOW)


def fill(outbox: Outbox, count: int, reason: contract.Reason = "periodic") -> list[int]:
    return outbox.append_many(
        [lambda seq, dropped: [report(seq, dropped, reason)] for _ in range(count)]
    )


def seqs(outbox: Outbox, now_s: float = 0.0, limit: int = 100) -> list[int]:
    return [item.seq for item in outbox.due(now_s, limit)]


@pytest.fixture
def outbox(tmp_path: Path) -> Iterator[Outbox]:
    box = opened(tmp_path / "outbox.sqlite3")
    yield box
    box.close()


RECEIPTS = {
    "through trims up to and with it": (receipt(2), [3, 4, 5]),
    "nothing committed yet trims nothing": (receipt(0), [1, 2, 3, 4, 5]),
    "ranges above through": (receipt(1, [[3, 4]]), [2, 5]),
    "everything": (receipt(5), []),
    "of another journal": (receipt(5, journal=OTHER), [1, 2, 3, 4, 5]),
    "names a seq never allotted": (receipt(6), [1, 2, 3, 4, 5]),
    "range names a seq never allotted": (receipt(1, [[3, 6]]), [1, 2, 3, 4, 5]),
    "aside of an unknown body": (receipt(0, aside=["0" * 64]), [1, 2, 3, 4, 5]),
}


@pytest.mark.parametrize("given, left", RECEIPTS.values(), ids=RECEIPTS.keys())
def test_a_receipt_trims_what_it_names_and_nothing_else(
    outbox: Outbox, given: contract.Receipt, left: list[int]
) -> None:
    fill(outbox, 5)
    assert outbox.apply_receipt(given) == 5 - len(left)
    assert seqs(outbox) == left
    assert outbox.pending() == len(left)
    assert outbox.oldest_kept() == (left[0] if left else 6)


def test_a_payload_set_aside_by_its_digest_is_forgotten(outbox: Outbox) -> None:
    fill(outbox, 3)
    digest = outbox.due(0.0)[1].digest
    assert outbox.apply_receipt(receipt(0, aside=[digest])) == 1
    assert seqs(outbox) == [1, 3]


def test_publishing_alone_trims_nothing(outbox: Outbox) -> None:
    fill(outbox, 3)
    for item in outbox.due(0.0):
        outbox.published(item.seq, 0.0)
    assert outbox.pending() == 3


def test_a_report_is_due_again_after_60_s_doubling_to_15_min_byte_for_byte(
    outbox: Outbox,
) -> None:
    fill(outbox, 1)
    body = outbox.due(0.0)[0].body
    now_s = 0.0
    for wait_s in (60.0, 120.0, 240.0, 480.0, 900.0, 900.0):
        outbox.published(1, now_s)
        assert seqs(outbox, now_s + wait_s - 0.001) == []
        now_s += wait_s
        assert [item.body for item in outbox.due(now_s)] == [body]


def test_everything_is_due_at_once_when_the_broker_forgot_the_session(outbox: Outbox) -> None:
    fill(outbox, 3)
    for item in outbox.due(0.0):
        outbox.published(item.seq, 0.0)
    assert seqs(outbox, 1.0) == []
    outbox.forget_session()
    assert seqs(outbox, 1.0) == [1, 2, 3]


def test_due_gives_the_oldest_first_and_the_same_until_published(outbox: Outbox) -> None:
    fill(outbox, 5)
    assert seqs(outbox, limit=2) == seqs(outbox, limit=2) == [1, 2]
    outbox.published(1, 0.0)
    assert seqs(outbox, limit=2) == [2, 3]


def test_a_file_opened_again_keeps_journal_seq_and_bytes_and_counts_the_boot(
    tmp_path: Path,
) -> None:
    first = opened(tmp_path / "box")
    fill(first, 3)
    first.apply_receipt(receipt(2))
    bodies = [item.body for item in first.due(0.0)]
    first.close()
    again = Outbox(tmp_path / "box", lambda: datetime(2030, 1, 1, tzinfo=UTC))
    assert (again.journal, again.journal_created_at) == (JOURNAL, "2026-11-02T14:00:00.000Z")
    assert again.boot_no == 2
    assert [item.body for item in again.due(0.0)] == bodies
    assert fill(again, 1) == [4]
    again.apply_receipt(receipt(4))
    again.close()
    last = opened(tmp_path / "box")
    assert (fill(last, 1), last.oldest_kept()) == ([5], 5)
    last.close()


_APPEND_AND_DIE = """
import os, signal, sys
sys.path.insert(0, sys.argv[2])
from datetime import UTC, datetime
from gateway import contract
from gateway.outbox import Outbox
now = datetime(2026, 11, 2, 14, 0, tzinfo=UTC)
box = Outbox(sys.argv[1], lambda: now)
def build(seq, dropped):
    return [contract.Report(schema="report/1", gateway="gw-0001", journal=box.journal,
        journal_created_at=box.journal_created_at, seq=seq, boot_no=box.boot_no, taken_at=None,
        clock="unset", uptime_ms=1, reason="key_on", ecus={})]
for _ in range(7):
    box.append(build)
print(box.journal, flush=True)
os.kill(os.getpid(), signal.SIGKILL)
"""


def test_a_killed_process_loses_neither_reports_nor_its_place(tmp_path: Path) -> None:
    root = Path(__file__).parents[3]
    done = subprocess.run(
        [sys.executable, "-c", _APPEND_AND_DIE, str(tmp_path / "box"), str(root)],
        capture_output=True,
        text=True,
        check=False,
        env={**os.environ},
    )
    assert done.returncode == -signal.SIGKILL, done.stderr
    box = Outbox(tmp_path / "box", lambda: NOW)
    assert box.journal == done.stdout.strip()
    assert (box.boot_no, seqs(box)) == (2, [1, 2, 3, 4, 5, 6, 7])
    box.close()


def test_a_failed_transaction_uses_no_seq_and_stores_nothing(outbox: Outbox) -> None:
    def broken(seq: int, dropped: list[list[int]]) -> list[contract.Report]:
        raise RuntimeError("no reading")

    def good(seq: int, dropped: list[list[int]]) -> list[contract.Report]:
        return [report(seq)]

    with pytest.raises(RuntimeError):
        outbox.append_many([good, broken])
    assert outbox.pending() == 0
    assert outbox.append(good) == [1]


@pytest.mark.parametrize("extra, fits", [(0, True), (1, False)], ids=["at the limit", "one above"])
def test_a_report_above_32_kib_never_enters(outbox: Outbox, extra: int, fits: bool) -> None:
    padding = contract.MAX_BODY - len(contract.encode(report(1, vin="x"))) + 1 + extra

    def build(seq: int, dropped: list[list[int]]) -> list[contract.Report]:
        return [report(seq, vin="x" * padding)]

    if fits:
        assert outbox.append(build) == [1]
    else:
        with pytest.raises(ReportTooLarge, match="32769 bytes"):
            outbox.append(build)
        assert outbox.pending() == 0


def test_a_report_under_another_key_is_refused(outbox: Outbox) -> None:
    with pytest.raises(ValueError, match="key"):
        outbox.append(lambda seq, _: [report(seq + 1)])


def test_a_second_process_may_not_open_the_same_journal(outbox: Outbox, tmp_path: Path) -> None:
    with pytest.raises(OutboxBusy, match="another gateway"):
        opened(tmp_path / "outbox.sqlite3")


def test_a_file_that_is_not_ours_is_refused_and_left_alone(tmp_path: Path) -> None:
    text, foreign = tmp_path / "text", tmp_path / "foreign"
    text.write_text("a letter to the depot, nothing to do with readings\n" * 40)
    db = sqlite3.connect(foreign)
    db.execute("CREATE TABLE letters (body TEXT)")
    db.commit()
    db.close()
    for path in (text, foreign):
        before = path.read_bytes()
        with pytest.raises(NotAnOutbox, match="expected an outbox file"):
            opened(path)
        assert path.read_bytes() == before
