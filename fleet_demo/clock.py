"""The demo's clock: set day by day while the past is written, then the machine's own."""

from __future__ import annotations

from datetime import UTC, datetime


class DemoClock:
    """A `Clock` of ingest that can be set; `live()` hands over to the machine's time.

    The live phase runs at wall-clock speed from the moment the past ended, so that a demo
    anchored at another date (`--end`) stays one continuous history.
    """

    def __init__(self, start: datetime) -> None:
        self._set = start
        self._live_from: datetime | None = None

    def now(self) -> datetime:
        """Return the demo's present moment, in UTC."""
        if self._live_from is None:
            return self._set
        return self._set + (datetime.now(UTC) - self._live_from)

    def set(self, moment: datetime) -> None:
        """Move the clock while the past is written."""
        self._set = moment

    def live(self) -> None:
        """From now on the clock runs at wall-clock speed."""
        self._live_from = datetime.now(UTC)
