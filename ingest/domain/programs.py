"""An inspection program: one authority's rules as data, each value with its citation."""

from __future__ import annotations

import tomllib
from collections.abc import Iterable
from typing import Annotated, Any, Literal, TypeVar

from pydantic import Field, ValidationError

from ingest.domain.citation import Cited, Days, Strict, Text, Value
from ingest.domain.program_codes import (
    EyeCheck,
    LampWording,
    Operation,
    PermanentCodes,
    SeenLamp,
    StoredCodes,
)
from ingest.domain.program_counts import Allowance, Retest
from ingest.domain.program_dates import Dates
from ingest.domain.program_exceptions import VehicleException
from ingest.domain.program_scope import Exemption, Fuel, Scope
from ingest.domain.vehicles import Vehicle

M = TypeVar("M", bound=Strict)


class ProgramError(ValueError):
    """A program file is wrong: our own data must be mended. `faults` names every fault."""

    def __init__(self, *faults: str) -> None:
        super().__init__("\n".join(faults))
        self.faults = faults


class Program(Strict):
    """One inspection program. `name` is the stem of its file, `called` its short name on screen.

    `allowed_unknown` stands in place of `allowed_incomplete` where the limits are not published.
    """

    name: Text
    title: Text
    called: Text | None = None
    authority: Text
    advisory: Text
    scope: Annotated[list[Scope], Field(min_length=1)]
    exempt: list[Exemption] = Field(default_factory=list)
    lamp: Value[LampWording]
    stored_codes: Value[StoredCodes]
    seen_lamp: list[SeenLamp] = Field(default_factory=list)
    permanent_codes: PermanentCodes | None = None
    operation_since_clear: list[Operation] = Field(default_factory=list)
    count_scope: Value[Literal["non_continuous", "all"]]
    allowed_incomplete: list[Allowance] = Field(default_factory=list)
    allowed_unknown: Cited | None = None
    retest_must_be_complete: list[Retest] = Field(default_factory=list)
    pass_word: Value[Text]
    fail_word: Value[Text]
    not_ready_word: Value[Text]
    stale_after_days: Value[Days]
    check_by_eye: list[EyeCheck] = Field(default_factory=list)
    dates: Dates = Field(default_factory=Dates)
    exceptions: list[VehicleException] = Field(default_factory=list)

    @property
    def short(self) -> str:
        """Its name on screen."""
        return self.called or self.title

    def allowance(self, model_year: int, fuel: Fuel = Fuel.GASOLINE) -> Allowance | None:
        """The allowance of a model year and fuel, or None where the program has none for it."""
        for row in self.allowed_incomplete:
            if row.covers(model_year, fuel):
                return row
        return None

    def exemption(
        self, vehicle: Vehicle, fuel: Fuel, year: int, run_mi: float | None
    ) -> Exemption | None:
        """The exemption of a vehicle in a calendar year; one of the whole program goes first."""
        found = None
        for row in self.exempt:
            if row.covers(vehicle, fuel, year, run_mi):
                if row.of == "program":
                    return row
                found = found or row
        return found


class FleetAdditions(Strict):
    """What a fleet adds to a program that comes with the package: its exceptions, its stale age."""

    exceptions: list[VehicleException] = Field(default_factory=list)
    stale_after_days: Days | None = None


def parse_program(text: str, name: str) -> Program:
    """Read one program file (TOML), or raise `ProgramError` naming every fault in it."""
    program = _validated(Program, {**_table(text, name), "name": name}, name)
    faults = list(_cross_faults(program))
    if faults:
        raise ProgramError(*faults)
    return program


def parse_additions(text: str, name: str) -> FleetAdditions:
    """Read a fleet's additions to a program (TOML), or raise `ProgramError` with every fault."""
    return _validated(FleetAdditions, _table(text, name), name)


def with_additions(program: Program, added: FleetAdditions) -> Program:
    """The program with a fleet's rows, each marked as the fleet's own."""
    own = [row.model_copy(update={"own": True}) for row in added.exceptions]
    changes: dict[str, Any] = {"exceptions": [*program.exceptions, *own]}
    if added.stale_after_days is not None:
        changes["stale_after_days"] = Value[Days](
            value=added.stale_after_days, source="the fleet's own file", edition="its own", tag="X"
        )
    return program.model_copy(update=changes)


def _table(text: str, name: str) -> dict[str, Any]:
    try:
        return tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise ProgramError(f"{name}: {error}, expected TOML") from error


def _validated(model: type[M], table: dict[str, Any], name: str) -> M:
    try:
        return model.model_validate(table)
    except ValidationError as error:
        faults = [
            f"{name}: {'.'.join(str(part) for part in fault['loc'])}: "
            f"{fault['input']!r}, {fault['msg']}"
            for fault in error.errors(include_url=False)
        ]
        raise ProgramError(*faults) from error


def _cross_faults(program: Program) -> Iterable[str]:
    """What can only be seen over several rows."""
    name = program.name
    for group in program.scope:
        if group.to_model_year is not None and group.to_model_year < group.from_model_year:
            yield (
                f"{name}: scope from {group.from_model_year}: to_model_year "
                f"{group.to_model_year}, expected no earlier year"
            )
    if bool(program.allowed_incomplete) == (program.allowed_unknown is not None):
        yield f"{name}: expected either allowed_incomplete or allowed_unknown"
    if program.allowed_incomplete:
        for fuel in sorted({fuel for group in program.scope for fuel in group.fuels}):
            yield from _span_faults(program, fuel)
    for retest in program.retest_must_be_complete:
        if retest.last_code < retest.first_code:
            yield (
                f"{name}: retest_must_be_complete: {retest.first_code} to "
                f"{retest.last_code}, expected first_code <= last_code"
            )


def _span_faults(program: Program, fuel: Fuel) -> Iterable[str]:
    """Spans of model years of one fuel that run backwards, overlap or leave a gap."""
    groups = [group for group in program.scope if fuel in group.fuels]
    rows = [row for row in program.allowed_incomplete if row.fuels is None or fuel in row.fuels]
    if not rows:
        yield f"{program.name}: allowed_incomplete: no row for {fuel}, expected one as in scope"
        return
    rows.sort(key=lambda row: row.from_model_year)
    first = min(group.from_model_year for group in groups)
    # A row for all fuels may begin before the first model year of one of them.
    expected = first if rows[0].fuels is not None else min(first, rows[0].from_model_year)
    for number, row in enumerate(rows):
        where = f"{program.name}: allowed_incomplete from {row.from_model_year}"
        if row.from_model_year != expected:
            yield f"{where}: expected to start at {expected}, without gap or overlap"
        if row.to_model_year is not None and row.to_model_year < row.from_model_year:
            yield f"{where}: to_model_year {row.to_model_year}, expected no earlier year"
        if row.to_model_year is None and number != len(rows) - 1:
            yield f"{where}: no to_model_year, expected one before the next span"
        expected = (row.to_model_year or row.from_model_year) + 1
    last = rows[-1].to_model_year
    ends = [group.to_model_year for group in groups]
    if last is not None and (None in ends or any(end and end > last for end in ends)):
        yield f"{program.name}: allowed_incomplete ends with {last}, expected as late as scope"
