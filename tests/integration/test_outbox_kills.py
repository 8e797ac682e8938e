"""SIGKILL at random moments of a process that appends and publishes: the journal's promises hold.

Wire contract, version 1: the key (gateway, journal, seq) names one body for ever; a report leaves
the outbox by a receipt only, or as a declared range; events are never dropped. SIGKILL leaves
what the system already took (POSIX.1-2017, kill): a power cut is not what is tried here.

Long form: 1,000 kills in batches with outboxes of their own, resumed where the file of results
stops. `python -m pytest -m long tests/integration/test_outbox_kills.py`
"""

from __future__ import annotations

import json
import os
import random
import selectors
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import suppress
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path

import msgspec
import pytest
from msgspec import UNSET

from gateway import contract
from gateway.outbox import Build, Outbox

NOW = datetime(2026, 11, 2, 14, 0, tzinfo=UTC)
ROOT = Path(__file__).parents[2]
RESULTS = ROOT / "tests" / "bench" / "results" / "outbox-kills.json"
LIMIT = 10_000  # small: dropping happens between the kills too
SHORT, LONG, BATCH = 40, 1000, 50
PATIENCE_S = 60.0


# -- the process that is killed -------------------------------------------------------------------


def child(path: Path, run: int, drain: bool) -> None:
    """Append, publish on stdout, take receipts from stdin; `drain`: until nothing waits."""
    os.set_blocking(0, False)
    outbox = Outbox(path, lambda: NOW, LIMIT)
    dice, made, now_s, buffer, quiet = random.Random(run), 0, 0.0, b"", 0
    say("open", outbox.journal, outbox.boot_no)
    while True:
        now_s += 25.0  # a minute passes in a few turns: much is sent again
        for line in buffer.splitlines() if buffer.endswith(b"\n") else []:
            outbox.apply_receipt(contract.decode_receipt(line))
        buffer = (b"" if buffer.endswith(b"\n") else buffer) + (_read() or b"")
        if drain and made and outbox.pending() == 0 and outbox.oldest_kept() == outbox._next:
            say("empty", outbox._next, 0)
            return
        quiet = quiet - 1 if quiet else 40 * (dice.random() < 0.05)
        if quiet and not drain:
            time.sleep(0.001)  # parked: receipts catch up, and the outbox may run empty
        elif not drain or outbox.pending() == 0:  # the last ones declare what was dropped
            made += _append(outbox, dice, run, made, drain)
        for item in outbox.due(now_s, 20):
            say("sent", item.seq, item.body.decode())
            outbox.published(item.seq, now_s)


def _read() -> bytes | None:
    try:
        return os.read(0, 1 << 16)
    except BlockingIOError:
        return None


def _append(outbox: Outbox, dice: random.Random, run: int, made: int, drain: bool) -> int:
    """Store the readings of one to three moments; say so once they are stored."""
    names: list[tuple[str, contract.Reason]] = []
    for number in range(made, made + dice.randint(1, 3)):
        event = drain or dice.random() < 0.1
        names.append((f"{run}.{number}", "change" if event else "periodic"))

    def build(at: int) -> Build:
        name, reason = names[at]
        return lambda seq, dropped: [
            contract.Report(
                schema="report/1",
                gateway="gw-0001",
                journal=outbox.journal,
                journal_created_at=outbox.journal_created_at,
                seq=seq,
                boot_no=outbox.boot_no,
                taken_at=contract.format_time(NOW),
                clock="synced",
                uptime_ms=0,
                reason=reason,
                ecus={},
                ask_id=name,
                dropped=dropped or UNSET,
            )
        ]

    seqs = outbox.append_many([build(at) for at in range(len(names))])
    for seq, (name, reason) in zip(seqs, names, strict=True):
        say("stored", seq, f"{name} {reason}")
    return len(names)


def say(*words: object) -> None:
    """One line in one write: a kill leaves it whole or, at the end, cut."""
    os.write(1, (" ".join(map(str, words)) + "\n").encode())


# -- the scripted peer ----------------------------------------------------------------------------


@dataclass
class Peer:
    """Stands for broker and ingest: loses some, receipts the rest, notes every broken promise."""

    dice: random.Random
    journal: str = ""
    bodies: dict[int, str] = field(default_factory=dict)  # every body ever published, by seq
    names: dict[str, int] = field(default_factory=dict)  # every reading ever published
    arrived: set[int] = field(default_factory=set)  # what was not lost on the way
    declared: set[int] = field(default_factory=set)
    stored: dict[int, str] = field(default_factory=dict)  # what the child says is on disk
    events: set[int] = field(default_factory=set)
    highest: int = 0
    boots: list[int] = field(default_factory=list)
    faults: list[str] = field(default_factory=list)
    emptied: bool = False
    out_of_reach: bool = False

    def hear(self, line: str) -> None:
        word, first, rest = line.split(" ", 2)
        if word == "open":
            self._opened(first, int(rest))
        elif word == "stored":
            self._noted(int(first), *rest.split(" "))
        elif word == "sent":
            self._published(int(first), rest)
        else:
            self.emptied = True

    def _opened(self, journal: str, boot: int) -> None:
        if self.journal not in ("", journal):
            self.faults.append(f"another journal at boot {boot}")
        if self.boots and boot <= self.boots[-1]:
            self.faults.append(f"boot {boot} after {self.boots[-1]}")
        self.journal = journal
        self.boots.append(boot)

    def _noted(self, seq: int, name: str, reason: str) -> None:
        if seq in self.stored or (seq <= self.highest and self.names.get(name) != seq):
            self.faults.append(f"seq {seq} allotted again")
        self.stored[seq] = name
        self.highest = max(self.highest, seq)
        if reason == "change":
            self.events.add(seq)

    def _published(self, seq: int, body: str) -> None:
        report = contract.decode_report(body.encode())
        name = str(report.ask_id)
        if self.bodies.setdefault(seq, body) != body or report.seq != seq:
            self.faults.append(f"seq {seq} published with two bodies")
        if self.names.setdefault(name, seq) != seq:
            self.faults.append(f"reading {name} published as {self.names[name]} and {seq}")
        self.highest = max(self.highest, seq)
        if self.dice.random() < 0.004:
            self.out_of_reach = not self.out_of_reach
        if self.out_of_reach or self.dice.random() < 0.2:
            return  # lost on the way
        self.arrived.add(seq)
        for first, last in [] if report.dropped is UNSET else report.dropped:
            self.declared |= set(range(first, last + 1))

    def receipt(self) -> bytes:
        done = sorted(self.arrived | self.declared)
        spans: list[list[int]] = []
        for seq in done:
            if spans and seq == spans[-1][1] + 1:
                spans[-1][1] = seq
            else:
                spans.append([seq, seq])
        through = spans.pop(0)[1] if spans and spans[0][0] == 1 else 0
        return (
            contract.encode(
                contract.Receipt(
                    schema="receipt/1",
                    gateway="gw-0001",
                    journal=self.journal,
                    through=through,
                    also=spans[:256],
                    aside=[],
                    at=contract.format_time(NOW),
                )
            )
            + b"\n"
        )

    def lost(self) -> list[int]:
        """Readings that the child had stored and that neither came nor were declared."""
        return sorted(set(self.stored) - self.arrived - self.declared)

    def lost_events(self) -> list[int]:
        return sorted(self.events - self.arrived)


def lines_of(process: subprocess.Popen[bytes], until: float) -> Iterator[str]:
    """Whole lines as they come, "" when nothing came for 2 ms, until the end or `until`."""
    assert process.stdout is not None
    buffer, seen = b"", selectors.DefaultSelector()
    seen.register(process.stdout, selectors.EVENT_READ)
    while time.monotonic() < until:
        if not seen.select(0.002):
            yield ""
            continue
        piece = os.read(process.stdout.fileno(), 1 << 16)
        if not piece:
            break
        *whole, buffer = (buffer + piece).split(b"\n")
        yield from (line.decode() for line in whole)
    seen.close()


def one_life(peer: Peer, path: Path, run: int, moment_s: float | None) -> None:
    """Start the process; kill it after `moment_s` of work, or with None let it drain."""
    drain = moment_s is None
    command = [sys.executable, __file__, str(path), str(run), "drain" if drain else "run"]
    environment = {**os.environ, "PYTHONPATH": str(ROOT)}
    process = subprocess.Popen(
        command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, env=environment, bufsize=0
    )
    assert process.stdin is not None
    assert process.stdout is not None
    os.set_blocking(process.stdin.fileno(), False)
    dead, kill_at = False, time.monotonic() + PATIENCE_S
    if moment_s is not None and run % 4 == 0:  # these moments fall before and into the opening
        kill_at = time.monotonic() + 2 * moment_s
    for line in lines_of(process, time.monotonic() + PATIENCE_S):
        if line:
            peer.hear(line)
        if moment_s is not None and run % 4 and line.startswith("open"):
            kill_at = time.monotonic() + moment_s
        if not dead and time.monotonic() >= kill_at:
            process.send_signal(signal.SIGKILL)
            dead = True
        often = 0.02 if line else 0.3
        if peer.journal and not (dead or peer.out_of_reach) and peer.dice.random() < often:
            # A receipt may be lost as well: the next one says it again.
            with suppress(BlockingIOError, BrokenPipeError):
                process.stdin.write(peer.receipt())
    if process.poll() is None and not drain:
        process.kill()
    code = process.wait(PATIENCE_S)
    if code not in (0, -signal.SIGKILL) or (code == 0) is not peer.emptied:
        peer.faults.append(f"process {run} ended with {code}")
    process.stdin.close()
    process.stdout.close()


def batch(path: Path, kills: int, seed: int) -> Peer:
    """Kill `kills` times, then let the last process drain; return what the peer saw."""
    dice = random.Random(seed)
    peer = Peer(dice)
    for run in range(kills):
        one_life(peer, path, seed * 10_000 + run, dice.uniform(0.0, 0.15))
    peer.out_of_reach = False
    one_life(peer, path, seed * 10_000 + kills, None)
    return peer


def verdict(peer: Peer) -> dict[str, object]:
    return {
        "broken promises": peer.faults,
        "lost": peer.lost(),
        "events lost": peer.lost_events(),
        "emptied": peer.emptied,
    }


GOOD = {"broken promises": [], "lost": [], "events lost": [], "emptied": True}


def test_after_40_kills_nothing_is_lost_and_nothing_has_two_keys(tmp_path: Path) -> None:
    peer = batch(tmp_path / "box", SHORT, seed=1)
    assert verdict(peer) == GOOD
    assert len(peer.stored) > 200
    assert peer.declared
    assert peer.boots[-1] <= SHORT + 1


@pytest.mark.long
def test_after_1000_kills_nothing_is_lost_and_nothing_has_two_keys(tmp_path: Path) -> None:
    RESULTS.parent.mkdir(parents=True, exist_ok=True)
    done = json.loads(RESULTS.read_text()) if RESULTS.exists() else {"kills": 0, "readings": 0}
    while done["kills"] < LONG:
        seed = 100 + done["kills"] // BATCH
        peer = batch(tmp_path / f"box-{seed}", BATCH, seed)
        assert verdict(peer) == GOOD, f"seed {seed}"
        kills = done["kills"] + BATCH
        done = {
            "kills": kills,
            "readings": done["readings"] + len(peer.stored),
            "failures": 0,
            "upper_bound_95": 3 / kills,
            "bound": "no failure in n trials: at most 3/n at 95 % (the rule of three)",
        }
        RESULTS.write_bytes(msgspec.json.format(json.dumps(done).encode(), indent=1) + b"\n")


if __name__ == "__main__":
    child(Path(sys.argv[1]), int(sys.argv[2]), sys.argv[3] == "drain")
