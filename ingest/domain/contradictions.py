"""Facts that cannot all be so, or that hide something: kept, flagged, and told with the verdict."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Literal

from gateway.facts import CONTINUOUS, Ignition, Monitor
from ingest.domain.outcome import names, plural
from ingest.domain.picture import EcuPicture, Picture
from ingest.domain.vehicles import Vehicle

SLACK_KM = 5.0
"""Odometer and distance since clear may come from two readings of one drive (modelling choice)."""
Kind = Literal["lamp_and_count", "count_and_list", "distance", "supported", "ignition"]


@dataclass(frozen=True, slots=True)
class Contradiction:
    """What does not fit, in a sentence, and the facts it rests on."""

    kind: Kind
    text: str
    fact: str


def contradictions(
    vehicle: Vehicle, picture: Picture, told: Ignition | None
) -> Iterator[Contradiction]:
    """Everything in the current status that does not fit; `told` is that of `ignition_told`."""
    for ecu_id, ecu in picture.ecus.items():
        if ecu.mil or ecu.code_count or ecu.confirmed:
            yield from _count(ecu_id, ecu)
        if ecu.supported_before is not None:
            yield from _supported(ecu_id, ecu)
    since, odometer = picture.distance_since_clear_km, picture.odometer_km
    if since is not None and odometer is not None and since > odometer + SLACK_KM:
        yield Contradiction(
            "distance",
            "The distance since codes cleared is more than the odometer: it is not relied on.",
            f"{since:.0f} km since clear, odometer {odometer:.0f} km",
        )
    if told is not None and told is not vehicle.ignition:
        yield Contradiction(
            "ignition",
            f"The vehicle list says {vehicle.ignition.value} ignition, the ECUs say {told.value}: "
            "mend the list.",
            f"reported {told.value}, listed {vehicle.ignition.value}",
        )


def ignition_told(picture: Picture) -> Ignition | None:
    """The ignition all ECUs with a counted monitor report; None when they differ or do not say.

    Others (a transmission's) leave the bit at zero, which reads as spark (from memory).
    """
    told = {
        ecu.ignition
        for ecu in picture.ecus.values()
        if ecu.ignition is not None and ecu.monitors and not ecu.monitors.keys() <= CONTINUOUS
    }
    return told.pop() if len(told) == 1 else None


def dropped(picture: Picture) -> frozenset[Monitor]:
    """Counted monitors that an ECU supported before and no ECU reports now."""
    lost: set[Monitor] = set()
    for ecu in picture.ecus.values():
        if ecu.supported_before is not None:
            lost.update(ecu.supported_before)
    return frozenset(lost) - CONTINUOUS - picture.monitors().keys() if lost else frozenset()


def _count(ecu_id: str, ecu: EcuPicture) -> Iterator[Contradiction]:
    """PID 01 gives lamp and number of stored codes, service 03 lists them (SAE J1979; B)."""
    count = ecu.code_count
    if count is None:
        return
    if ecu.mil is False and count and not ecu.confirmed:
        # Not a fault by itself: 13 CCR 1968.2 (d)(2.3), the lamp goes out first (B). What does
        # not fit is that the codes counted were not listed.
        yield Contradiction(
            "lamp_and_count",
            f"ECU {ecu_id} does not command the lamp and counts {plural(count, 'stored code')} "
            "that it did not list: the lamp goes out after three driving cycles without the "
            "fault, while the code stays stored. Take a fresh reading.",
            f"{ecu_id}: lamp off, count {count}",
        )
    elif ecu.mil and not count:
        yield Contradiction(
            "lamp_and_count",
            f"ECU {ecu_id} commands the lamp, yet counts no stored code.",
            f"{ecu_id}: lamp on, count 0",
        )
    same_reading = ecu.codes_at is not None and ecu.codes_at == ecu.readiness_at
    if same_reading and ecu.confirmed is not None and len(ecu.confirmed) != count:
        yield Contradiction(
            "count_and_list",
            f"ECU {ecu_id} counts {plural(count, 'stored code')} and lists {len(ecu.confirmed)}.",
            f"{ecu_id}: count {count}, listed {len(ecu.confirmed)}",
        )


def _supported(ecu_id: str, ecu: EcuPicture) -> Iterator[Contradiction]:
    if ecu.supported_before is None or ecu.monitors is None:
        return
    now, before = ecu.monitors.keys(), set(ecu.supported_before)
    lost = tuple(monitor for monitor in Monitor if monitor in before and monitor not in now)
    new = tuple(monitor for monitor in Monitor if monitor in now and monitor not in before)
    parts = [f"{word} {names(found)}" for word, found in (("lost", lost), ("new", new)) if found]
    if parts:
        yield Contradiction(
            "supported",
            f"ECU {ecu_id} changed which monitors it supports: {'; '.join(parts)}.",
            f"{ecu_id}: {'; '.join(parts)}",
        )
