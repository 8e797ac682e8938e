"""Lanes: the shares in which ingest takes the reports, each with a broker session of its own.

A lane has every shard whose number leaves its own when divided by the number of lanes. How many
there are stands in the database; a lane names itself as `K-of-N`, so that a start with a number
from another time is seen.
"""

from __future__ import annotations

import re
from dataclasses import dataclass

from gateway import contract
from ingest.config import ConfigError

NUMBERS = (1, 2, 4, 8, 16, 32, 64)
"""How many lanes there can be: whole shares of the contract's 64 shards."""
_KINDS: tuple[contract.Kind, ...] = ("report", "presence")


@dataclass(frozen=True, slots=True)
class Lane:
    """Lane `number` (from 0) of `lanes`."""

    number: int = 0
    lanes: int = 1

    def __str__(self) -> str:
        return f"{self.number}-of-{self.lanes}"

    @property
    def client_name(self) -> str:
        """The MQTT client id of the lane's session."""
        return f"fleet-ingest-{self}"

    def filters(self) -> list[str]:
        """The subscriptions of the lane's session."""
        return [one for kind in _KINDS for one in contract.filters(kind, self.number, self.lanes)]

    def has(self, shard: int) -> bool:
        """Whether a shard (0-63) is this lane's."""
        return shard % self.lanes == self.number


ONE_LANE = Lane()
"""All shards in one share, as it is unless somebody changes it."""


def all_lanes(lanes: int) -> list[Lane]:
    """Every lane of a number of lanes."""
    return [Lane(number, lanes) for number in range(lanes)]


def parse_lane(text: str) -> Lane:
    """Read `K-of-N`, or raise `ConfigError`."""
    match = re.fullmatch(r"(\d{1,2})-of-(\d{1,2})", text)
    if match is not None:
        lane = Lane(int(match[1]), int(match[2]))
        if lane.lanes in NUMBERS and lane.number < lane.lanes:
            return lane
    raise ConfigError(f"--lane: {text!r}, expected K-of-N with K from 0 and N one of {NUMBERS}")
