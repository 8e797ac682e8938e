"""Why a monitor does not complete: causes ranked by their evidence in the driving cycles.

Of the driving cycles since it was set back, each that a condition spoilt alone counts for that
condition; one spoilt by several is shared among them (modelling choice of this project; X). Limits
and their tags stand in `cycle_conditions`; evaporative fuel window: above 85 % 13 CCR 1968.2
(e)(4.3.3), A*; at or below 15 %, from memory; soak commonly 6 to 8 h, from memory. What a code
holds up is common practice, no source. A figure that is not given never counts for a cause.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from enum import StrEnum
from types import MappingProxyType

from gateway.facts import FULL_NAMES, CycleStatus, Ignition, Monitor
from ingest.domain import cycle_conditions as limits
from ingest.domain.codes import meaning
from ingest.domain.completion import Beta
from ingest.domain.completion_priors import PRIORS
from ingest.domain.cycles import Cycle
from ingest.domain.picture import Picture

FUEL_PCT = (15.0, 85.0)
SOAK_S = 6 * 3600.0
WARM_AFTER_S = 900.0
"""An engine that ran so long should be warm (X)."""
LOOKED_AT = 60
"""The newest driving cycles looked at (X)."""
FEW = 3
"""Fewer driving cycles say nothing of a habit (X)."""
DAY_MS = 86_400_000
NO_ENGINE_S = 60.0
SURE = 0.9
"""The most that a monitor which only stands still weighs: what else is known comes first (X)."""


class Cause(StrEnum):
    """What keeps a monitor from completing; the value is the text on screen."""

    CODE = "blocked by a trouble code"
    FUEL = "fuel level outside the window at starts"
    SOAK = "no cold soak"
    AMBIENT = "outside air too cold or too hot"
    SHORT = "driving cycles too short or too slow"
    NO_ENGINE = "the engine did not run"
    COLD_ENGINE = "the engine never reaches its temperature"
    ALTITUDE = "driven too high above sea level"
    STANDS_STILL = "conditions are met and the monitor does not finish"
    DISABLED = "the vehicle reports the monitor disabled this driving cycle"


@dataclass(frozen=True, slots=True)
class Found:
    """A cause with its weight (0 to 1) and its evidence in words; counts for a depot's line."""

    cause: Cause
    weight: float
    evidence: str
    code: str | None = None


_BLOCKED: Mapping[str, tuple[Monitor, ...]] = MappingProxyType(
    {
        "catalyst": (Monitor.CATALYST,),
        "nmhc_catalyst": (Monitor.NMHC_CATALYST,),
        "evap": (Monitor.EVAPORATIVE_SYSTEM,),
        "exhaust_gas_sensor": (Monitor.OXYGEN_SENSOR, Monitor.EXHAUST_GAS_SENSOR),
        "egr_vvt": (Monitor.EGR_VVT,),
        "o2_heater": (Monitor.OXYGEN_SENSOR_HEATER,),
        "pm_filter": (Monitor.PM_FILTER, Monitor.GASOLINE_PARTICULATE_FILTER),
        "nox_aftertreatment": (Monitor.NOX_AFTERTREATMENT,),
        "boost_pressure": (Monitor.BOOST_PRESSURE,),
    }
)
"""The monitors behind the names of the code table; a gasoline sensor reads as oxygen sensor (B)."""
_WEIGHTS: Mapping[str, float] = MappingProxyType({"yes": 0.97, "sometimes": 0.6})
_GROUPS: Mapping[str, Cause] = MappingProxyType(
    {
        "run time": Cause.SHORT,
        "time at speed": Cause.SHORT,
        "idle": Cause.SHORT,
        "ambient": Cause.AMBIENT,
        "pressure": Cause.ALTITUDE,
    }
)
COLD_ENGINE_CODES = frozenset({"P0125", "P0126", "P0128"})
"""Codes of an engine that stays cold (meanings from memory of SAE J2012)."""


def causes(
    monitor: Monitor, picture: Picture, cycles: Sequence[Cycle], prior: Beta | None = None
) -> list[Found]:
    """The causes found, the weightiest first, from the driving cycles since it was set back."""
    looked = sorted(cycles, key=lambda one: one.ended_at)[-LOOKED_AT:]
    found = _codes(monitor, picture)
    driven = [one for one in looked if not _engine_off(one)]
    if len(looked) >= FEW:
        found += _engine(looked, driven)
    base = driven
    if monitor is Monitor.EVAPORATIVE_SYSTEM:
        base = [one for one in driven if cold_start(one) is not False]
        found += _soak(driven, base)
    if len(base) >= FEW:
        found += _spoilt(monitor, picture, base, prior or PRIORS.get(monitor))
    found += _disabled(monitor, picture)
    return sorted(_joined(found), key=lambda one: -one.weight)


def _joined(found: list[Found]) -> list[Found]:
    """A code of a cold engine and coolant that stays cold are one cause."""
    cold = any(one.cause is Cause.COLD_ENGINE and one.weight >= 0.5 for one in found)
    code = next((one for one in found if one.code in COLD_ENGINE_CODES), None)
    if not cold or code is None:
        return found
    return [
        Found(one.cause, 0.98, f"{one.evidence}; {code.evidence}", code.code)
        if one.cause is Cause.COLD_ENGINE
        else one
        for one in found
        if one is not code
    ]


def _codes(monitor: Monitor, picture: Picture) -> list[Found]:
    found: list[Found] = []
    for kind in ("confirmed", "pending"):
        for code in sorted(picture.codes(kind) or ()):
            info = meaning(code)
            if info is None or info.blocks not in _WEIGHTS:
                continue
            held = {one for name in info.blocked_monitors for one in _BLOCKED.get(name, ())}
            if monitor in held and not any(one.code == code for one in found):
                word = "holds it up" if info.blocks == "yes" else "can hold it up"
                text = f"{kind} code {code} ({info.definition}) {word} (common practice, no source)"
                found.append(Found(Cause.CODE, _WEIGHTS[info.blocks], text, code))
    return found


def _engine_off(cycle: Cycle) -> bool:
    return cycle.engine_on_s < NO_ENGINE_S <= cycle.propulsion_on_s


def _engine(looked: Sequence[Cycle], driven: Sequence[Cycle]) -> list[Found]:
    without = len(looked) - len(driven)
    if not without:
        return []
    text = f"in {without} of {len(looked)} driving cycles the engine did not run"
    return [Found(Cause.NO_ENGINE, without / len(looked), text)]


def cold_start(cycle: Cycle) -> bool | None:
    """Whether the start was cold: soaked for 6 h, or coolant near the outside air; else None."""
    if cycle.soak_s is not None and cycle.soak_s >= SOAK_S:
        return True
    if cycle.coolant_start_c is not None and cycle.ambient_c is not None:
        return cycle.coolant_start_c - cycle.ambient_c <= limits.COLD_START_K
    return None if cycle.soak_s is None else False


def _soak(driven: Sequence[Cycle], cold: Sequence[Cycle]) -> list[Found]:
    """Most vehicles make one cold start a day: few of them for the days driven is the cause."""
    days = len({one.started_at // DAY_MS for one in driven})
    if days < FEW:
        return []
    weight = max(0.0, 1 - 2 * len(cold) / days)
    text = f"{len(cold)} cold starts on {days} days driven (soak of {SOAK_S / 3600:.0f} h)"
    return [Found(Cause.SOAK, weight, text)] if weight > 0 else []


def _spoilt(
    monitor: Monitor, picture: Picture, base: Sequence[Cycle], prior: Beta | None
) -> list[Found]:
    diesel = any(ecu.ignition is Ignition.COMPRESSION for ecu in picture.ecus.values())
    weights: dict[Cause, float] = {}
    counts: dict[Cause, int] = {}
    met = 0
    for cycle in base:
        failed = _failed(monitor, cycle, diesel)
        met += not failed
        for cause in failed:
            weights[cause] = weights.get(cause, 0.0) + 1 / len(failed)
            counts[cause] = counts.get(cause, 0) + 1
    starts = "cold starts" if monitor is Monitor.EVAPORATIVE_SYSTEM else "driving cycles"
    found = [
        Found(cause, weight / len(base), f"{_words(cause, counts[cause])} of {len(base)} {starts}")
        for cause, weight in weights.items()
        if cause is not Cause.COLD_ENGINE
    ]
    if counts.get(Cause.COLD_ENGINE):
        long = sum(one.engine_on_s >= WARM_AFTER_S for one in base)
        cold = counts[Cause.COLD_ENGINE]
        text = f"{_words(Cause.COLD_ENGINE, cold)} of {long} {starts} that long"
        found.append(Found(Cause.COLD_ENGINE, 0.95 * cold / long if long >= FEW else 0.3, text))
    if met and prior is not None:
        late = 1 - float(prior.survival(met))
        text = f"{met} of {len(base)} {starts} met every condition known, and it did not finish"
        found.append(Found(Cause.STANDS_STILL, SURE * late, text))
    return found


_SPOILT_WORDS: Mapping[Cause, str] = MappingProxyType(
    {
        Cause.SHORT: "too short, too slow or without idle: {}",
        Cause.AMBIENT: "outside air beyond the limits: {}",
        Cause.ALTITUDE: "above 8,000 ft: {}",
        Cause.FUEL: "fuel above 85 % or at most 15 %: {}",
        Cause.COLD_ENGINE: "coolant still cold after 15 min: {}",
    }
)


def _words(cause: Cause, count: int) -> str:
    return _SPOILT_WORDS[cause].format(count)


def _failed(monitor: Monitor, cycle: Cycle, diesel: bool) -> set[Cause]:
    if monitor is Monitor.OXYGEN_SENSOR_HEATER:  # it runs at every start (common practice)
        return set()
    failed = {_GROUPS[one.name] for one in limits.general_conditions(cycle) if one.met is False}
    peak = cycle.coolant_peak_c
    long = cycle.engine_on_s >= WARM_AFTER_S
    if (
        not cycle.unobserved_s
        and long
        and peak is not None
        and peak < limits.WARM_UP_PEAK_C[diesel]
    ):
        failed.add(Cause.COLD_ENGINE)
    if monitor is Monitor.EVAPORATIVE_SYSTEM:
        low, high = limits.MILD_C
        if cycle.ambient_c is not None and not low <= cycle.ambient_c <= high:
            failed.add(Cause.AMBIENT)
        fuel = cycle.fuel_start_pct
        if fuel is not None and not FUEL_PCT[0] < fuel <= FUEL_PCT[1]:
            failed.add(Cause.FUEL)
    return failed


def _disabled(monitor: Monitor, picture: Picture) -> list[Found]:
    said = [(ecu.monitors_this_cycle or {}).get(monitor) for ecu in picture.ecus.values()]
    if CycleStatus.DISABLED not in said:
        return []
    text = f"the {FULL_NAMES[monitor]} monitor was disabled in the last driving cycle read"
    return [Found(Cause.DISABLED, 0.2, text)]
