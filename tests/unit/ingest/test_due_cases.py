"""The golden table of due days: program, list and results to days, each row worked out by hand.

`rule` and `tag` name what each row was worked out from (A the rule itself, A* a copy, B a secondary
page, M from memory); months and days are counted by the calendar (X). `passed` and `failed` are the
days of results, `expiry` the registration's. Blank: none.
"""

from __future__ import annotations

import pytest

from ingest.program_files import load_programs
from tests.support.due_cases import differences, due, read_due_cases

PROGRAMS = load_programs()
CASES = read_due_cases()


@pytest.mark.parametrize("row", [pytest.param(row, id=row["case"]) for row in CASES])
def test_due_days_worked_out_by_hand(row: dict[str, str]) -> None:
    found = due(row, PROGRAMS)
    assert differences(row, found) == [], found.reasons


def test_every_program_with_a_period_has_a_row() -> None:
    periodic = {name for name, one in PROGRAMS.items() if one.dates.period_months is not None}
    assert {row["program"] for row in CASES} == periodic
