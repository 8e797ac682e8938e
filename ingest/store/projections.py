"""The small tables of what is so now; a row is written only when it changed."""

from __future__ import annotations

from collections.abc import Iterable
from operator import attrgetter
from typing import Any

from msgspec import UNSET
from sqlalchemy import Connection, Table, select

from ingest.domain.picture import Picture
from ingest.store import bulk
from ingest.store.schema import current_code, current_lamp, current_monitor

Rows = dict[tuple[Any, ...], Any]
"""Primary key without the vehicle -> value (None where the key says it all)."""

TABLES: tuple[tuple[Table, tuple[str, ...], str | None], ...] = (
    (current_monitor, ("ecu", "monitor"), "complete"),
    (current_code, ("ecu", "code", "kind"), None),
    (current_lamp, ("ecu",), "commanded"),
)
_CODE_KINDS = ("confirmed", "pending", "permanent")
_SHOWN = attrgetter("mil", "monitors", *_CODE_KINDS)


def rows_of(picture: Picture | None) -> tuple[Rows, Rows, Rows]:
    """What the three tables hold of one vehicle. What was never answered has no row."""
    monitors: Rows = {}
    codes: Rows = {}
    lamps: Rows = {}
    if picture is None:
        return monitors, codes, lamps
    for ecu, reading in picture.ecus.items():
        for monitor, complete in (_answered(reading.monitors) or {}).items():
            monitors[ecu, str(monitor)] = bool(complete)
        for kind in _CODE_KINDS:
            for code in _answered(getattr(reading, kind)) or ():
                codes[ecu, code, kind] = None
        if _answered(reading.mil) is not None:
            lamps[(ecu,)] = bool(reading.mil)
    return monitors, codes, lamps


def _answered(value: Any) -> Any:
    return None if value is UNSET else value


def alike(before: Picture, after: Picture) -> bool:
    """Whether the tables hold the same of both: the quick look that spares most readings a diff."""
    old = before.ecus
    return old.keys() == after.ecus.keys() and all(
        one is old[ecu_id] or _SHOWN(one) == _SHOWN(old[ecu_id])
        for ecu_id, one in after.ecus.items()
    )


class ProjectionWriter:
    """Gathers the changes of many vehicles and writes each table in two statements."""

    def __init__(self) -> None:
        self._gone: list[list[dict[str, Any]]] = [[], [], []]
        self._new: list[list[dict[str, Any]]] = [[], [], []]

    def change(
        self, vehicle_id: int, before: tuple[Rows, Rows, Rows], after: tuple[Rows, Rows, Rows]
    ) -> None:
        """Note what differs between two states of one vehicle."""
        for index, (_, names, value_name) in enumerate(TABLES):
            old, new = before[index], after[index]
            if old == new:
                continue
            for key in old.keys() - new.keys():
                row = {"vehicle_id": vehicle_id, **dict(zip(names, key, strict=True))}
                self._gone[index].append(row)
            for key, value in new.items():
                if key not in old or old[key] != value:
                    row = {"vehicle_id": vehicle_id, **dict(zip(names, key, strict=True))}
                    self._new[index].append(row | ({value_name: value} if value_name else {}))

    def write(self, connection: Connection) -> None:
        """Write what was gathered."""
        for index, (table, _, _) in enumerate(TABLES):
            bulk.delete(connection, table, self._gone[index])
            bulk.upsert(connection, table, self._new[index])


def stored_rows(
    connection: Connection, vehicle_ids: Iterable[int]
) -> dict[int, tuple[Rows, Rows, Rows]]:
    """What the tables hold now, by vehicle."""
    ids = sorted(set(vehicle_ids))
    found: dict[int, tuple[Rows, Rows, Rows]] = {one: ({}, {}, {}) for one in ids}
    for index, (table, names, value_name) in enumerate(TABLES):
        for row in connection.execute(select(table).where(table.c.vehicle_id.in_(ids))):
            key = tuple(getattr(row, name) for name in names)
            found[row.vehicle_id][index][key] = getattr(row, value_name) if value_name else None
    return found
