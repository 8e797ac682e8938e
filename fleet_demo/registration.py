"""Where the invented vehicles are registered, and which inspection program each of them owes.

A depot's vehicles take turns over the programs of its region; one that a program does not cover
falls back to the federal rule. The programs are those that come with `ingest`, the choice is ours.
"""

from __future__ import annotations

from collections.abc import Mapping
from functools import cache
from types import MappingProxyType

from fleet_demo.truck import SimulatedVehicle
from gateway.facts import Ignition
from ingest.domain.program_scope import covered, fuel_of
from ingest.domain.programs import Program
from ingest.domain.vehicles import Vehicle
from ingest.program_files import load_programs

FEDERAL = "us-federal"
REGION: Mapping[str, tuple[str, ...]] = MappingProxyType(
    {
        "Harbor Yard": ("new-york", "massachusetts", "new-jersey", FEDERAL),
        "Mill Street": ("illinois", "wisconsin"),
        "North Ridge": (FEDERAL, "arizona", "california-light-duty"),
    }
)
HEAVY = "california-heavy-duty"
"""For a heavy vehicle, wherever it stands: the program holds for all that drive in the state."""
STATE_OF: Mapping[str, str] = MappingProxyType(
    {
        "new-york": "NY",
        "massachusetts": "MA",
        "new-jersey": "NJ",
        "illinois": "IL",
        "wisconsin": "WI",
        "arizona": "AZ",
        "california-light-duty": "CA",
        HEAVY: "CA",
    }
)
HOME: Mapping[str, str] = MappingProxyType(
    {"Harbor Yard": "NY", "Mill Street": "IL", "North Ridge": "CO"}
)


@cache
def _programs() -> Mapping[str, Program]:
    return load_programs()


def program_of(vehicle: SimulatedVehicle, turn: int, *, federal: bool = False) -> str:
    """The program of a vehicle; `turn` counts the vehicles of a depot, `federal` asks for none."""
    if federal:
        return FEDERAL
    region = REGION[vehicle.depot.name]
    first = turn % len(region)
    for name in (HEAVY, *region[first:], *region[:first]):
        if _covers(_programs()[name], vehicle):
            return name
    return FEDERAL


def state_of(vehicle: SimulatedVehicle, program: str) -> str:
    """The state of registration: that of the program, or the depot's own."""
    return STATE_OF.get(program, HOME[vehicle.depot.name])


def _covers(program: Program, vehicle: SimulatedVehicle) -> bool:
    listed = Vehicle(
        vehicle.unit, vehicle.vin, vehicle.plate, vehicle.depot.name, vehicle.depot.zone,
        program.name, vehicle.model_year, Ignition(vehicle.ignition), vehicle.gvwr_lb,
    )  # fmt: skip
    return covered(program.scope, listed, fuel_of(listed)).scope is not None
