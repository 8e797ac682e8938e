"""Counters that run backwards although nothing speaks of a clear or of other software.

The distance, warm-ups and minutes since codes were cleared, the odometer, and the in-use counters
only ever go up (SAE J1979, PIDs 30, 31, 4E, A6; service 09; C), but for a clear, a roll-over, and
the halving of an in-use pair at its top (13 CCR 1968.2 (d)(5), from memory).
"""

from __future__ import annotations

from collections.abc import Iterator, Set
from typing import NamedTuple

from msgspec import UnsetType

from gateway.contract import Report
from ingest.domain.clears import (
    IGNITION,
    NEAR_TOP,
    ODOMETER_SLACK_KM,
    ROLLS_FROM,
    TOP,
    Fallen,
)
from ingest.domain.picture import Picture

ODOMETER = "odometer_km"


class Fall(NamedTuple):
    """One counter that fell. `subject` is its name, for an in-use counter '7E8 catalyst_...'."""

    subject: str
    before: float
    now: float


def falls(
    picture: Picture, report: Report, fallen: Fallen | None, anew: Set[str]
) -> Iterator[Fall]:
    """What fell since the picture without a reason.

    `fallen` are the counters since clear that fell without one (None: another ECU speaks for the
    vehicle); `anew` the ECUs with other software, whose counters start again.
    """
    if fallen is not None:
        for name, (before, now) in fallen.items():
            if before < TOP[name] - NEAR_TOP:  # near its top a counter stays, or rolls over
                yield Fall(name, before, now)
        yield from _odometer(picture.odometer_km, report.odometer_km, anew)
    for ecu_id, reading in report.ecus.items():
        known = picture.ecus.get(ecu_id)
        if known is None or ecu_id in anew or not isinstance(reading.in_use_counters, dict):
            continue
        counted = known.in_use_counters or {}
        if max(counted.values(), default=0) >= ROLLS_FROM:
            continue  # a pair is halved, or rolls over
        for name, count in reading.in_use_counters.items():
            if name != IGNITION and name in counted and count < counted[name]:
                yield Fall(f"{ecu_id} {name}", counted[name], count)


def _odometer(was: float | None, now: float | UnsetType, anew: Set[str]) -> Iterator[Fall]:
    if was is None or not isinstance(now, (int, float)) or anew:
        return
    if now < was - ODOMETER_SLACK_KM:
        yield Fall(ODOMETER, was, now)
