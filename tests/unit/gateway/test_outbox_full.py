"""A full outbox drops periodic readings first, never events, and declares what went."""

from __future__ import annotations

from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path

import pytest
from msgspec import UNSET

from gateway import contract
from gateway.outbox import Outbox

NOW = datetime(2026, 11, 2, 14, 0, tzinfo=UTC)
Box = Callable[[int], Outbox]
SIZE = 360


@pytest.fixture
def box(tmp_path: Path) -> Box:
    return lambda reports: Outbox(tmp_path / "box", lambda: NOW, reports * SIZE)


def add(outbox: Outbox, reason: contract.Reason) -> contract.Report:
    """Append one report of exactly SIZE bytes where nothing is declared; return it."""
    made: list[contract.Report] = []

    def build(seq: int, dropped: list[list[int]]) -> list[contract.Report]:
        base = contract.Report(
            schema="report/1",
            gateway="gw-0001",
            journal=outbox.journal,
            journal_created_at=outbox.journal_created_at,
            seq=seq,
            boot_no=1,
            taken_at=contract.format_time(NOW),
            clock="synced",
            uptime_ms=1000,
            reason=reason,
            ecus={},
            dropped=dropped or UNSET,
        )
        made.append(base)
        return made

    outbox.append(build)
    return made[0]


def kept(outbox: Outbox) -> list[int]:
    return [item.seq for item in outbox.due(0.0, 1000)]


def receipt(
    outbox: Outbox, through: int, aside: str | None = None, also: list[list[int]] | None = None
) -> contract.Receipt:
    return contract.Receipt(
        schema="receipt/1",
        gateway="gw-0001",
        journal=outbox.journal,
        through=through,
        also=also or [],
        aside=[] if aside is None else [contract.SetAside(digest=aside, reason="unreadable")],
        at=contract.format_time(NOW),
    )


def test_periodic_readings_go_first_then_asked_ones_and_events_never(box: Box) -> None:
    outbox = box(3)
    reasons: list[contract.Reason] = ["change", "periodic", "ask", "key_off", "key_on", "change"]
    for reason in reasons:
        add(outbox, reason)
    left = kept(outbox)
    assert {1, 4, 5, 6} <= set(left)
    assert 2 not in left
    for _ in range(20):
        add(outbox, "change")
    assert kept(outbox) == [1, 4, 5, 6, *range(7, 27)]
    outbox.close()


def test_dropped_ranges_are_joined_and_declared_in_the_next_report(box: Box) -> None:
    outbox = box(3)
    quiet: list[contract.Reason] = ["periodic"]
    loud: list[contract.Reason] = ["change"]
    reasons = quiet * 12 + loud * 5
    declared = [add(outbox, reason).dropped for reason in reasons]
    spans = [span for one in declared if one is not UNSET for span in one]
    gone = {seq for first, last in spans for seq in range(first, last + 1)}
    assert gone
    assert gone.isdisjoint(kept(outbox))
    assert gone | set(kept(outbox)) >= set(range(1, 13))
    outbox.close()


def test_a_declaration_set_aside_unread_is_made_again(box: Box) -> None:
    outbox = box(2)
    for _ in range(3):
        add(outbox, "periodic")
    telling = add(outbox, "change")
    assert telling.dropped is not UNSET
    digest = contract.digest(contract.encode(telling))
    assert outbox.apply_receipt(receipt(outbox, 0, digest)) == 1
    again = add(outbox, "change")
    assert again.dropped is not UNSET
    assert all(span in again.dropped for span in telling.dropped)
    outbox.close()


def test_the_oldest_kept_waits_for_the_declaration_to_be_receipted(box: Box) -> None:
    outbox = box(2)
    for _ in range(3):
        add(outbox, "periodic")
    telling = add(outbox, "change")
    assert outbox.oldest_kept() == 1
    # The fourth report told of seq 1 and pushed out seq 2, which is told of next.
    assert telling.dropped == [[1, 1]]
    outbox.apply_receipt(receipt(outbox, 1, also=[[3, 4]]))
    assert (outbox.pending(), outbox.oldest_kept()) == (0, 2)
    assert add(outbox, "change").dropped == [[2, 2]]
    outbox.apply_receipt(receipt(outbox, 5))
    assert outbox.oldest_kept() == 6
    assert add(outbox, "periodic").dropped is UNSET
    outbox.close()


def test_what_was_dropped_is_still_declared_after_a_restart(box: Box) -> None:
    outbox = box(2)
    for _ in range(3):
        add(outbox, "periodic")
    outbox.close()
    again = box(2)
    assert add(again, "periodic").dropped is not UNSET
    again.close()
