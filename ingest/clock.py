"""Where ingest's shells get the time: the rules themselves always take it as an argument."""

from __future__ import annotations

from datetime import UTC, datetime
from typing import Protocol


class Clock(Protocol):
    """Anything that can say what time it is, in UTC."""

    def now(self) -> datetime:
        """Return the present moment as an aware UTC datetime."""
        ...


class SystemClock:
    """The machine's own clock."""

    def now(self) -> datetime:
        """Return the machine's time in UTC."""
        return datetime.now(UTC)
