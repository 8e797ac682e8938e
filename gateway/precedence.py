"""Which report goes first: over the line when the vehicle is heard again, and off a full disk."""

from __future__ import annotations

from enum import IntEnum

from msgspec import UNSET

from gateway import contract


class Rank(IntEnum):
    """Stored with each report; a full disk drops from the lowest, and none from `KEPT` on."""

    PERIODIC = 0
    ASKED = 1
    KEPT = 2
    NEWS = 3


def rank(report: contract.Report) -> Rank:
    """The rank of a report. Events of lamp, codes, clears and cycles are never dropped.

    The agent gives a reading that shows such an event another reason than `periodic` or `ask`.
    """
    if report.reason == "change":
        return Rank.NEWS
    if report.driving_cycle is not UNSET:
        return Rank.KEPT
    if report.reason == "periodic":
        return Rank.PERIODIC
    return Rank.ASKED if report.reason == "ask" else Rank.KEPT
