"""The vehicle list: what the shop says of each vehicle, read from rows with all faults named."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence, Set
from dataclasses import dataclass
from datetime import date
from itertools import pairwise
from typing import Any

from gateway.facts import Ignition
from ingest.domain import lay_up, vehicle_columns
from ingest.domain.us_days import us_day
from ingest.domain.vehicle_columns import Column
from ingest.domain.vin import check_digit_fault, check_digit_required, form_fault, model_years

COLUMNS = tuple(column.name for column in vehicle_columns.IDENTITY)
"""The columns every file must have; `vehicle_columns.ALL` may stand in it."""
IN_SERVICE, *_, NOT_IN_USE = vehicle_columns.STATES


@dataclass(frozen=True, slots=True)
class Vehicle:
    """One vehicle. `id` is None until stored; `gvwr_lb` is in pounds, `odometer_mi` in miles.

    Dates are the depot's own; `fitted_until` is the first day without the gateway. The columns
    are described in `ingest.domain.vehicle_columns`.
    """

    unit: str
    vin: str
    plate: str
    depot: str
    depot_tz: str
    program: str
    model_year: int
    ignition: Ignition
    gvwr_lb: int | None = None
    gateway: str | None = None
    fitted_from: date | None = None
    due_date: date | None = None
    state: str = IN_SERVICE
    id: int | None = None
    make: str | None = None
    fuel: str | None = None
    fitted_until: date | None = None
    hold_reason: str | None = None
    vehicle_class: str | None = None
    spare_for: str | None = None
    lay_up: lay_up.Seasons | None = None
    duty_days: tuple[int, ...] | None = None
    in_service_date: date | None = None
    odometer_mi: int | None = None
    odometer_source: str | None = None
    odometer_date: date | None = None
    registration_state: str | None = None
    registration_expiry: date | None = None
    plate_class: str | None = None
    garaging_county: str | None = None
    owner: str | None = None
    lessor: str | None = None
    lease_end: date | None = None
    certificate_number: str | None = None
    certificate_until: date | None = None
    retest_by: date | None = None
    open_recalls: str | None = None
    other_programs: tuple[str, ...] | None = None

    def quiet_because(self, day: date) -> str | None:
        """Why nothing is expected of its gateway on a day; None when it should be heard."""
        if self.state == NOT_IN_USE:
            return "not in use by the vehicle list"
        if self.fitted_until is not None and self.fitted_until <= day:
            return f"its gateway was taken out {us_day(self.fitted_until)}"
        span = lay_up.span_of(self.lay_up or (), day)
        return None if span is None else f"laid up until {us_day(span[1])}"

    def test_day(self) -> date | None:
        """The last day to be tested: the due date, or the day before a lay-up that covers it."""
        if self.due_date is None or self.lay_up is None:
            return self.due_date
        return lay_up.latest_test_day(self.lay_up, self.due_date)


@dataclass(frozen=True, slots=True)
class RowFault:
    """One fault of one row: `line` counts from 2 (1 is the heading); a warning refuses nothing."""

    line: int
    field: str
    value: str
    expected: str
    warning: bool = False

    def __str__(self) -> str:
        word = "warning: " if self.warning else ""
        return f"{word}line {self.line}: {self.field}: {self.value!r}, expected {self.expected}"


def read_rows(
    rows: Iterable[Mapping[str, str]], programs: Set[str], lines: Sequence[int] | None = None
) -> tuple[list[Vehicle], list[RowFault]]:
    """Read a whole list. Vehicles with a fault are left out; the caller loads all or nothing.

    `lines` says where each row stands in its file; without it they follow each other from 2.
    """
    vehicles: list[Vehicle] = []
    faults: list[RowFault] = []
    whole = _Whole()
    for number, row in enumerate(rows):
        reader = _Row(number + 2 if lines is None else lines[number], row)
        vehicle = reader.vehicle(programs)
        whole.take(reader)
        faults += reader.faults
        if vehicle is not None:
            vehicles.append(vehicle)
    faults += whole.fitting_faults()
    return vehicles, sorted(faults, key=lambda fault: fault.line)


class _Row:
    """One row being read; faults collect so that all of them are told at once."""

    def __init__(self, line: int, row: Mapping[str, str]) -> None:
        self.line = line
        self.row = {str(name).strip().lower(): value for name, value in row.items() if name}
        self.faults: list[RowFault] = []
        self.values: dict[str, Any] = {}

    def vehicle(self, programs: Set[str]) -> Vehicle | None:
        self.values = {column.name: self._read(column) for column in vehicle_columns.ALL}
        values = self.values
        known = ", ".join(sorted(programs)) or "a program, and none is loaded"
        if values["program"] is not None and values["program"] not in programs:
            self.fault("program", known)
        if not set(values["other_programs"] or ()) <= programs:
            self.fault("other_programs", f"of {known}, set apart by ';'")
        self._check_vin()
        self._check_together()
        if any(not fault.warning for fault in self.faults):
            return None
        if values["state"] is None:
            values["state"] = IN_SERVICE
        return Vehicle(**values)

    def text(self, name: str) -> str:
        value = self.row.get(name)
        return "" if value is None else str(value).strip()

    def fault(self, name: str, expected: str, warning: bool = False) -> None:
        self.faults.append(RowFault(self.line, name, self.text(name), expected, warning))

    def _read(self, column: Column) -> Any:
        text = self.text(column.name)
        if not text:
            if column.required:
                self.fault(column.name, column.expected)
            return None
        if len(text) > column.length:
            self.fault(column.name, f"at most {column.length} characters")
            return None
        try:
            return column.parse(text)
        except (ValueError, LookupError, OSError):  # zoneinfo raises all three for odd names
            self.fault(column.name, column.expected)
            return None

    def _check_vin(self) -> None:
        vin, year = self.values["vin"], self.values["model_year"]
        if vin is None:
            return
        fault = form_fault(vin)
        if fault is not None:
            self.fault("vin", fault)
            return
        wrong = check_digit_fault(vin)
        if wrong is not None:
            self.fault("vin", wrong, warning=not check_digit_required(vin))
            return
        years = model_years(vin, self.values["gvwr_lb"])
        if year is not None and years and year not in years:
            told = " or ".join(map(str, years))
            self.fault("model_year", f"{told} by position 10 of the VIN", warning=True)

    def _check_together(self) -> None:
        """Columns that say nothing, or something impossible, without each other."""
        for name, needed in _NEEDS:
            if self.text(name) and not self.text(needed):
                self.fault(needed, f"something, since {name} is given")
        for first, last in _IN_ORDER:
            start, end = self.values[first], self.values[last]
            if start is not None and end is not None and start >= end:
                self.fault(last, f"a day after {first} {start.isoformat()}")
        fuel, ignition = self.values["fuel"], self.values["ignition"]
        usual = _USUAL_IGNITION.get(fuel or "")
        if usual is not None and ignition is not None and ignition is not usual:
            self.fault("ignition", f"{usual.value} as usual for {fuel}", warning=True)
        spare = self.values["spare_for"]
        if spare is not None and spare == self.values["unit"]:
            self.fault("spare_for", "another unit")


_NEEDS = (
    ("fitted_from", "gateway"),
    ("fitted_until", "gateway"),
    ("odometer_mi", "odometer_source"),
    ("odometer_mi", "odometer_date"),
    ("odometer_source", "odometer_mi"),
    ("odometer_date", "odometer_mi"),
    ("registration_expiry", "registration_state"),
    ("lease_end", "lessor"),
    ("certificate_until", "certificate_number"),
)
"""Where the first column is given the second must be."""
_USUAL_IGNITION = {
    "gasoline": Ignition.SPARK,
    "gasoline hybrid": Ignition.SPARK,
    "diesel": Ignition.COMPRESSION,
    "diesel hybrid": Ignition.COMPRESSION,
}
"""Common practice, no source; another one is told and refuses nothing."""
_IN_ORDER = (("fitted_from", "fitted_until"), ("in_service_date", "lease_end"))


class _Whole:
    """What can only be seen over all rows."""

    def __init__(self) -> None:
        self._seen: dict[tuple[str, str], int] = {}
        self._zones: dict[str, tuple[str, int]] = {}
        self._fitted: dict[str, list[_Row]] = {}

    def take(self, row: _Row) -> None:
        """Unit, VIN and plate stand in one row only; one depot has one time zone."""
        for name in ("unit", "vin", "plate"):
            text = row.text(name)
            if text:
                first = self._seen.setdefault((name, text.upper()), row.line)
                if first != row.line:
                    row.fault(name, f"a {name} of its own: line {first} has it already")
        depot, zone = row.values["depot"], row.values["depot_tz"]
        if depot is not None and zone is not None:
            known, first = self._zones.setdefault(depot, (zone, row.line))
            if known != zone:
                row.fault("depot_tz", f"{known} as for the same depot on line {first}")
        if row.values["gateway"] is not None:
            self._fitted.setdefault(row.values["gateway"], []).append(row)

    def fitting_faults(self) -> Iterator[RowFault]:
        """A gateway sits in one vehicle at a time: its rows must follow each other."""
        for gateway, rows in self._fitted.items():
            ordered = sorted(rows, key=lambda one: (_fitted_from(one), one.line))
            for before, after in pairwise(ordered):
                until = before.values["fitted_until"]
                if until is None or until > _fitted_from(after):
                    late, early = sorted((before, after), key=lambda one: -one.line)
                    yield RowFault(
                        late.line, "gateway", gateway,
                        f"a gateway of its own: line {early.line} has it at the same time",
                    )  # fmt: skip


def _fitted_from(row: _Row) -> date:
    start: date | None = row.values["fitted_from"]
    return date.min if start is None else start
