"""Values of the contract in US units and words: the unit is the suffix of a value's name. Pure.

Factors: NIST SP 811, appendix B.9 (from memory). 1 mile = 1.609344 km, exactly.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from functools import partial

from ingest.domain.miles import KM_PER_MILE

MILES_PER_KM = 1 / KM_PER_MILE
PSI_PER_KPA = 0.1450377
INCHES_OF_MERCURY_PER_KPA = 0.2952998
INCHES_OF_WATER_PER_PA = 0.00401463
GALLONS_PER_LITER = 1 / 3.785411784
POUNDS_PER_MINUTE_PER_G_S = 60 / 453.59237
POUND_FEET_PER_NM = 0.7375621
IN_MERCURY = frozenset({"barometric_kpa", "manifold_pressure_kpa"})
"""Pressures near that of the air are told in inches of mercury (common practice, no source)."""
MISSING = "not given"

Convert = Callable[[float], str]


def _times(factor: float, unit: str, digits: int, value: float) -> str:
    return f"{value * factor:,.{digits}f} {unit}"


def fahrenheit(celsius: float) -> str:
    """A temperature in degrees Fahrenheit."""
    return f"{celsius * 9 / 5 + 32:,.0f} °F"


def miles(km: float) -> str:
    """A distance in miles."""
    return _times(MILES_PER_KM, "miles", 1 if abs(km) < 1000 else 0, km)


# The longest suffix first: '_g_s' ends in '_s', '_kmh' would not.
_SUFFIXES: tuple[tuple[str, Convert], ...] = (
    ("_lambda", partial(_times, 1, "lambda", 3)),
    ("_kmh", partial(_times, MILES_PER_KM, "mph", 0)),
    ("_kpa", partial(_times, PSI_PER_KPA, "psi", 1)),
    ("_g_s", partial(_times, POUNDS_PER_MINUTE_PER_G_S, "lb/min", 2)),
    ("_l_h", partial(_times, GALLONS_PER_LITER, "gal/h", 2)),
    ("_rpm", partial(_times, 1, "rpm", 0)),
    ("_deg", partial(_times, 1, "°", 1)),
    ("_pct", partial(_times, 1, "%", 1)),
    ("_min", partial(_times, 1, "min", 0)),
    ("_km", miles),
    ("_pa", partial(_times, INCHES_OF_WATER_PER_PA, "inches of water", 2)),
    ("_ma", partial(_times, 1, "mA", 2)),
    ("_nm", partial(_times, POUND_FEET_PER_NM, "lb-ft", 0)),
    ("_c", fahrenheit),
    ("_v", partial(_times, 1, "V", 3)),
    ("_s", partial(_times, 1, "s", 0)),
)


def value(name: str, number: float) -> str:
    """A value by its contract name, with its unit: 'coolant_c', 83 gives '181 °F'."""
    if name in IN_MERCURY:
        return _times(INCHES_OF_MERCURY_PER_KPA, "inches of mercury", 1, number)
    convert = next((one for suffix, one in _SUFFIXES if name.endswith(suffix)), None)
    return f"{number:g}" if convert is None else convert(number)


def label(name: str) -> str:
    """A contract name in words, without its unit: 'engine_speed_rpm' gives 'Engine speed'."""
    suffix = next((one for one, _ in _SUFFIXES if name.endswith(one)), "")
    words = name.removesuffix(suffix).replace("_", " ")
    return words[:1].upper() + words[1:]


def labels(names: Iterable[str]) -> str:
    """Contract names in words, in one line."""
    words = [label(name) for name in names]
    return ", ".join(words[:1] + [word[:1].lower() + word[1:] for word in words[1:]])


def minutes(seconds: float | None) -> str:
    """A time in minutes; below one minute in seconds."""
    if seconds is None:
        return MISSING
    return f"{seconds:.0f} s" if seconds < 60 else f"{seconds / 60:,.0f} min"


def given(name: str, number: float | None) -> str:
    """A value by its contract name, or that there was none."""
    return MISSING if number is None else value(name, number)
