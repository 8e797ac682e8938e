"""The vehicle list in the store: vehicles, which gateway sat in which when, and depots."""

from __future__ import annotations

import json
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import date
from typing import Any

from msgspec import UNSET
from sqlalchemy import Connection, Row, delete, insert, select, update

from gateway import contract
from gateway.facts import Ignition
from ingest.domain.vehicles import Vehicle
from ingest.store.database import insert_or_ignore
from ingest.store.schema import depot, fitting, vehicle
from ingest.store.times import day_start_ms, text_to_ms

DEFAULT_BAYS = ("1", "2")
DEFAULT_WEEKDAYS = "01234"
DEFAULT_HOURS = ("07:00", "17:00")
_DAY_MS = 86_400_000


@dataclass(frozen=True, slots=True)
class Fitting:
    """A gateway in a vehicle from `fitted_from` until before `fitted_to` (epoch ms)."""

    vehicle_id: int
    vin: str
    gateway: str
    fitted_from: int
    fitted_to: int | None


def owner(report: contract.Report, fittings: Sequence[Fitting]) -> Fitting | None:
    """The fitting a report belongs to: by its own time, else by the VIN read, else the latest.

    `fittings` are those of the report's gateway. Depends on the report and the list only, never
    on when it arrived. A clock that is earlier than the journal it writes to is not believed.
    """
    if not fittings:
        return None
    taken = None if report.taken_at is None else text_to_ms(report.taken_at)
    if taken is not None and taken >= text_to_ms(report.journal_created_at) - _DAY_MS:
        for fit in fittings:
            if fit.fitted_from <= taken and (fit.fitted_to is None or taken < fit.fitted_to):
                return fit
        return None
    for fit in fittings:
        if report.vin is not UNSET and fit.vin == report.vin:
            return fit
    return max(fittings, key=lambda fit: fit.fitted_from)


def fittings_of(connection: Connection, gateways: Iterable[str]) -> dict[str, list[Fitting]]:
    """The fittings of some gateways, by gateway, in order of their start."""
    query = (
        select(fitting, vehicle.c.vin)
        .join(vehicle, vehicle.c.id == fitting.c.vehicle_id)
        .where(fitting.c.gateway.in_(sorted(set(gateways))))
        .order_by(fitting.c.fitted_from, fitting.c.id)
    )
    found: dict[str, list[Fitting]] = {}
    for row in connection.execute(query):
        fit = Fitting(row.vehicle_id, row.vin, row.gateway, row.fitted_from, row.fitted_to)
        found.setdefault(row.gateway, []).append(fit)
    return found


def vehicle_of(row: Row[Any]) -> Vehicle:
    """The vehicle of a row of the table."""
    return Vehicle(
        id=row.id,
        unit=row.unit,
        vin=row.vin,
        plate=row.plate or "",
        depot=row.depot,
        depot_tz=row.depot_tz,
        program=row.program,
        model_year=row.model_year,
        ignition=Ignition(row.ignition),
        gvwr_lb=row.gvwr_lb,
        gateway=row.gateway,
        fitted_from=date.fromisoformat(row.fitted_from) if row.fitted_from else None,
        due_date=date.fromisoformat(row.due_date) if row.due_date else None,
        state=row.state,
    )


def all_vehicles(connection: Connection, of_depot: str | None = None) -> list[Vehicle]:
    """Every vehicle (of one depot), by unit."""
    query = select(vehicle).order_by(vehicle.c.unit)
    if of_depot is not None:
        query = query.where(vehicle.c.depot == of_depot)
    return [vehicle_of(row) for row in connection.execute(query)]


def vins(connection: Connection, ids: Iterable[int]) -> dict[int, str]:
    """The VINs of some vehicles, by id."""
    query = select(vehicle.c.id, vehicle.c.vin).where(vehicle.c.id.in_(sorted(set(ids))))
    return {row.id: row.vin for row in connection.execute(query)}


@dataclass(frozen=True, slots=True)
class Loaded:
    """What loading a list did. `gateways` lost or gained a vehicle, or their vehicle's VIN."""

    added: int
    changed: int
    unchanged: int
    gateways: frozenset[str]
    vehicle_ids: frozenset[int]


def save_vehicles(connection: Connection, vehicles: Sequence[Vehicle], now: int) -> Loaded:
    """Add or update vehicles by unit number; those the list leaves out stay as they are."""
    known = {row.unit: row for row in connection.execute(select(vehicle))}
    added = changed = unchanged = 0
    gateways: set[str] = set()
    touched: set[int] = set()
    _free_names(connection, vehicles, known)
    for item in vehicles:
        values = _values(item)
        before = known.get(item.unit)
        if before is None:
            added += 1
            vehicle_id = _insert(connection, values)
        elif all(getattr(before, name) == value for name, value in values.items()):
            unchanged += 1
            continue
        else:
            changed += 1
            vehicle_id = int(before.id)
            connection.execute(
                update(vehicle)
                .where(vehicle.c.id == vehicle_id)
                .values(**values, version=before.version + 1)
            )
            if before.vin != values["vin"]:
                touched.add(vehicle_id)
        moved = _refit(connection, vehicle_id, item, now)
        if moved:
            gateways |= moved
            touched.add(vehicle_id)
    _add_depots(connection, vehicles)
    return Loaded(added, changed, unchanged, frozenset(gateways), frozenset(touched))


def _free_names(
    connection: Connection, vehicles: Sequence[Vehicle], known: dict[str, Row[Any]]
) -> None:
    """Let two vehicles of one list swap a VIN: unique values are parked before they move."""
    wanted = {item.vin: item.unit for item in vehicles}
    units = {item.unit for item in vehicles}
    for row in known.values():
        if row.unit in units and wanted.get(row.vin, row.unit) != row.unit:
            connection.execute(
                update(vehicle).where(vehicle.c.id == row.id).values(vin=f"moved {row.id}")
            )


def _insert(connection: Connection, values: dict[str, Any]) -> int:
    result = connection.execute(insert(vehicle).values(**values, version=1))
    key = result.inserted_primary_key
    assert key is not None
    return int(key[0])


def _values(item: Vehicle) -> dict[str, Any]:
    return {
        "unit": item.unit,
        "vin": item.vin,
        "plate": item.plate or None,
        "depot": item.depot,
        "depot_tz": item.depot_tz,
        "program": item.program,
        "model_year": item.model_year,
        "ignition": str(item.ignition),
        "gvwr_lb": item.gvwr_lb,
        "gateway": item.gateway or None,
        "fitted_from": item.fitted_from.isoformat() if item.fitted_from else None,
        "due_date": item.due_date.isoformat() if item.due_date else None,
        "state": item.state,
    }


def _refit(connection: Connection, vehicle_id: int, item: Vehicle, now: int) -> set[str]:
    """Make the fitting of a vehicle what the list says; return the gateways that moved.

    Without a date a first fitting counts from ever, and a later change from `now`.
    """
    is_open = fitting.c.fitted_to.is_(None)
    mine = connection.execute(
        select(fitting).where(fitting.c.vehicle_id == vehicle_id, is_open)
    ).all()
    others = connection.execute(
        select(fitting).where(
            fitting.c.gateway == (item.gateway or ""), fitting.c.vehicle_id != vehicle_id, is_open
        )
    ).all()
    if item.fitted_from:
        start = day_start_ms(item.fitted_from, item.depot_tz)
    elif [row.gateway for row in mine] == [item.gateway]:
        start = mine[0].fitted_from
    else:
        start = now if mine or others else 0
    wanted = [(item.gateway, start)] if item.gateway else []
    if [(row.gateway, row.fitted_from) for row in mine] == wanted:
        return set()
    for row in (*mine, *others):
        _close(connection, row, start)
    if item.gateway:
        new = {"vehicle_id": vehicle_id, "gateway": item.gateway, "fitted_from": start}
        connection.execute(insert(fitting), [new])
    return {row.gateway for row in mine} | {gateway for gateway, _ in wanted}


def _close(connection: Connection, row: Row[Any], end: int) -> None:
    """End a fitting; one that would end before it began was a wrong entry and goes."""
    if end <= row.fitted_from:
        connection.execute(delete(fitting).where(fitting.c.id == row.id))
    else:
        connection.execute(update(fitting).where(fitting.c.id == row.id).values(fitted_to=end))


def _add_depots(connection: Connection, vehicles: Sequence[Vehicle]) -> None:
    zones = {item.depot: item.depot_tz for item in vehicles}
    rows = [
        {
            "name": name,
            "tz": zone,
            "bays": json.dumps(DEFAULT_BAYS),
            "weekdays": DEFAULT_WEEKDAYS,
            "opens": DEFAULT_HOURS[0],
            "closes": DEFAULT_HOURS[1],
            "closed_days": json.dumps([]),
            "version": 1,
        }
        for name, zone in zones.items()
    ]
    insert_or_ignore(connection, depot, rows)


def depot_bays(connection: Connection, name: str) -> tuple[str, ...]:
    """The names of a depot's bays; none for a depot that is not known."""
    text = connection.execute(select(depot.c.bays).where(depot.c.name == name)).scalar()
    return () if text is None else tuple(json.loads(text))


def vehicle_exists(connection: Connection, vehicle_id: int) -> bool:
    """Whether there is a vehicle of this id."""
    query = select(vehicle.c.id).where(vehicle.c.id == vehicle_id)
    return connection.execute(query).one_or_none() is not None
