"""One message as it came off the wire."""

from __future__ import annotations

from datetime import datetime

import msgspec


class Arrival(msgspec.Struct, gc=False, frozen=True):
    """One message as it came: `received_at` is aware; `retained` is the broker's flag."""

    topic: str
    body: bytes
    received_at: datetime
    retained: bool = False
