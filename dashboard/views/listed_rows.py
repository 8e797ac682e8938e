"""What the vehicle list says of one vehicle as rows for the screen: pure, US dates."""

from __future__ import annotations

from datetime import date

from dashboard.planning.explain import us_date
from dashboard.present import Row
from ingest.domain import vehicle_columns
from ingest.domain.lay_up import Season
from ingest.domain.vehicles import Vehicle

_ELSEWHERE = frozenset(
    {
        "unit", "vin", "plate", "depot", "depot_tz", "program", "model_year", "ignition", "make",
        "state", "hold_reason", "open_recalls",
    }
)  # fmt: skip
"""Columns that the page shows above: in its first lines, or in the answer."""


def listed_rows(vehicle: Vehicle, today: date) -> list[Row]:
    """Every other column that has something in it."""
    return [
        {"What": column.label, "Value": _words(getattr(vehicle, column.name), column, today)}
        for column in vehicle_columns.ALL
        if column.name not in _ELSEWHERE and getattr(vehicle, column.name) not in (None, "", ())
    ]


def _words(value: object, column: vehicle_columns.Column, today: date) -> str:
    if isinstance(value, date):
        return us_date(value, today)
    if column.name == "lay_up" and isinstance(value, tuple):
        return "; ".join(_season(one, today) for one in value)
    return f"{value:,}" if isinstance(value, int) else column.show(value)


def _season(one: Season, today: date) -> str:
    if not one.yearly:
        return f"{us_date(one.first, today)} to {us_date(one.last, today)}"
    first, last = (us_date(day).partition(" ")[2] for day in (one.first, one.last))
    return f"{first} to {last}, every year"


def warnings(vehicle: Vehicle) -> list[str]:
    """What the list says that bears on every visit: a hold, and open recalls."""
    said = []
    if vehicle.hold_reason:
        said.append(f"Hold: {vehicle.hold_reason}")
    if vehicle.open_recalls:
        said.append(
            f"Open recalls as entered: {vehicle.open_recalls}. No inspection result covers them"
        )
    return [f"{one.rstrip('.')}." for one in said]
