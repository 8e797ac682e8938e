"""Whether a program says anything of a vehicle, and whether anything was heard of it."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import datetime

from gateway.facts import CONTINUOUS, Monitor
from ingest.domain.outcome import Finding, Outcome, Reason, cited_reason, our_reason
from ingest.domain.picture import Picture
from ingest.domain.program_scope import Covered, Exemption, Fuel, Scope
from ingest.domain.programs import Program
from ingest.domain.vehicles import Vehicle

DAY_MS = 86_400_000


def outside(found: Covered, vehicle: Vehicle, fuel: Fuel) -> Reason | None:
    """Why a program does not cover a vehicle; None when it does."""
    limit = found.outside
    if limit is None:
        return None
    if found.why == "weight" and isinstance(limit, Scope):
        text = f"{vehicle.gvwr_lb:,} lb GVWR: the program covers {_weights(limit)}."
        return cited_reason(text, f"GVWR {vehicle.gvwr_lb} lb", limit)
    if found.why == "year" and isinstance(limit, Scope):
        year = vehicle.model_year
        first, last = limit.from_model_year, limit.to_model_year
        if year < first:
            text = f"Model year {year} is before {first}, where the program begins for {fuel}."
        else:
            text = f"Model year {year} is after {last}, where the program ends for {fuel}."
        return cited_reason(text, f"model year {year}", limit)
    shown = vehicle.fuel or fuel.value
    text = f"The program has no on-board diagnostics test for {shown}: ask the agency."
    return cited_reason(text, f"fuel {shown}", limit)


def _weights(group: Scope) -> str:
    low, high = group.gvwr_over_lb, group.gvwr_up_to_lb
    if low is None:
        return f"up to {high:,} lb"
    return f"above {low:,} lb" if high is None else f"{low + 1:,} to {high:,} lb"


def exempt(row: Exemption, vehicle: Vehicle, year: int) -> Reason:
    """Why no test is asked of a vehicle, or no periodic one."""
    age = year - vehicle.model_year
    if row.of == "program":
        text = f"No test is asked of this vehicle: {row.what}."
    else:
        text = f"No periodic test is asked of this vehicle: {row.what}. Judged as for another test."
    return cited_reason(text, f"model year {vehicle.model_year}, {age} years old", row)


def weight_not_known(group: Scope) -> Reason:
    """The assumption made for a vehicle without GVWR, where the program has a bound of it."""
    text = f"GVWR is not in the vehicle list: judged as if it were {_weights(group)}."
    return cited_reason(text, "GVWR not known", group)


def another_ignition(vehicle: Vehicle, fuel: Fuel, told: Fuel) -> Finding:
    """List and vehicle differ on the ignition, and the program has other rules for each."""
    text = (
        f"The vehicle list says {fuel}, the ECUs report a {told} engine's monitors, and the "
        "program has different rules for the two: mend the vehicle list."
    )
    reason = our_reason(text, f"ignition reported as of {told}, listed {vehicle.ignition.value}")
    return Finding(Outcome.CANNOT_TELL, reason, "list", True)


def unheard(
    program: Program,
    picture: Picture | None,
    monitors: Mapping[Monitor, bool],
    as_of: datetime,
    days: float,
) -> Finding | None:
    """Why nothing can be said of the vehicle itself; silence is never 'ready'."""
    reason = _unheard(program, picture, monitors, as_of, days)
    return None if reason is None else Finding(Outcome.CANNOT_TELL, reason, "reading", True)


def _unheard(
    program: Program,
    picture: Picture | None,
    monitors: Mapping[Monitor, bool],
    as_of: datetime,
    days: float,
) -> Reason | None:
    if picture is None:
        return our_reason("Never heard from: no reading of this vehicle yet.", "no reading")
    if picture.vin_mismatch is not None:
        text = "The gateway reads another vehicle's VIN: check where it is fitted."
        return our_reason(text, f"VIN read {picture.vin_mismatch}")
    read_at = picture.readiness_at()
    speaks = None if read_at is not None else picture.unread()
    if speaks is not None:
        return our_reason(f"{speaks[0].upper()}{speaks[1:]}.", f"heard on the bus: {picture.heard}")
    if picture.heard_at is None:
        return our_reason("Never heard from: no reading of this vehicle yet.", "no reading")
    if read_at is None:
        return our_reason("No ECU answered for its monitors and lamp.", "PID 01 not answered")
    age = (as_of.timestamp() * 1000 - read_at) / DAY_MS
    if age > days:
        text = f"The last full reading is {age:.1f} days old, more than {days:g}."
        fact = f"readiness read {age:.1f} days ago"
        return cited_reason(text, fact, program.stale_after_days)
    if picture.mil() is None:
        return our_reason("No ECU said whether it commands the lamp.", "lamp not answered")
    if any(ecu.before_clear for ecu in picture.ecus.values()):
        text = "Codes were cleared and not every ECU has answered since: take a fresh reading."
        return our_reason(text, "an ECU not heard since the last clear")
    if monitors.keys() <= CONTINUOUS:
        text = "The vehicle reports no monitor that the program counts."
        return our_reason(text, "no non-continuous monitor supported")
    return None
