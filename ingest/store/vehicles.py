"""The vehicle list in the store: vehicles, which gateway sat in which when, and depots."""

from __future__ import annotations

import json
from collections.abc import Iterable, Sequence, Set
from dataclasses import dataclass, replace
from operator import itemgetter
from typing import Any

from msgspec import UNSET
from sqlalchemy import Connection, Row, bindparam, delete, insert, select, update

from gateway import contract
from ingest.domain import fittings, vehicle_columns
from ingest.domain.vehicles import Vehicle
from ingest.store import bulk
from ingest.store.particulars import values_of, vehicle_of
from ingest.store.schema import depot, fitting, vehicle
from ingest.store.times import day_start_ms, from_ms

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


def owner(report: contract.Report, known: Sequence[Fitting]) -> Fitting | None:
    """The fitting a report belongs to: by its own time, else by the VIN read, else the latest.

    `known` are those of the report's gateway. Depends on the report and the list only, never
    on when it arrived. A clock that is earlier than the journal it writes to is not believed.
    """
    if not known:
        return None
    taken = None if report.taken_at is None else contract.epoch_ms(report.taken_at)
    if taken is not None and taken >= contract.epoch_ms(report.journal_created_at) - _DAY_MS:
        for fit in known:
            if fit.fitted_from <= taken and (fit.fitted_to is None or taken < fit.fitted_to):
                return fit
        return None
    for fit in known:
        if report.vin is not UNSET and fit.vin == report.vin:
            return fit
    return max(known, key=lambda fit: fit.fitted_from)


def fittings_of(connection: Connection, gateways: Iterable[str]) -> dict[str, list[Fitting]]:
    """The fittings of some gateways, by gateway, in order of their start."""
    table = fitting.c
    columns = (table.id, table.vehicle_id, table.gateway, table.fitted_from, table.fitted_to)
    rows = bulk.select_in(connection, columns, table.gateway, gateways)
    names = vins(connection, (row[1] for row in rows))
    found: dict[str, list[Fitting]] = {}
    for _, vehicle_id, gateway, start, end in sorted(rows, key=itemgetter(3, 0)):
        fit = Fitting(vehicle_id, names[vehicle_id], gateway, start, end)
        found.setdefault(gateway, []).append(fit)
    return found


def all_vehicles(connection: Connection, of_depot: str | None = None) -> list[Vehicle]:
    """Every vehicle (of one depot), by unit."""
    query = select(vehicle).order_by(vehicle.c.unit)
    if of_depot is not None:
        query = query.where(vehicle.c.depot == of_depot)
    return [vehicle_of(row) for row in connection.execute(query)]


def vins(connection: Connection, ids: Iterable[int]) -> dict[int, str]:
    """The VINs of some vehicles, by id."""
    return dict(bulk.select_in(connection, (vehicle.c.id, vehicle.c.vin), vehicle.c.id, ids))


@dataclass(frozen=True, slots=True)
class Loaded:
    """What loading a list did. `gateways` lost or gained a vehicle; `vehicle_ids` another VIN."""

    added: int
    changed: int
    unchanged: int
    gateways: frozenset[str]
    vehicle_ids: frozenset[int]


class FittingOverlap(Exception):
    """A gateway would sit in two vehicles, or a vehicle carry two, at one time; all are named."""


def save_vehicles(
    connection: Connection,
    vehicles: Sequence[Vehicle],
    now: int,
    columns: Set[str] = frozenset(vehicle_columns.BY_NAME),
) -> Loaded:
    """Add or update vehicles by unit number; those the list leaves out stay as they are.

    Of vehicles that are known only `columns` are written. Raises `FittingOverlap`.
    """
    known = {row.unit: row for row in connection.execute(select(vehicle))}
    names = [one.name for one in vehicle_columns.ALL if one.name in columns]
    _free_names(connection, vehicles, known)
    new = [item for item in vehicles if item.unit not in known]
    ids = _insert(connection, new)
    changed: list[dict[str, Any]] = []
    renamed: set[int] = set()
    refitted = list(new)
    for item in vehicles:
        before = known.get(item.unit)
        if before is None:
            continue
        values = values_of(item, names)
        if all(getattr(before, name) == value for name, value in values.items()):
            continue
        ids[item.unit] = before.id
        changed.append({**values, "b_id": before.id, "b_version": before.version + 1})
        refitted.append(_filled(item, before, columns))
        if before.vin != item.vin:
            renamed.add(before.id)
    if changed:
        written: dict[str, Any] = {name: bindparam(name) for name in names}
        statement = update(vehicle).where(vehicle.c.id == bindparam("b_id"))
        connection.execute(statement.values(**written, version=bindparam("b_version")), changed)
    gateways = _refit(connection, refitted, ids, now)
    _add_depots(connection, vehicles)
    unchanged = len(vehicles) - len(new) - len(changed)
    return Loaded(len(new), len(changed), unchanged, frozenset(gateways), frozenset(renamed))


def _filled(item: Vehicle, before: Row[Any], columns: Set[str]) -> Vehicle:
    """The vehicle as it stands now: what the list leaves out is as it was."""
    if columns >= vehicle_columns.BY_NAME.keys():
        return item
    old = vehicle_of(before)
    return replace(old, **{name: getattr(item, name) for name in columns})


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


def _insert(connection: Connection, new: Sequence[Vehicle]) -> dict[str, int]:
    """Store new vehicles; their ids by unit."""
    if not new:
        return {}
    rows = [{**values_of(item, vehicle_columns.BY_NAME), "version": 1} for item in new]
    statement = insert(vehicle).returning(vehicle.c.id, sort_by_parameter_order=True)
    ids = connection.execute(statement, rows).scalars().all()
    return {item.unit: vehicle_id for item, vehicle_id in zip(new, ids, strict=True)}


def _refit(
    connection: Connection, vehicles: Sequence[Vehicle], ids: dict[str, int], now: int
) -> set[str]:
    """Make the fittings what the list says; return the gateways whose fittings differ."""
    if not vehicles:
        return set()
    stored = [
        fittings.Span(row.vehicle_id, row.gateway, row.fitted_from, row.fitted_to, row.id)
        for row in connection.execute(select(fitting).order_by(fitting.c.id))
    ]
    wanted = [
        fittings.Wanted(
            ids[item.unit],
            item.gateway or None,
            day_start_ms(item.fitted_from, item.depot_tz) if item.fitted_from else None,
            day_start_ms(item.fitted_until, item.depot_tz) if item.fitted_until else None,
        )
        for item in vehicles
    ]
    changes = fittings.refit(stored, wanted, now)
    if changes.overlaps:
        raise FittingOverlap(_overlap_words(connection, changes.overlaps))
    for span in changes.removed:
        connection.execute(delete(fitting).where(fitting.c.id == span.id))
    for span in changes.altered:
        connection.execute(
            update(fitting)
            .where(fitting.c.id == span.id)
            .values(fitted_from=span.start, fitted_to=span.end)
        )
    if changes.new:
        rows = [
            {
                "vehicle_id": span.vehicle_id,
                "gateway": span.gateway,
                "fitted_from": span.start,
                "fitted_to": span.end,
            }
            for span in changes.new
        ]
        connection.execute(insert(fitting), rows)
    for vehicle_id in changes.taken_from:
        connection.execute(
            update(vehicle)
            .where(vehicle.c.id == vehicle_id)
            .values(gateway=None, fitted_from=None, version=vehicle.c.version + 1)
        )
    return changes.gateways


def _overlap_words(
    connection: Connection, overlaps: Sequence[tuple[fittings.Span, fittings.Span]]
) -> str:
    units = {row.id: row.unit for row in connection.execute(select(vehicle.c.id, vehicle.c.unit))}

    def words(span: fittings.Span) -> str:
        start = "ever" if span.start == fittings.EVER else f"{from_ms(span.start):%Y-%m-%d %H:%M}"
        end = "now on" if span.end is None else f"{from_ms(span.end):%Y-%m-%d %H:%M}"
        return f"gateway {span.gateway} in unit {units[span.vehicle_id]} from {start} to {end} UTC"

    return "; ".join(f"{words(one)} overlaps {words(other)}" for one, other in overlaps)


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
    bulk.insert_or_ignore(connection, depot, rows)


def depot_bays(connection: Connection, name: str) -> tuple[str, ...]:
    """The names of a depot's bays; none for a depot that is not known."""
    text = connection.execute(select(depot.c.bays).where(depot.c.name == name)).scalar()
    return () if text is None else tuple(json.loads(text))


def vehicle_exists(connection: Connection, vehicle_id: int) -> bool:
    """Whether there is a vehicle of this id."""
    query = select(vehicle.c.id).where(vehicle.c.id == vehicle_id)
    return connection.execute(query).one_or_none() is not None
