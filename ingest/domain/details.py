"""What a technician reads besides lamp, codes and monitors, taken from a reading into the picture.

A reading says each of these only when it asked for it; what it does not say stays as it was.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from msgspec import UNSET

from gateway import contract
from gateway.facts import Monitor
from ingest.domain.observed import sane_ms
from ingest.domain.picture import EcuPicture, Picture

ANOTHER_TESTER = "another_tester"
CLOCK_BEHIND_MS = 60_000
"""A gateway's clock is told to be wrong from here on; less is the way of a receipt (a choice)."""


def take_ecu_details(
    ecu: EcuPicture, reading: contract.EcuReading, at: int, cleared_at: int | None
) -> None:
    """Keep what one ECU says of freeze frames, test results, in-use counters, calibrations, type.

    Test results are kept by monitor id and test id; those from before a clear go when new ones
    come. All times are epoch ms.
    """
    if reading.freeze_frames is not UNSET:
        ecu.freeze_frames, ecu.freeze_frames_at = list(reading.freeze_frames), at
    if reading.test_results is not UNSET:
        read_at = ecu.test_results_at
        old = read_at is None or (cleared_at is not None and read_at < cleared_at)
        known = [] if old else ecu.test_results or []
        ecu.test_results, ecu.test_results_at = merged(known, reading.test_results), at
    if reading.in_use_counters is not UNSET:
        ecu.in_use_counters = dict(reading.in_use_counters)
    if reading.obd_type is not UNSET:
        ecu.obd_type = reading.obd_type
    if reading.calibrations is not UNSET:
        ecu.calibrations = list(reading.calibrations)


def supported_before(ecu: EcuPicture, now: Mapping[Monitor, bool]) -> list[Monitor] | None:
    """The monitors an ECU supported at first, if it now reports others; else None."""
    if ecu.monitors is None:
        return None
    before = ecu.monitors.keys() if ecu.supported_before is None else set(ecu.supported_before)
    return None if before == now.keys() else [monitor for monitor in Monitor if monitor in before]


def merged(
    known: Sequence[contract.MonitorResult], fresh: Sequence[contract.MonitorResult]
) -> list[contract.MonitorResult]:
    """The latest result of every test, in the order of monitor id and test id."""
    latest = {(one.monitor_id, one.test_id): one for one in known}
    latest.update({(one.monitor_id, one.test_id): one for one in fresh})
    return [latest[key] for key in sorted(latest)]


def take_vehicle_details(picture: Picture, report: contract.Report, at: int) -> bool:
    """Keep what the reading says of the whole vehicle.

    True when another tester came or left, or a broadcast malfunction lamp came on or went out. A
    reading tells the lamps of those J1939 controllers alone whose lamps changed: the others stand.
    """
    lit = _lit(picture)
    if report.live is not UNSET:
        picture.live, picture.live_at = dict(report.live), at
    if report.implausible is not UNSET:
        picture.implausible, picture.implausible_at = list(report.implausible), at
    if report.lamp_broadcasts is not UNSET:
        told = {one.source: one for one in picture.lamp_broadcasts or ()}
        told |= {one.source: one for one in report.lamp_broadcasts}
        picture.lamp_broadcasts = [told[source] for source in sorted(told)]
        picture.lamp_broadcasts_at = at
    if report.heard is not UNSET and (report.heard != "nothing" or picture.heard is None):
        picture.heard = report.heard
    behind = report.clock_offset_ms
    if behind is not UNSET:
        picture.clock_behind_ms = behind if abs(behind) > CLOCK_BEHIND_MS else None
    before = picture.quiet == ANOTHER_TESTER
    # Silence is said anew in every reading: one that does not say it was taken out of silence.
    picture.quiet = None if report.quiet is UNSET else report.quiet
    picture.quiet_until = None if report.quiet_until is UNSET else _moment(report.quiet_until)
    tester_differs = before != (picture.quiet == ANOTHER_TESTER)
    return tester_differs or lit != _lit(picture)


def _lit(picture: Picture) -> bool:
    return bool(picture.lamp_broadcasts and picture.lit_broadcasts())


def _moment(text: str) -> int | None:
    """Epoch ms; None for a day that does not exist, which the contract lets pass here."""
    try:
        return sane_ms(text)
    except ValueError:
        return None
