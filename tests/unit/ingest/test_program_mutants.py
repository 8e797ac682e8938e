"""The golden tables bite: one value of one rule off, or one comparison of the code that applies it,
turns at least one row red.
"""

from __future__ import annotations

from collections.abc import Mapping
from itertools import product
from types import ModuleType

import pytest

from gateway.facts import Ignition
from ingest.domain import program_counts, program_scope, verdict, verdict_codes, verdict_counts
from ingest.domain.program_scope import Fuel, covered
from ingest.domain.programs import Program
from ingest.domain.vehicles import Vehicle
from ingest.program_files import load_programs
from tests.support import due_cases, verdict_cases
from tests.support.code_mutants import mutants as code_mutants
from tests.support.code_mutants import spoilt
from tests.support.program_mutants import date_mutants, mutants

PROGRAMS = load_programs()
ROWS = verdict_cases.read_cases()
DUE_ROWS = due_cases.read_due_cases()
YEARS = range(1990, 2031)
WEIGHTS = [bound + step for bound in (8500, 10000, 14000, 26000) for step in (-1, 0, 1)]
NO_DAY = (
    # No calendar of the program tells the first day itself, so that its age moves none.
    "illinois: dates.first_due_age",
    # A year apart, the registration's own expiry and its anniversaries are the same days.
    "texas: dates.due_by.value: registration -> agency_account",
)


def _notices(program: Program) -> bool:
    programs = {program.name: program}
    rows = [row for row in ROWS if row["program"] == program.name]
    return any(verdict_cases.differences(row, verdict_cases.judged(row, programs)) for row in rows)


def _notices_days(program: Program) -> bool:
    programs = {program.name: program}
    rows = [row for row in DUE_ROWS if row["program"] == program.name]
    return any(due_cases.differences(row, due_cases.due(row, programs)) for row in rows)


def _covers_the_same(one: Program, other: Program) -> bool:
    """Whether two programs cover the same vehicles by the same rule: of all years and weights."""
    changed = {**one.model_dump(), "scope": other.model_dump()["scope"]}
    if Program.model_validate(changed) != other:
        return False  # something else than its scope was spoilt
    return all(_group(one, *case) == _group(other, *case) for case in product(Fuel, YEARS, WEIGHTS))


def _group(program: Program, fuel: Fuel, year: int, weight: int) -> str | None:
    vehicle = Vehicle("U", "1" * 17, "P", "D", "UTC", program.name, year, Ignition.SPARK, weight)
    found = covered(program.scope, vehicle, fuel).scope
    return None if found is None else found.source


def _survivors(found: Mapping[str, Program], program: Program) -> list[str]:
    return [what for what, one in found.items() if not _covers_the_same(program, one)]


@pytest.mark.parametrize("name", sorted(PROGRAMS))
def test_a_verdict_of_the_table_turns_with_every_rule_of_the_program(name: str) -> None:
    program = PROGRAMS[name]
    all_spoilt = dict(mutants(program))
    missed = {what: one for what, one in all_spoilt.items() if not _notices(one)}
    assert len(all_spoilt) > 20
    assert _survivors(missed, program) == []


@pytest.mark.parametrize("name", sorted(PROGRAMS))
def test_a_day_of_the_table_turns_with_every_date_of_the_program(name: str) -> None:
    missed = [what for what, one in date_mutants(PROGRAMS[name]) if not _notices_days(one)]
    assert [what for what in missed if not what.startswith(NO_DAY)] == []


DECIDED: dict[ModuleType, tuple[str, ...]] = {
    verdict_counts: ("",), verdict_codes: ("",), program_scope: ("",),
    program_counts: ("Allowance.covers", "Retest"), verdict: ("_Case._weigh", "_Case._look"),
}  # fmt: skip
"""The code that the table alone decides, by module; of some only these functions."""
ONLY_WORDS = (
    # Another sentence, or another order of sentences, for the same outcome and the same rule.
    "program_scope.covered: and <-> or in by_year or group",
    "program_scope.covered: and <-> or in by_weight or group",
    "verdict_codes._connector: Eq -> NotEq",
    "verdict_codes.seen: IsNot -> Is in one is not LampFinding.LIT_WHILE_RUNNING",
    "verdict_codes.stored: and <-> or in ', '.join(found['confirmed']) or 'counted, none listed'",
    # A lamp that is commanded on fails before its permanent codes are looked at.
    "verdict_codes._waived: and <-> or in waiver is None or picture.mil()",
)


def _table_notices() -> bool:
    for row in ROWS:
        try:
            if verdict_cases.differences(row, verdict_cases.judged(row, PROGRAMS)):
                return True
        except (AssertionError, AttributeError, KeyError, TypeError, ValueError, IndexError):
            return True  # spoilt so far that it falls over
    return False


def test_a_verdict_of_the_table_turns_with_every_comparison_of_the_code() -> None:
    missed, tried = [], 0
    for module, only in DECIDED.items():
        for what, function, code in code_mutants(module):
            if not function.__qualname__.startswith(only):
                continue
            tried += 1
            with spoilt(function, code):
                noticed = _table_notices()
            if not noticed and not what.startswith(ONLY_WORDS):
                missed.append(what)
    assert missed == []
    assert tried > 60
