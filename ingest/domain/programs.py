"""An inspection program: one authority's rules as data, each value with its citation."""

from __future__ import annotations

import tomllib
from collections.abc import Sequence
from typing import Annotated, Generic, Literal, TypeVar

from pydantic import BaseModel, ConfigDict, Field, StringConstraints, ValidationError

from gateway.facts import Monitor

Text = Annotated[str, StringConstraints(strip_whitespace=True, min_length=1)]
CodeText = Annotated[str, StringConstraints(pattern=r"^[PCBU][0-3][0-9A-F]{3}$")]
ModelYear = Annotated[int, Field(ge=1968, le=2060)]
T = TypeVar("T")


class ProgramError(ValueError):
    """A program file is wrong: our own data must be mended. `faults` names every fault."""

    def __init__(self, *faults: str) -> None:
        super().__init__("\n".join(faults))
        self.faults = faults


class Cited(BaseModel):
    """Where a value comes from: the source, the edition it was read in, how sure it is.

    Tags: A the rule itself, A* a copy of it, B a secondary page, M from memory, X our choice.
    """

    model_config = ConfigDict(extra="forbid", frozen=True, strict=True)
    source: Text
    edition: Text
    tag: Literal["A", "A*", "B", "M", "X"]


class Value(Cited, Generic[T]):
    """One value with its citation."""

    value: T


class Allowance(Cited):
    """How many countable monitors may be not complete for a span of model years."""

    from_model_year: ModelYear
    to_model_year: ModelYear | None = None
    value: Annotated[int, Field(ge=0, le=16)]

    def covers(self, model_year: int) -> bool:
        """Whether a model year is in the span; both ends count."""
        return self.from_model_year <= model_year <= (self.to_model_year or model_year)


class Retest(Cited):
    """A monitor that must be complete at a retest after a failure for these codes."""

    monitor: Annotated[Monitor, Field(strict=False)]
    first_code: CodeText
    last_code: CodeText

    def names(self, codes: Sequence[str]) -> list[str]:
        """The codes among those given that call this rule up."""
        return [code for code in codes if self.first_code <= code <= self.last_code]


class Program(BaseModel):
    """One inspection program. `name` is the stem of its file."""

    model_config = ConfigDict(extra="forbid", frozen=True, strict=True)
    name: Text
    title: Text
    authority: Text
    advisory: Text
    first_model_year: Value[ModelYear]
    gvwr_max_lb: Value[Annotated[int, Field(gt=0)]] | None = None
    lamp_fails: Value[bool]
    allowed_incomplete: Annotated[list[Allowance], Field(min_length=1)]
    count_scope: Value[Literal["non_continuous", "all"]]
    pass_word: Value[Text]
    fail_word: Value[Text]
    not_ready_word: Value[Text]
    retest_must_be_complete: list[Retest] = []
    stale_after_days: Value[Annotated[int, Field(ge=1, le=365)]]
    check_by_eye: list[Value[Text]] = []

    def allowance(self, model_year: int) -> Allowance | None:
        """The allowance of a model year, or None where the program has none for it."""
        return next((row for row in self.allowed_incomplete if row.covers(model_year)), None)


def parse_program(text: str, name: str) -> Program:
    """Read one program file (TOML), or raise `ProgramError` naming every fault in it."""
    try:
        table = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise ProgramError(f"{name}: {error}, expected TOML") from error
    try:
        program = Program.model_validate({**table, "name": name})
    except ValidationError as error:
        faults = [
            f"{name}: {'.'.join(str(part) for part in fault['loc'])}: "
            f"{fault['input']!r}, {fault['msg']}"
            for fault in error.errors(include_url=False)
        ]
        raise ProgramError(*faults) from error
    faults = _span_faults(program)
    if faults:
        raise ProgramError(*faults)
    return program


def _span_faults(program: Program) -> list[str]:
    """Spans of model years that run backwards, overlap or leave a gap."""
    faults: list[str] = []
    rows = sorted(program.allowed_incomplete, key=lambda row: row.from_model_year)
    expected = program.first_model_year.value
    for number, row in enumerate(rows):
        where = f"{program.name}: allowed_incomplete from {row.from_model_year}"
        if row.from_model_year != expected:
            faults.append(f"{where}: expected to start at {expected}, without gap or overlap")
        if row.to_model_year is not None and row.to_model_year < row.from_model_year:
            faults.append(f"{where}: to_model_year {row.to_model_year}, expected no earlier year")
        if row.to_model_year is None and number != len(rows) - 1:
            faults.append(f"{where}: no to_model_year, expected one before the next span")
        expected = (row.to_model_year or row.from_model_year) + 1
    for retest in program.retest_must_be_complete:
        if retest.last_code < retest.first_code:
            faults.append(
                f"{program.name}: retest_must_be_complete: {retest.first_code} to "
                f"{retest.last_code}, expected first_code <= last_code"
            )
    return faults
