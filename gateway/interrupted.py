"""A driving cycle under way, as it is kept in the outbox: a restart or a cut supply loses none.

It is kept once a minute. A gateway that is back within `GOES_ON_S` of the vehicle's last word goes
on with it, and the time between counts as not observed; else the cycle is reported as it stood.
"""

from __future__ import annotations

import logging
from datetime import datetime, timedelta

import msgspec

from gateway import contract
from gateway.driving_cycle import CycleTotals, moved
from gateway.facts import Monitor

KEEP_EVERY_S = 60.0
"""How often it is kept: what a cut supply may cost of a cycle's end (engineering choice)."""
GOES_ON_S = 120.0
"""How long after the last word the same cycle may go on: a restart takes some seconds; a stop at
a pump, with the ignition off and on again, takes longer (engineering choice)."""

log = logging.getLogger(__name__)


class Interrupted(msgspec.Struct, frozen=True, kw_only=True):
    """A cycle as it stood when the vehicle was last heard: `heard_at` by the wall clock, which is
    `heard_s` of a monotonic clock that may be gone. `start` and `counted` are of its beginning.
    """

    heard_at: datetime
    heard_s: float
    totals: CycleTotals
    soak_s: float | None
    start: dict[str, contract.EcuReading]
    monitors_completed: list[Monitor] | None
    counted: dict[str, int]
    counted_last: dict[str, int]

    def gap_s(self, now: datetime | None) -> float | None:
        """Seconds since the last word, None where this cycle cannot go on any more."""
        gap_s = -1.0 if now is None else (now - self.heard_at).total_seconds()
        return gap_s if 0 <= gap_s <= GOES_ON_S else None

    def resumed(self, now_s: float, gap_s: float) -> CycleTotals:
        """Its sums, on the monotonic clock of today."""
        return self.totals.shifted(now_s - gap_s - self.heard_s)

    def summary(self) -> contract.DrivingCycle:
        """The cycle, ended when the vehicle was last heard."""
        return self.totals.finish(
            self.heard_s,
            self.heard_at,
            self.soak_s,
            monitors_completed=self.monitors_completed,
            denominator_moved=moved(self.counted, self.counted_last),
        )


def heard_at(now: datetime, silent_s: float) -> datetime:
    """When the last word came."""
    return now - timedelta(seconds=silent_s)


def written(cycle: Interrupted) -> str:
    """The text to keep."""
    return msgspec.json.encode(cycle).decode()


def read(text: str) -> Interrupted | None:
    """What was kept; None for nothing, or for what another version of the gateway wrote."""
    if not text:
        return None
    try:
        return msgspec.json.decode(text, type=Interrupted)
    except msgspec.MsgspecError as error:
        log.warning("a driving cycle that was interrupted cannot be read: %s", error)
        return None
