"""What a technician reads by hand, for a terminal: as JSON items and as lines of text.

JSON keeps the contract's names, whose suffix is the unit; driving cycles are in miles and minutes.
"""

from __future__ import annotations

from collections.abc import Iterator
from datetime import UTC, datetime
from functools import partial
from typing import Any

import msgspec

from gateway.facts import FULL_NAMES
from ingest.domain.cycles import Cycle
from ingest.domain.dictionary import Explain
from ingest.domain.miles import KM_PER_MILE
from ingest.domain.monitor_tests import PASSED, monitor_name, name_of_test, outcome
from ingest.domain.picture import EcuPicture, Picture
from ingest.printing_codes import meaning

MILES_PER_KM = 1 / KM_PER_MILE
CYCLES_SHOWN = 10
"""Driving cycles in the text form; the JSON form has all of them."""
_NOT_GIVEN = "not given"


def time(epoch_ms: int | None) -> str | None:
    """A kept time in RFC 3339, UTC, to the second."""
    if epoch_ms is None:
        return None
    return datetime.fromtimestamp(epoch_ms // 1000, UTC).strftime("%Y-%m-%dT%H:%M:%SZ")


def details(picture: Picture | None, said: Explain) -> dict[str, Any]:
    """Everything beside lamp, codes and monitors; null where it was never answered."""
    if picture is None:
        return {}
    return {
        "heard": picture.heard,
        "not_read_because": picture.unread(),
        "quiet": picture.quiet,
        "quiet_until": time(picture.quiet_until),
        "freeze_frames": _lists(picture, "freeze_frames", partial(_frame, said)),
        "test_results": _lists(picture, "test_results", _result),
        "in_use_counters": {
            name: ecu.in_use_counters
            for name, ecu in sorted(picture.ecus.items())
            if ecu.in_use_counters is not None
        }
        or None,
        "calibrations": _lists(picture, "calibrations", _plain),
        "live": picture.live,
        "live_at": time(picture.live_at),
        "implausible": _plain_list(picture.implausible),
        "implausible_at": time(picture.implausible_at),
        "lamp_broadcasts": _plain_list(picture.lamp_broadcasts),
        "lamp_broadcasts_at": time(picture.lamp_broadcasts_at),
    }


def _lists(picture: Picture, field: str, item: Any) -> list[dict[str, Any]] | None:
    """One list over all ECUs, each item with its ECU; None when no ECU ever answered."""
    asked = [
        (name, ecu) for name, ecu in sorted(picture.ecus.items()) if getattr(ecu, field) is not None
    ]
    if not asked:
        return None
    return [{"ecu": name} | item(one, ecu) for name, ecu in asked for one in getattr(ecu, field)]


def _plain(one: Any, _ecu: EcuPicture | None = None) -> dict[str, Any]:
    plain: dict[str, Any] = msgspec.to_builtins(one)
    return plain


def _plain_list(items: list[Any] | None) -> list[dict[str, Any]] | None:
    return None if items is None else [_plain(one) for one in items]


def _frame(said: Explain, one: Any, ecu: EcuPicture) -> dict[str, Any]:
    return {
        "frame": one.frame,
        "causing_code": one.code,
        "causing_code_meaning": meaning(said(one.code)),
        "values": one.values,
        "read_at": time(ecu.freeze_frames_at),
    }


def _result(one: Any, ecu: EcuPicture) -> dict[str, Any]:
    return {
        "monitor": monitor_name(one.monitor_id),
        "test": name_of_test(one.test_id),
        **_plain(one),
        "result": outcome(one),
        "read_at": time(ecu.test_results_at),
    }


def driving_cycle(one: Cycle) -> dict[str, Any]:
    """One driving cycle in miles, minutes and hours; null where the vehicle gave no figure."""
    return {
        "started_at": time(one.started_at),
        "ended_at": time(one.ended_at),
        "distance_miles": _scaled(one.distance_km, MILES_PER_KM),
        "propulsion_on_min": _scaled(one.propulsion_on_s, 1 / 60),
        "not_observed_min": _scaled(one.unobserved_s, 1 / 60),
        "engine_on_min": _scaled(one.engine_on_s, 1 / 60),
        "at_or_above_25_mph_min": _scaled(one.seconds_at_or_above_40_kmh, 1 / 60),
        "longest_idle_s": one.longest_idle_s,
        "warm_up": one.warm_up,
        "soak_h": _scaled(one.soak_s, 1 / 3600),
        "coolant_start_c": one.coolant_start_c,
        "coolant_peak_c": one.coolant_peak_c,
        "ambient_c": one.ambient_c,
        "barometric_kpa": one.barometric_kpa,
        "fuel_start_pct": one.fuel_start_pct,
        "fuel_end_pct": one.fuel_end_pct,
        "lowest_v": one.lowest_v,
        "monitors_completed": None
        if one.monitors_completed is None
        else [FULL_NAMES[monitor] for monitor in one.monitors_completed],
        "denominator_moved": one.denominator_moved,
        "split": one.split,
        "not_given": one.not_given,
    }


def _scaled(value: float | None, factor: float) -> float | None:
    return None if value is None else round(value * factor, 2)


def cycle_line(one: Cycle) -> str:
    """One driving cycle in one line."""
    distance = _number(one.distance_km, MILES_PER_KM, "miles")
    warm = {None: f"warm-up {_NOT_GIVEN}", True: "warm-up", False: "no warm-up"}[one.warm_up]
    done = ", ".join(FULL_NAMES[monitor] for monitor in one.monitors_completed or ())
    unseen = f" ({one.unobserved_s / 60:.0f} not observed)" if one.unobserved_s else ""
    words = (
        f"{time(one.started_at)}  driving cycle: {distance}, {one.propulsion_on_s / 60:.0f} min"
        f"{unseen}, {warm}, soak {_number(one.soak_s, 1 / 3600, 'h')}"
    )
    return words + (f", completed: {done}" if done else "")


def _number(value: float | None, factor: float, unit: str) -> str:
    return _NOT_GIVEN if value is None else f"{value * factor:,.1f} {unit}"


def detail_lines(picture: Picture | None, said: Explain) -> list[str]:
    """What stands out, in lines: an unread language, silence, frames, failed tests, findings."""
    return [] if picture is None else [f"{'':>10}{line}" for line in _lines(picture, said)]


def _lines(picture: Picture, said: Explain) -> Iterator[str]:
    if picture.unread() is not None:
        yield f"{picture.unread()}: lamp, codes and monitors are not known"
    if picture.quiet == "another_tester":
        yield "another tester is on the bus: the gateway keeps silent"
    elif picture.quiet is not None:
        yield f"the gateway keeps silent: {picture.quiet.replace('_', ' ')}"
    for name, ecu in sorted(picture.ecus.items()):
        for frame in ecu.freeze_frames or ():
            values = ", ".join(f"{key} {value:g}" for key, value in frame.values.items())
            cause = f"{frame.code}, {said(frame.code)}"
            yield f"freeze frame {frame.frame} of {name}, causing code {cause}: {values}"
        for result in ecu.test_results or ():
            if outcome(result) != PASSED:
                unit = f" {result.unit}" if isinstance(result.unit, str) else ""
                yield (
                    f"test result of {name}: {monitor_name(result.monitor_id)}, "
                    f"{name_of_test(result.test_id)}: {result.value:g} "
                    f"({result.low:g} to {result.high:g}{unit}), {outcome(result)}"
                )
    for finding in picture.implausible or ():
        yield f"makes no sense: {finding.text} [{finding.basis}]"
    for one in picture.lamp_broadcasts or ():
        codes = ", ".join(f"SPN {code.spn} FMI {code.fmi}" for code in one.codes)
        yield f"broadcast of address {one.source}: malfunction lamp {one.malfunction}; {codes}"
