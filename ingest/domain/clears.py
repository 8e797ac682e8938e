"""Finding a clear of trouble codes in what two readings say (modelling choice of this project; X).

A monitor that falls back from complete, a counter since clear that restarts, an odometer reading
at the last clear that moves on, or a code list that empties while its permanent code stays (an ECU
erases the permanent code first when it finds the fault gone: 13 CCR 1968.2 (d)(2.5.1); A*).

Warm-ups saturate at 255, distance and minutes at 65535 (SAE J1979, PIDs 30, 31, 4E; C): a rise to
either is no clear; one of the two that falls alone just before its top may have rolled over. A
vehicle-wide counter may come from another ECU than the last time: a single fall must fit the time
since.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from operator import attrgetter
from types import MappingProxyType
from typing import Any

from msgspec import UNSET

from gateway.contract import EcuReading, Report
from gateway.facts import CONTINUOUS, Monitor
from ingest.domain.picture import EcuPicture, Picture

WARM_UPS = "warm_ups_since_clear"
DISTANCE = "distance_since_clear_km"
MINUTES = "minutes_since_clear_min"
COUNTERS = (WARM_UPS, DISTANCE, MINUTES)
COUNTED: Callable[[Picture | Report], tuple[Any, ...]] = attrgetter(*COUNTERS)
TOLERANCE = 1
TOP: Mapping[str, float] = MappingProxyType({WARM_UPS: 255, DISTANCE: 65535, MINUTES: 65535})
"""Where a counter stays (SAE J1979; C). Up to `NEAR_TOP` below it, a fall may be a roll-over."""
NEAR_TOP = 50
GROWTH: Mapping[str, tuple[float, float]] = MappingProxyType(
    {WARM_UPS: (2.0, 3.0), DISTANCE: (130.0, 100.0), MINUTES: (60.0, 120.0)}
)
"""What a restarted counter may have counted since: per hour, and beyond it (a bad clock; X)."""
ODOMETER_SLACK_KM = 5.0
"""How far apart odometer and distance since clear may drift between two readings (X)."""
HOUR_MS = 3_600_000
SILENT_MS = 7 * 24 * HOUR_MS
"""After so long without a word an ECU is not waited for (X)."""


Fallen = Mapping[str, tuple[float, float]]
"""Counters since clear that are lower than before: name -> (before, now)."""


def fallen_counters(picture: Picture, report: Report, at: int) -> Fallen | None:
    """The counters since clear that fell; None where another ECU speaks than before."""
    if not same_speaker(picture, report, at):
        return None
    return {
        name: (before, now)
        for name, before, now in zip(COUNTERS, COUNTED(picture), COUNTED(report), strict=True)
        if before is not None and now is not UNSET and now < before - TOLERANCE
    }


def evidence_of_clear(
    picture: Picture, report: Report, at: int, fallen: Fallen | None
) -> list[str]:
    """What in this reading (observed at epoch ms) shows a clear since the picture, in words.

    `fallen` as `fallen_counters` says.
    """
    found: list[str] = []
    for ecu_id, reading in report.ecus.items():
        known = picture.ecus.get(ecu_id)
        if known is None or known.before_clear:
            continue
        if isinstance(reading.monitors, dict) and reading.monitors != known.monitors:
            found += _fallen(ecu_id, known.monitors or {}, reading.monitors)
        if known.confirmed and reading.confirmed == []:
            found += _emptied(ecu_id, known, reading, picture.last_clear_at)
    if fallen is not None:
        found += _restarts(picture, report, at, fallen, alone=not found)
    return found


def same_speaker(picture: Picture, report: Report, at: int) -> bool:
    """Whether the counters since clear come from the ECU they came from before.

    The first ECU in the order of ids speaks for the vehicle: one that is silent this time leaves
    the word to another, whose counters say nothing of the first. One not heard for a week is gone.
    """
    if picture.ecus.keys() <= report.ecus.keys():
        return True
    recent = [one for one, ecu in picture.ecus.items() if ecu.heard_at >= at - SILENT_MS]
    known = recent or picture.ecus
    return not known or min(known) in report.ecus


def _fallen(ecu_id: str, before: Mapping[Monitor, bool], now: Mapping[Monitor, bool]) -> list[str]:
    return [
        f"{ecu_id} {monitor.value} complete -> not complete"
        for monitor, complete in now.items()
        if not complete and before.get(monitor) is True
    ]


def _emptied(
    ecu_id: str, known: EcuPicture, reading: EcuReading, cleared_at: int | None
) -> list[str]:
    """Codes gone while one of them is left as permanent; a list of before a clear says nothing."""
    if cleared_at is not None and (known.codes_at is None or known.codes_at < cleared_at):
        return []
    permanent = reading.permanent if isinstance(reading.permanent, list) else []
    left = sorted(set(known.confirmed or ()) & set(permanent))
    return [f"{ecu_id} code list emptied, permanent {', '.join(left)} left"] if left else []


def _restarts(
    picture: Picture, report: Report, at: int, fallen: Fallen, *, alone: bool
) -> list[str]:
    """Counters that restarted; `alone` when nothing else speaks of a clear."""
    if not fallen:
        return _odometer(picture, report)
    if alone and len(fallen) == 1 and not _restarted(picture, report, at, fallen):
        return []
    return [f"{name} {before:g} -> {now:g}" for name, (before, now) in fallen.items()]


def _restarted(picture: Picture, report: Report, at: int, fallen: Fallen) -> bool:
    """Whether a single fall is a restart: it fits the time since, and is no roll-over at the top.

    From its top a counter falls with the others when codes are cleared.
    """
    ((name, (before, now)),) = fallen.items()
    if before >= TOP[name] - NEAR_TOP:
        others = [one for one in COUNTERS if one != name and getattr(picture, one) is not None]
        went_on = any(isinstance(getattr(report, one), (int, float)) for one in others)
        if went_on or (name != WARM_UPS and before < TOP[name]):
            return False
    if report.taken_at is None:  # without a clock `at` is the earliest that it can be
        return True
    since = picture.counters_at
    hours = 0.0 if since is None else max(0, at - since) / HOUR_MS
    rate, slack = GROWTH[name]
    return now <= rate * hours + slack


def _odometer(picture: Picture, report: Report) -> list[str]:
    """The odometer at the last clear, from both counters of one reading, has moved on."""
    before, now = picture.odometer_at_clear_km, odometer_at_clear(report)
    if before is None or now is None or now <= before + ODOMETER_SLACK_KM:
        return []
    return [f"odometer at the last clear {before:.0f} -> {now:.0f} km"]


def odometer_at_clear(report: Report) -> float | None:
    """The odometer when codes were last cleared, km; None unless both counters can tell."""
    odometer, distance = report.odometer_km, report.distance_since_clear_km
    if not isinstance(odometer, (int, float)) or not isinstance(distance, (int, float)):
        return None
    return None if distance >= TOP[DISTANCE] - NEAR_TOP else float(odometer - distance)


def kept_complete(picture: Picture, report: Report) -> list[str]:
    """ECUs that answered after a clear and kept a monitor complete: it was not theirs."""
    return [
        ecu_id
        for ecu_id, reading in report.ecus.items()
        if (known := picture.ecus.get(ecu_id)) is not None
        and isinstance(reading.monitors, dict)
        and _still(known.monitors or {}, reading.monitors)
    ]


def _still(before: Mapping[Monitor, bool], now: Mapping[Monitor, bool]) -> bool:
    """Whether monitors that wait were complete and all are: none fell back."""
    waiting = [one for one in before if one not in CONTINUOUS and before[one]]
    return bool(waiting) and all(now.get(one) is True for one in waiting)


def software_changes(picture: Picture, report: Report) -> dict[str, list[str]]:
    """ECUs whose software is another one, with what shows it: calibrations, in-use counters.

    The in-use counters restart when a controller is reprogrammed or replaced and otherwise stay,
    also over a clear (13 CCR 1968.2 (d)(5), (g)(5); from memory).
    """
    found: dict[str, list[str]] = {}
    for ecu_id, reading in report.ecus.items():
        known = picture.ecus.get(ecu_id)
        if known is None:
            continue
        said = _calibrations(known, reading)
        if isinstance(reading.in_use_counters, dict):
            said += _counted_anew(known.in_use_counters or {}, reading.in_use_counters)
        if said:
            found[ecu_id] = said
    return found


def _calibrations(known: EcuPicture, reading: EcuReading) -> list[str]:
    """A calibration id, or a verification number given both times, that is another one."""
    if not known.calibrations or not isinstance(reading.calibrations, list):
        return []
    if reading.calibrations is known.calibrations or reading.calibrations == known.calibrations:
        return []
    before = {one.id: one.cvn for one in known.calibrations}
    now = {one.id: one.cvn for one in reading.calibrations}
    if not now:
        return []
    if before.keys() != now.keys():
        return [f"calibration {', '.join(before)} -> {', '.join(now)}"]
    return [
        f"verification number of {name} {before[name]} -> {number}"
        for name, number in now.items()
        if isinstance(number, str) and isinstance(before[name], str) and number != before[name]
    ]


ROLLS_FROM = 60_000
"""A counter this high may roll over to zero at 65,535 (general and ignition counters; M)."""
IGNITION = "ignition_cycles"


def _counted_anew(before: Mapping[str, int], now: Mapping[str, int]) -> Sequence[str]:
    was, is_now = before.get(IGNITION), now.get(IGNITION)
    if was is None or is_now is None or is_now >= was or was >= ROLLS_FROM:
        return []
    return [f"ignition cycle counter {was} -> {is_now}"]
