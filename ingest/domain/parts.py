"""One reading out of the parts it was split into because it was too long for one message.

An ECU may go on in a further part under the same id: its lists are put one after the other.
"""

from __future__ import annotations

from typing import Any

import msgspec
from msgspec import UNSET

from gateway import contract

_NOT_JOINED = frozenset({"seq", "ecus", "taken_at", "clock", "uptime_ms", "evidence"})
_CONTINUED = frozenset({"implausible", "lamp_broadcasts", "live"})
"""What a reading says once over all its parts; anything else a later part says stands."""


def continues(held: contract.Report, report: contract.Report) -> bool:
    """Whether a report is the next part of the reading being held."""
    if report.part is UNSET or held.part is UNSET or held.journal != report.journal:
        return False
    return (
        report.part[1] == held.part[1]
        and report.part[0] == held.part[0] + 1
        and report.seq - report.part[0] == held.seq - 1
    )


def joined(held: contract.Report, report: contract.Report) -> contract.Report:
    """One reading out of two parts; `seq` stays that of the first, `part` that of the last."""
    values = {
        name: _continued(getattr(held, name), value) if name in _CONTINUED else value
        for name, value in _said(report).items()
        if name not in _NOT_JOINED
    }
    ecus = dict(held.ecus)
    for ecu_id, reading in report.ecus.items():
        ecus[ecu_id] = _joined_ecu(ecus[ecu_id], reading) if ecu_id in ecus else reading
    return msgspec.structs.replace(held, **{**values, "ecus": ecus})


def _joined_ecu(first: contract.EcuReading, more: contract.EcuReading) -> contract.EcuReading:
    said = {name: _continued(getattr(first, name), value) for name, value in _said(more).items()}
    return msgspec.structs.replace(first, **said)


def _said(message: contract.Message) -> dict[str, Any]:
    return {
        name: value
        for name in message.__struct_fields__
        if (value := getattr(message, name)) is not UNSET
    }


def _continued(first: Any, more: Any) -> Any:
    """A list goes on (what was said already is not said twice), a table gains, a value is new."""
    if isinstance(first, list) and isinstance(more, list):
        return first + [item for item in more if item not in first]
    if isinstance(first, dict) and isinstance(more, dict):
        return first | more
    return more
