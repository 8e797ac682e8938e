"""Where the agent gets its time from, and how far the wall clock can be trusted."""

from __future__ import annotations

import time
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Protocol

from gateway.sampling import Moment

LARGEST_STEP_S = 60.0
"""How far a synchronised clock may move against uptime between two looks (engineering choice)."""
LARGEST_OFFSET_MS = 60_000
"""A receipt this near to our clock says that it is right (engineering choice)."""
_SET_SINCE = datetime(2024, 1, 1, tzinfo=UTC)
_SYNCED_MARK = Path("/run/systemd/timesync/synchronized")


class Clock(Protocol):
    """Where the agent gets its time from."""

    def moment(self) -> Moment:
        """The wall clock, how far to trust it, and the uptime."""

    def seconds(self) -> float:
        """Monotonic seconds that count sleep."""


class SystemClock:
    """The clock of the machine. A wall clock before 2024 has never been set."""

    def now(self) -> datetime | None:
        """The wall clock in UTC, None while it is unset."""
        now = datetime.now(UTC)
        return now if now >= _SET_SINCE else None

    def moment(self) -> Moment:
        """See `Clock`."""
        now = self.now()
        uptime_ms = int(self.seconds() * 1000)
        if now is None:
            return Moment(None, "unset", uptime_ms)
        return Moment(now, "synced" if _SYNCED_MARK.exists() else "held", uptime_ms)

    def seconds(self) -> float:
        """See `Clock`."""
        return time.clock_gettime(time.CLOCK_BOOTTIME)


@dataclass(slots=True)
class ClockWatch:
    """Flags a synchronised clock that jumps: it counts as `held` until a receipt confirms it.

    A clock that was unset or held and is then synchronised may move as far as it likes.
    """

    _last: Moment | None = None
    _doubted: bool = False
    _old_offset_ms: int | None = None

    def judge(self, moment: Moment, offset_ms: int | None = None) -> Moment:
        """Return the moment with the clock to be believed; `offset_ms` is the last receipt's.

        An offset measured before the jump confirms nothing.
        """
        last, self._last = self._last, moment
        if moment.taken_at is None or moment.clock != "synced":
            self._doubted = False
            return Moment(moment.taken_at, moment.clock, moment.uptime_ms, offset_ms)
        new = offset_ms is not None and offset_ms != self._old_offset_ms
        if self._doubted and new and abs(offset_ms or 0) <= LARGEST_OFFSET_MS:
            self._doubted = False
        if last is not None and last.taken_at is not None and last.clock == "synced":
            ran_s = (moment.uptime_ms - last.uptime_ms) / 1000
            moved_s = (moment.taken_at - last.taken_at).total_seconds()
            if abs(moved_s - ran_s) > LARGEST_STEP_S:
                self._doubted, self._old_offset_ms = True, offset_ms
        clock = "held" if self._doubted else moment.clock
        return Moment(moment.taken_at, clock, moment.uptime_ms, offset_ms)
