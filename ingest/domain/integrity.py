"""What does not fit a vehicle's own past, or its list: software, VIN, readiness, counters, fuel.

Nothing is proven by a finding: an update, another controller or a battery change does the same.
Each one says what to look at.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from datetime import UTC, date, datetime
from types import MappingProxyType

from ingest.domain.clear_causes import explain_clear
from ingest.domain.contradictions import SLACK_KM
from ingest.domain.doubts import Doubt
from ingest.domain.episodes import Episode
from ingest.domain.listed_doubts import listed_doubts
from ingest.domain.miles import KM_PER_MILE
from ingest.domain.picture import Picture
from ingest.domain.repairs import Repair
from ingest.domain.vehicles import Vehicle

EVENTS = ("software_changed", "clear", "counter_fell")
"""The kinds of event that a doubt may rest on."""


def doubts(
    vehicle: Vehicle,
    picture: Picture | None,
    events: Sequence[Episode],
    repairs: Sequence[Repair] = (),
) -> tuple[Doubt, ...]:
    """Everything that does not fit, what stands now first, then the newest."""
    found = [*_software(events), *_clears(events, repairs), *_counters(events)]
    found.sort(key=lambda one: -(one.at or 0))
    now = list(listed_doubts(vehicle, picture))
    if picture is not None:
        now = [*_vin(vehicle, picture), *_clock(picture), *_odometer(vehicle, picture), *now]
    return (*now, *found)


def _vin(vehicle: Vehicle, picture: Picture) -> Iterator[Doubt]:
    read = picture.vin_mismatch
    if read is not None:
        yield Doubt(
            "vin",
            None,
            f"The VIN read, {read}, is not that of the vehicle list, {vehicle.vin}: such readings "
            "are kept apart.",
            "Which vehicle the gateway sits in, and whether the controller came from another one.",
        )


def _clock(picture: Picture) -> Iterator[Doubt]:
    behind = picture.clock_behind_ms
    if behind is not None:
        way = "behind" if behind > 0 else "ahead of"
        yield Doubt(
            "clock",
            None,
            f"The gateway's clock is {abs(behind) / 60_000:,.0f} min {way} the clock here, by the "
            "last receipt: times of its readings may be wrong by as much.",
            "The clock and time service of the gateway (`python -m gateway check` there), and "
            "those of the computer that runs ingest.",
        )


def _odometer(vehicle: Vehicle, picture: Picture) -> Iterator[Doubt]:
    """A reading after the day of the list's odometer that shows less than it did."""
    listed, day, read, at = (
        vehicle.odometer_mi, vehicle.odometer_date, picture.odometer_km, picture.heard_at,
    )  # fmt: skip
    if listed is None or day is None or read is None or at is None or _day(at) <= day:
        return
    if read < listed * KM_PER_MILE - SLACK_KM:
        yield Doubt(
            "odometer",
            at,
            f"The odometer reads {read / KM_PER_MILE:,.0f} mi, less than the {listed:,} mi "
            f"of {day.isoformat()} in the vehicle list.",
            "The entry in the list, and whether the instrument cluster was replaced.",
        )


def _software(events: Iterable[Episode]) -> Iterator[Doubt]:
    for one in events:
        if one.kind == "software_changed":
            said = "; ".join(str(text) for text in one.details.get("evidence", ()))
            yield Doubt(
                "software",
                one.started_at,
                f"ECU {one.subject} has other software than before: {said}.",
                "A recorded update or replacement; an unapproved calibration fails an inspection "
                "and is tampering.",
            )


def _clears(events: Sequence[Episode], repairs: Sequence[Repair]) -> Iterator[Doubt]:
    for one in events:
        if one.kind == "clear" and not explain_clear(one, events, repairs).recorded:
            yield Doubt(
                "unrecorded_clear",
                one.started_at,
                "Readiness was set back, and no repair is recorded for that time.",
                "Who was at the vehicle; record the repair, or have the fault looked for again.",
            )


_COUNTERS = MappingProxyType(
    {
        "distance_since_clear_km": ("The distance since codes cleared", KM_PER_MILE, " mi"),
        "warm_ups_since_clear": ("The warm-ups since codes cleared", 1.0, ""),
        "minutes_since_clear_min": ("The minutes since codes cleared", 1.0, ""),
        "odometer_km": ("The odometer", KM_PER_MILE, " mi"),
    }
)
_SINCE_CLEAR = "Whether codes were cleared, or another controller answered this time."
_CLUSTER = "Whether the instrument cluster or its controller was replaced."
_IN_USE = "A recorded update or replacement of the controller: in-use counters stay over a clear."


def _counters(events: Iterable[Episode]) -> Iterator[Doubt]:
    for one in events:
        if one.kind != "counter_fell":
            continue
        name, size, unit = _COUNTERS.get(one.subject, ("", 1.0, ""))
        if name:
            look_at = _CLUSTER if one.subject == "odometer_km" else _SINCE_CLEAR
        else:
            ecu, _, counter = one.subject.partition(" ")
            name, look_at = f"ECU {ecu}: the in-use counter {counter.replace('_', ' ')}", _IN_USE
        before, now = (float(one.details[when]) / size for when in ("before", "now"))
        text = f"{name} fell from {before:,.0f} to {now:,.0f}{unit}."
        yield Doubt("counter", one.started_at, text, look_at)


def _day(at: int) -> date:
    return datetime.fromtimestamp(at / 1000, UTC).date()
