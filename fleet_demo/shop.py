"""What the demo's shop writes down of its repairs; now and then it forgets to."""

from __future__ import annotations

from datetime import datetime, time, timedelta
from typing import TYPE_CHECKING
from zoneinfo import ZoneInfo

from ingest import queries, repairing
from ingest.domain.repairs import Repair

if TYPE_CHECKING:
    from sqlalchemy import Engine

    from fleet_demo.scenarios import Fleet

_MORNING = time(5, 0)
"""Before the first driving cycle of a day, which is when a story's repair is done."""
_TECHNICIANS = ("A. Okafor", "M. Lind", "J. Reyes")
_FORGETS = 4
"""One repair in so many is not written down."""


def written_down(fleet: Fleet) -> list[tuple[str, Repair]]:
    """The repairs of the history that the shop wrote down, by unit, in order of time."""
    found = []
    for member in fleet.members:
        steps = member.story.steps
        for step in steps:
            if step.act != "repair" or step.day < 0:
                continue
            day = fleet.first + timedelta(days=step.day)
            at = datetime.combine(day, _MORNING, ZoneInfo(member.vehicle.depot.zone))
            cleared = any(one.act == "clear" and one.day == step.day for one in steps)
            found.append((at, member.vehicle.unit, step.code, cleared))
    kept = [one for number, one in enumerate(sorted(found)) if number % _FORGETS != _FORGETS - 1]
    return [
        (
            unit,
            Repair(
                at=int(at.timestamp() * 1000),
                technician=_TECHNICIANS[number % len(_TECHNICIANS)],
                done=f"replaced the part at fault for {code}",
                codes=(code,),
                codes_cleared=cleared,
            ),
        )
        for number, (at, unit, code, cleared) in enumerate(kept)
    ]


def write_down(engine: Engine, fleet: Fleet, now: datetime) -> int:
    """Enter them as the shop would, and return how many."""
    repairs = written_down(fleet)
    for number, (unit, entry) in enumerate(repairs):
        (vehicle,) = queries.find_vehicle(engine, unit)
        assert vehicle.id is not None
        repairing.record_repair(
            engine,
            vehicle.id,
            entry,
            actor=entry.technician,
            now=now,
            request_id=f"demo-repair-{fleet.seed}-{fleet.end}-{number}",
        )
    return len(repairs)
