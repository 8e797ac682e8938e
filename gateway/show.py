"""One reading as an object for programs and as lines for people (pure)."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime
from typing import Any

import msgspec
from msgspec import UNSET

from gateway import contract
from gateway.facts import FULL_NAMES
from gateway.protocol.plausibility import implausible
from gateway.protocol.session import ReadResult


def as_object(result: ReadResult, heard: contract.Heard, as_of: datetime | None) -> dict[str, Any]:
    """`{"schema": "reading/1", "as_of", "items"}`; no item where no ECU answered."""
    item = {
        "vin": result.vin,
        "heard": heard,
        "values": result.values,
        "live": result.live,
        "ecus": msgspec.to_builtins(result.ecus),
        "implausible": msgspec.to_builtins(implausible({**result.values, **result.live})),
        "faults": list(result.faults),
    }
    return {
        "schema": "reading/1",
        "as_of": None if as_of is None else contract.format_time(as_of),
        "heard": heard,
        "items": [item] if result.ecus else [],
    }


def as_lines(result: ReadResult, heard: contract.Heard) -> list[str]:
    """What a person wants to know first."""
    if not result.ecus:
        return [f"no ECU answered ({heard.replace('_', ' ')}); this is not 'no codes'"]
    lines = [f"VIN: {result.vin or 'not told'}"]
    for ecu, told in sorted(result.ecus.items()):
        lines.append(f"{ecu}  MIL (check engine): {_lamp(told.mil)}")
        for name in ("confirmed", "pending", "permanent"):
            lines.append(f"{ecu}  {name} codes: {_codes(getattr(told, name))}")
        if told.monitors is not UNSET:
            left = [FULL_NAMES[one] for one, done in told.monitors.items() if not done]
            lines.append(f"{ecu}  monitors not complete: {', '.join(left) or 'none'}")
    values = {**result.values, **result.live}
    lines += [_value(name, value) for name, value in sorted(values.items())]
    lines += [f"makes no sense: {one.text}" for one in implausible(values)]
    return lines + [f"answer left out: {fault}" for fault in result.faults]


_UNITS: dict[str, tuple[str, float, float]] = {
    "_kmh": ("mph", 1 / 1.609344, 0),
    "_km": ("miles", 1 / 1.609344, 0),
    "_c": ("°F", 1.8, 32),
    "_kpa": ("kPa", 1, 0),
    "_pa": ("Pa", 1, 0),
    "_pct": ("%", 1, 0),
    "_rpm": ("rpm", 1, 0),
    "_min": ("min", 1, 0),
    "_deg": ("°", 1, 0),
    "_g_s": ("g/s", 1, 0),
    "_l_h": ("L/h", 1, 0),
    "_nm": ("Nm", 1, 0),
    "_ma": ("mA", 1, 0),
    "_v": ("V", 1, 0),
    "_s": ("s", 1, 0),
}
"""The unit on screen by a name's ending, what it is times, and what is added (NIST SP 811; A)."""


def _value(name: str, value: float) -> str:
    """One value in US units, named in words."""
    for ending, (unit, times, plus) in _UNITS.items():
        if name.endswith(ending):
            words = name.removesuffix(ending).replace("_", " ")
            return f"{words}: {value * times + plus:,.6g} {unit}"
    return f"{name.replace('_', ' ')}: {value:,.6g}"


def _lamp(lit: bool | msgspec.UnsetType) -> str:
    if lit is UNSET:
        return "not answered"
    return "on" if lit else "off"


def _codes(codes: Sequence[str] | msgspec.UnsetType) -> str:
    if codes is UNSET:
        return "not answered"
    return ", ".join(codes) or "none"
