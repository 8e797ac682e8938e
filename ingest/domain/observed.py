"""When a reading was taken, from facts in reports only (no clock of ours is asked).

A gateway whose clock is unset, held or not sane is placed by its uptime against the last good
moment of the same boot (modelling choice of this project).
"""

from __future__ import annotations

import msgspec
from msgspec import UNSET

from gateway import contract
from gateway.contract import epoch_ms

SANE_FROM_MS = 1_577_836_800_000
"""2020-01-01: an older time can only be a clock that was never set (modelling choice)."""
SANE_UNTIL_MS = 4_102_444_800_000
"""2100-01-01: no moment is placed later, however wrong a clock or an uptime is (a choice; X)."""
DAY_MS = 86_400_000
"""How far before its journal a reading may seem to lie before its clock is not believed."""


class Anchor(msgspec.Struct, gc=False, kw_only=True, omit_defaults=True):
    """The last moment placed: epoch ms, the boot it belongs to and the uptime then."""

    journal: str
    boot_no: int
    at: int
    uptime_ms: int
    synced: bool = False


def sane_ms(text: str) -> int:
    """The same, within the sane years: a calendar of any zone has a day for it."""
    return _sane(epoch_ms(text))


def _sane(moment: int) -> int:
    return min(max(moment, SANE_FROM_MS), SANE_UNTIL_MS)


def wakes_at(message: contract.Presence, heard: int) -> int | None:
    """When a gateway that was heard (epoch ms) going to sleep wakes; None if it does not sleep.

    Its own word; where its clock is a day or more wrong, how long it means to sleep; and where
    neither can be, the longest sleep there is.
    """
    if message.wake_by is UNSET:
        return None
    wakes = epoch_ms(message.wake_by)
    wrong = 0 if message.at is None else epoch_ms(message.at) - heard
    if abs(wrong) >= DAY_MS:
        wakes -= wrong
    longest = heard + contract.MAX_SLEEP_S * 1000
    return wakes if heard - DAY_MS <= wakes <= longest else longest


def observe(anchor: Anchor | None, report: contract.Report) -> int:
    """Place a report in time: a good clock, else the uptime of the boot, else the last moment.

    Always within the sane years, so that no report can put a moment where no calendar goes.
    """
    return _sane(_observe(anchor, report))


def _observe(anchor: Anchor | None, report: contract.Report) -> int:
    taken = epoch_ms(report.taken_at) if report.taken_at is not None else None
    begun = epoch_ms(report.journal_created_at) - DAY_MS
    usable = taken is not None and max(SANE_FROM_MS, begun) <= taken < SANE_UNTIL_MS
    same_boot = (
        anchor is not None
        and anchor.boot_no == report.boot_no
        and anchor.journal == report.journal
        and report.uptime_ms >= anchor.uptime_ms
    )
    if taken is not None and usable:
        drifted = report.clock == "held" and same_boot and anchor is not None and anchor.synced
        if not drifted:
            return taken
    if anchor is None:
        return begun + DAY_MS
    return anchor.at + (report.uptime_ms - anchor.uptime_ms if same_boot else 0)


def moved(anchor: Anchor | None, report: contract.Report, at: int) -> Anchor:
    """The anchor after a report; within a boot a synced clock keeps its standing."""
    kept = (
        anchor is not None
        and anchor.synced
        and anchor.boot_no == report.boot_no
        and anchor.journal == report.journal
    )
    return Anchor(
        journal=report.journal,
        boot_no=report.boot_no,
        at=at,
        uptime_ms=report.uptime_ms,
        synced=kept or report.clock == "synced",
    )
