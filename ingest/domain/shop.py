"""The shop: depots with bays and hours, technicians with skills; read from rows, all faults named.

Days and hours are the depot's own. Skills are the fleet's own words.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, time
from typing import Any

from ingest.domain.days import parse_day
from ingest.domain.vehicle_columns import LONG, Column, parse_weekdays, parse_zone, show_weekdays
from ingest.domain.vehicles import RowFault


@dataclass(frozen=True, slots=True)
class DepotSettings:
    """A depot: bays by name, open weekdays (Monday is 0), hours on its own clock, closed days."""

    name: str
    tz: str
    bays: tuple[str, ...]
    weekdays: tuple[int, ...]
    opens: time
    closes: time
    closed_days: tuple[date, ...]


@dataclass(frozen=True, slots=True)
class Technician:
    """One technician of a depot, and what he or she does."""

    name: str
    depot: str
    skills: tuple[str, ...] = ()


MAX_BAY = 32
QUARTER = 15
"""Bays are planned in quarters of an hour: hours begin and end on one."""


def _text(text: str) -> str:
    return text


def _names(text: str) -> tuple[str, ...]:
    """Names with ; between them, each once."""
    found = tuple(part.strip() for part in text.split(";") if part.strip())
    if len(set(found)) != len(found) or any(len(one) > MAX_BAY for one in found):
        raise ValueError(text)
    return found


def _show_names(names: tuple[str, ...]) -> str:
    return "; ".join(names)


def _clock(text: str) -> time:
    if len(text) != len("07:00"):
        raise ValueError(text)
    at = time.fromisoformat(text)
    if at.minute % QUARTER:
        raise ValueError(text)
    return at


def _show_clock(at: time) -> str:
    return at.isoformat("minutes")


def _days(text: str) -> tuple[date, ...]:
    return tuple(sorted({parse_day(part) for part in _names(text)}))


def _show_days(days: tuple[date, ...]) -> str:
    return "; ".join(map(date.isoformat, days))


_HOURS = "HH:MM, on a quarter of an hour"
_LIST = "names with ; between them, each once and at most 32 characters"

DEPOT_COLUMNS = (
    Column("name", "Depot", _text, "some text", required=True),
    Column("tz", "Time zone", parse_zone, "an IANA time zone", required=True),
    Column("bays", "Bays", _names, _LIST, required=True, show=_show_names, length=LONG),
    Column(
        "weekdays", "Open days", parse_weekdays, "days such as Mon-Fri or Mon Wed Sat",
        required=True, show=show_weekdays,
    ),
    Column("opens", "Opens", _clock, _HOURS, required=True, show=_show_clock),
    Column("closes", "Closes", _clock, _HOURS, required=True, show=_show_clock),
    Column(
        "closed_days", "Closed days", _days, "YYYY-MM-DD, with ; between several",
        show=_show_days, length=10_000,
    ),
)  # fmt: skip
TECHNICIAN_COLUMNS = (
    Column("name", "Technician", _text, "some text", required=True),
    Column("depot", "Depot", _text, "some text", required=True),
    Column("skills", "Skills", _names, _LIST, show=_show_names, length=LONG),
)


def read_depots(
    rows: Iterable[Mapping[str, str]], lines: Sequence[int], zones: Mapping[str, str]
) -> tuple[list[DepotSettings], list[RowFault]]:
    """Read a whole list with every fault. `zones` are those of depots in the vehicle list."""
    found: list[DepotSettings] = []
    faults: list[RowFault] = []
    for line, values, wrong in _read(DEPOT_COLUMNS, rows, lines):
        opens, closes, name = values.get("opens"), values.get("closes"), values.get("name")
        if opens is not None and closes is not None and opens >= closes:
            wrong.append(RowFault(line, "closes", _show_clock(closes), "a time after opens"))
        listed = zones.get(name or "")
        if listed is not None and values.get("tz") not in (None, listed):
            expected = f"{listed}, as for its vehicles in the vehicle list"
            wrong.append(RowFault(line, "tz", values["tz"], expected))
        faults += wrong
        if not wrong:
            found.append(DepotSettings(**{**values, "closed_days": values["closed_days"] or ()}))
    return found, faults


def read_technicians(
    rows: Iterable[Mapping[str, str]], lines: Sequence[int], depots: Iterable[str]
) -> tuple[list[Technician], list[RowFault]]:
    """Read a whole list with every fault; each works at one of `depots`."""
    known = sorted(depots)
    found: list[Technician] = []
    faults: list[RowFault] = []
    for line, values, wrong in _read(TECHNICIAN_COLUMNS, rows, lines):
        if values.get("depot") not in (None, *known):
            expected = f"one of {', '.join(known) or 'the depots, and none is known'}"
            wrong.append(RowFault(line, "depot", values["depot"], expected))
        faults += wrong
        if not wrong:
            found.append(Technician(**{**values, "skills": values["skills"] or ()}))
    return found, faults


def cells(columns: Sequence[Column], one: DepotSettings | Technician) -> list[str]:
    """An entry as text by column, as `read_depots` and `read_technicians` read it."""
    return [column.show(getattr(one, column.name)) for column in columns]


def _read(
    columns: Sequence[Column], rows: Iterable[Mapping[str, str]], lines: Sequence[int]
) -> Iterator[tuple[int, dict[str, Any], list[RowFault]]]:
    """Each row's values (None where empty or wrong) and faults; a name stands once."""
    seen: dict[str, int] = {}
    for line, row in zip(lines, rows, strict=True):
        values: dict[str, Any] = {}
        wrong: list[RowFault] = []
        for column in columns:
            text = str(row.get(column.name) or "").strip()
            values[column.name] = None
            try:
                if len(text) > column.length:
                    wrong.append(
                        RowFault(line, column.name, text, f"at most {column.length} characters")
                    )
                elif text:
                    values[column.name] = column.parse(text)
                elif column.required:
                    wrong.append(RowFault(line, column.name, text, column.expected))
            except (ValueError, LookupError, OSError):  # zoneinfo raises all three for odd names
                wrong.append(RowFault(line, column.name, text, column.expected))
        name = values["name"]
        if name is not None and (first := seen.setdefault(name.casefold(), line)) != line:
            wrong.append(RowFault(line, "name", name, f"a name once: line {first} has it already"))
        yield line, values, wrong
