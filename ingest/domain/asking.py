"""When a gateway is asked for a full reading: only where the ordinary ones leave something open.

A report that is still coming (missing, and not below what the gateway keeps) is no reason: it will
come. Times in epoch milliseconds.
"""

from __future__ import annotations

from dataclasses import dataclass

FULL_EVERY_MS = 600_000
"""A full reading is asked for at most this often: it keeps the bus and the line busy (a choice of
this project)."""
AWAKE = frozenset({"key_on", "periodic", "change"})
"""A vehicle that has just reported for one of these answers; a parked one would decline."""


@dataclass(frozen=True, slots=True)
class Heard:
    """What is known of one journal: the reason of its newest report, when its last full report of
    this vehicle came, and when reports of it were last found to be lost."""

    newest_reason: str
    last_full_at: int | None
    lost_at: int | None


def why_full(heard: Heard) -> str | None:
    """Why a full reading is wanted now, None where it is not."""
    if heard.newest_reason not in AWAKE:
        return None
    if heard.last_full_at is None:
        return "no full reading of this vehicle by this gateway yet"
    if heard.lost_at is not None and heard.lost_at > heard.last_full_at:
        return "readings were lost since the last full one"
    return None


def full_again_at(last_asked_at: int | None) -> int:
    """The moment from which a full reading may be asked for."""
    return 0 if last_asked_at is None else last_asked_at + FULL_EVERY_MS
