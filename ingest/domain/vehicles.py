"""The vehicle list: what the shop says of each vehicle, read from rows with all faults named."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable, Mapping, Set
from dataclasses import dataclass
from datetime import date
from typing import TypeVar
from zoneinfo import ZoneInfo

from gateway.facts import Ignition
from ingest.domain.vin import check_digit_fault, check_digit_required, form_fault

COLUMNS = (
    "unit", "vin", "plate", "depot", "depot_tz", "program", "model_year", "ignition",
    "gvwr_lb", "gateway", "fitted_from", "due_date",
)  # fmt: skip
STATES = ("in service", "in shop", "down", "not in use")
FIRST_MODEL_YEAR, LAST_MODEL_YEAR = 1981, 2060
"""17-character VINs begin with model year 1981 (49 CFR 565, year from memory)."""

T = TypeVar("T")
_GATEWAY = re.compile(r"[a-z0-9][a-z0-9-]{0,31}")


@dataclass(frozen=True, slots=True)
class Vehicle:
    """One vehicle. `id` is None until stored; `gvwr_lb` is in pounds, dates are the depot's own."""

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
    state: str = "in service"
    id: int | None = None


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
    rows: Iterable[Mapping[str, str]], programs: Set[str]
) -> tuple[list[Vehicle], list[RowFault]]:
    """Read a whole list. Vehicles with a fault are left out; the caller loads all or nothing."""
    vehicles: list[Vehicle] = []
    faults: list[RowFault] = []
    seen: dict[tuple[str, str], int] = {}
    for line, row in enumerate(rows, start=2):
        reader = _Row(line, row)
        vehicle = reader.vehicle(programs)
        reader.check_unique(seen)
        faults += reader.faults
        if vehicle is not None:
            vehicles.append(vehicle)
    return vehicles, faults


class _Row:
    """One row being read; faults collect so that all of them are told at once."""

    def __init__(self, line: int, row: Mapping[str, str]) -> None:
        self.line = line
        self.row = {str(name).strip().lower(): value for name, value in row.items() if name}
        self.faults: list[RowFault] = []

    def vehicle(self, programs: Set[str]) -> Vehicle | None:
        unit, plate = self._needed("unit"), self._needed("plate").upper()
        vin = self._vin()
        depot, zone = self._needed("depot"), self._read("depot_tz", _zone, "an IANA time zone")
        known = ", ".join(sorted(programs)) or "a program, and none is loaded"
        program = self._read("program", lambda text: _one_of(text, programs), known)
        years = f"a year {FIRST_MODEL_YEAR} to {LAST_MODEL_YEAR}"
        year = self._read("model_year", _model_year, years)
        ignition = self._read("ignition", Ignition, "spark or compression")
        gvwr = self._read("gvwr_lb", _pounds, "whole pounds above 0, or nothing", optional=True)
        shape = "a-z, 0-9 and '-', at most 32, or nothing"
        gateway = self._read("gateway", _gateway, shape, optional=True)
        fitted = self._read("fitted_from", date.fromisoformat, "YYYY-MM-DD", optional=True)
        due = self._read("due_date", date.fromisoformat, "YYYY-MM-DD", optional=True)
        if any(not fault.warning for fault in self.faults):
            return None
        if zone is None or program is None or year is None or ignition is None:
            return None
        return Vehicle(
            unit=unit, vin=vin, plate=plate, depot=depot, depot_tz=zone, program=program,
            model_year=year, ignition=ignition, gvwr_lb=gvwr, gateway=gateway,
            fitted_from=fitted, due_date=due,
        )  # fmt: skip

    def check_unique(self, seen: dict[tuple[str, str], int]) -> None:
        """Unit, VIN, plate and gateway may each stand in one row only."""
        for name in ("unit", "vin", "plate", "gateway"):
            text = self._text(name)
            if not text:
                continue
            first = seen.setdefault((name, text.upper()), self.line)
            if first != self.line:
                self._fault(name, f"a {name} of its own: line {first} has it already")

    def _vin(self) -> str:
        vin = self._needed("vin").upper()
        if not vin:
            return vin
        fault = form_fault(vin) or check_digit_fault(vin)
        if fault is not None:
            only_warn = form_fault(vin) is None and not check_digit_required(vin)
            self._fault("vin", fault, warning=only_warn)
        return vin

    def _text(self, name: str) -> str:
        value = self.row.get(name)
        return "" if value is None else str(value).strip()

    def _needed(self, name: str) -> str:
        text = self._text(name)
        if not text:
            self._fault(name, "some text")
        return text

    def _read(
        self, name: str, convert: Callable[[str], T], expected: str, optional: bool = False
    ) -> T | None:
        text = self._text(name)
        if not text and optional:
            return None
        try:
            return convert(text)
        except (ValueError, LookupError, OSError):  # zoneinfo raises all three for odd names
            self._fault(name, expected)
            return None

    def _fault(self, name: str, expected: str, warning: bool = False) -> None:
        self.faults.append(RowFault(self.line, name, self._text(name), expected, warning))


def _zone(text: str) -> str:
    ZoneInfo(text)
    return text


def _one_of(text: str, allowed: Set[str]) -> str:
    if text not in allowed:
        raise ValueError(text)
    return text


def _model_year(text: str) -> int:
    year = int(text)
    if not FIRST_MODEL_YEAR <= year <= LAST_MODEL_YEAR:
        raise ValueError(text)
    return year


def _pounds(text: str) -> int:
    pounds = int(text.replace(",", ""))
    if pounds <= 0:
        raise ValueError(text)
    return pounds


def _gateway(text: str) -> str:
    if not _GATEWAY.fullmatch(text):
        raise ValueError(text)
    return text
