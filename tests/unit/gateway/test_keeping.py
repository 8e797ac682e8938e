"""Events wait for room on the disk; ordinary readings do not."""

from __future__ import annotations

from collections.abc import Sequence

import pytest

from gateway import contract
from gateway.keeping import MOST_HELD, Keeper
from gateway.outbox import Build, OutboxFull


class SmallDisk:
    """Stores while `room` is left."""

    def __init__(self, room: int) -> None:
        self.room = room
        self.stored: list[Build] = []

    def append(self, build: Build) -> list[int]:
        """Store one build."""
        if self.room <= 0:
            raise OutboxFull("no room")
        self.room -= 1
        self.stored.append(build)
        return [len(self.stored)]


def build_of(_name: int) -> Build:
    def build(_seq: int, _dropped: list[list[int]]) -> Sequence[contract.Report]:
        return []

    return build


def test_an_event_waits_and_is_stored_before_the_next_one() -> None:
    disk = SmallDisk(0)
    keeper = Keeper(disk)
    first, second = build_of(1), build_of(2)

    assert keeper.keep(first, "change") == []
    assert keeper.held == 1
    disk.room = 2
    assert keeper.keep(second, "key_off") == [2]

    assert disk.stored == [first, second]
    assert keeper.held == 0


@pytest.mark.parametrize("reason", ["periodic", "ask"])
def test_an_ordinary_reading_is_let_go(reason: contract.Reason) -> None:
    keeper = Keeper(SmallDisk(0))

    assert keeper.keep(build_of(1), reason) == []
    assert keeper.held == 0


def test_order_is_kept_while_only_some_fit() -> None:
    disk = SmallDisk(0)
    keeper = Keeper(disk)
    builds = [build_of(number) for number in range(4)]
    for one in builds:
        keeper.keep(one, "change")

    disk.room = 2
    with pytest.raises(OutboxFull):
        keeper.retry()
    disk.room = 2
    keeper.retry()

    assert disk.stored == builds


@pytest.mark.parametrize(
    ("count", "held"),
    [(MOST_HELD - 1, MOST_HELD - 1), (MOST_HELD, MOST_HELD), (MOST_HELD + 1, MOST_HELD)],
    ids=["just-below", "at-the-limit", "just-above"],
)
def test_what_is_held_is_bounded(count: int, held: int) -> None:
    keeper = Keeper(SmallDisk(0))
    for number in range(count):
        keeper.keep(build_of(number), "change")

    assert keeper.held == held
