"""Finding a clear of trouble codes in what two readings say (modelling choice of this project).

A monitor that falls back from complete, or a counter since clear that restarts, tells of it.
Warm-ups saturate at 255 and distance at 65535 km (SAE J1979, PIDs 30 and 31; C), so a rise to
either is no clear. Two ECUs may count one apart: a fall of one is no clear.
"""

from __future__ import annotations

from collections.abc import Mapping

from gateway.contract import Report
from gateway.facts import Monitor
from ingest.domain.picture import Picture

COUNTERS = ("warm_ups_since_clear", "distance_since_clear_km", "minutes_since_clear_min")
TOLERANCE = 1


def evidence_of_clear(picture: Picture, report: Report) -> list[str]:
    """What in this reading shows that codes were cleared since the picture; empty if nothing."""
    found: list[str] = []
    for ecu_id, reading in report.ecus.items():
        known = picture.ecus.get(ecu_id)
        if known is None or known.before_clear or not isinstance(reading.monitors, dict):
            continue
        if reading.monitors != known.monitors:
            found += _fallen(ecu_id, known.monitors or {}, reading.monitors)
    for name in COUNTERS:
        before, now = getattr(picture, name), getattr(report, name)
        if before is not None and isinstance(now, (int, float)) and now < before - TOLERANCE:
            found.append(f"{name} {before:g} -> {now:g}")
    return found


def _fallen(ecu_id: str, before: Mapping[Monitor, bool], now: Mapping[Monitor, bool]) -> list[str]:
    return [
        f"{ecu_id} {monitor.value} complete -> not complete"
        for monitor, complete in now.items()
        if not complete and before.get(monitor) is True
    ]
