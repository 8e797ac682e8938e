"""Programs spoilt on purpose: one value of one rule off, to see whether the golden tables bite.

Every bound and count one up and one down, every choice the other way, every row and every part
that may be absent left out.
"""

from __future__ import annotations

import copy
from collections.abc import Iterable, Iterator, Mapping
from types import MappingProxyType
from typing import Any

from gateway.facts import Monitor
from ingest.domain.programs import Program

UNJUDGED = frozenset(
    {"name", "title", "called", "authority", "advisory", "source", "edition", "tag", "note", "what",
     "check_by_eye", "dates", "exceptions"}
)  # fmt: skip
"""What no verdict turns on: words, citations, and the dates, which have a test of their own."""
OTHER_WAY: Mapping[str, str] = MappingProxyType(
    {
        "lamp": "lamp_for_codes",
        "lamp_for_codes": "lamp",
        "told": "unclear",
        "unclear": "told",
        "non_continuous": "all",
        "all": "non_continuous",
        "program": "periodic",
        "periodic": "program",
    }
)
MAY_BE_ABSENT = frozenset(
    {"waiver", "permanent_codes", "other_reading", "to_model_year", "gvwr_over_lb",
     "gvwr_up_to_lb", "age_under", "age_over", "unless_odometer_over_mi"}
)  # fmt: skip
AT_LEAST_ONE = frozenset({"scope", "fuels", "monitors"})

Path = tuple[str | int, ...]
Change = tuple[Path, Any, Any]


def mutants(program: Program) -> Iterator[tuple[str, Program]]:
    """Each spoilt program, named as 'illinois: allowed_incomplete.0.value: 2 -> 3'."""
    table = program.model_dump()
    yield from _spoilt(program, table, _changes(table, ()))


def date_mutants(program: Program) -> Iterator[tuple[str, Program]]:
    """The same of what a program says of time; an extension is offered and moves no day."""
    table = program.model_dump()
    for name, part in table["dates"].items():
        if part is not None and name != "extension":
            path: Path = ("dates", name)
            changes = [(path, part, None), *_date_changes(part, path)]
            yield from _spoilt(program, table, changes)


def _date_changes(part: dict[str, Any], path: Path) -> Iterator[Change]:
    value = part["value"]
    others = ("certificate", "registration", "agency_account")
    spoilt = [value - 1, value + 1] if isinstance(value, int) else [*others]
    yield from (((*path, "value"), value, one) for one in spoilt if one != value)


def _spoilt(
    program: Program, table: dict[str, Any], changes: Iterable[Change]
) -> Iterator[tuple[str, Program]]:
    for path, value, spoilt in changes:
        changed = copy.deepcopy(table)
        _put(changed, path, spoilt)
        name = ".".join(map(str, path))
        words = f"{program.name}: {name}: {_short(value)} -> {_short(spoilt)}"
        yield words, Program.model_validate(changed)


def _short(value: object) -> str:
    if isinstance(value, dict | list):
        return f"{len(value)} there"
    return str(value)


def _put(table: Any, path: Path, value: object) -> None:
    for step in path[:-1]:
        table = table[step]
    table[path[-1]] = value


def _changes(value: Any, path: Path) -> Iterator[Change]:
    key = path[-1] if path else ""
    if key in UNJUDGED or value is None:
        return
    if key in MAY_BE_ABSENT:
        yield path, value, None
    if isinstance(value, dict):
        for name, inner in value.items():
            yield from _changes(inner, (*path, name))
    elif isinstance(value, list):
        yield from _list_changes(value, path)
    elif isinstance(value, int):
        if path[0] == "allowed_incomplete" and key == "from_model_year":
            # A year lower says the same: the row before holds first, or the scope ends there.
            yield path, value, value + 1
            return
        low = 0 if key in ("value", "age_under", "age_over") else 1
        yield from ((path, value, one) for one in (value - 1, value + 1) if one >= low)
    elif key in ("first_code", "last_code"):
        yield from ((path, value, f"P{int(value[1:]) + step:04d}") for step in (-1, 1))
    elif path[0] in ("pass_word", "fail_word", "not_ready_word"):
        yield path, value, "another word"
    elif value in OTHER_WAY:
        yield path, value, OTHER_WAY[value]
    elif key == "monitor":
        yield path, value, Monitor.OXYGEN_SENSOR_HEATER
    elif key in ("seen", "counter"):
        pass  # leaving the row out says the same
    else:
        raise AssertionError(f"{path}: {value!r} is spoilt in no way")


def _list_changes(value: list[Any], path: Path) -> Iterator[Change]:
    key = path[-1]
    if len(value) > 1 or key not in AT_LEAST_ONE:
        for number in range(len(value)):
            yield path, value, [*value[:number], *value[number + 1 :]]
    if key == "monitors":
        yield path, value, [*value, *_another(value)]
    if key == "fuels":
        return
    if all(isinstance(one, dict) for one in value):
        for number, inner in enumerate(value):
            yield from _changes(inner, (*path, number))


def _another(monitors: list[Monitor]) -> list[Monitor]:
    spark = Monitor.EVAPORATIVE_SYSTEM in monitors
    return [Monitor.CATALYST if spark else Monitor.NOX_AFTERTREATMENT]
