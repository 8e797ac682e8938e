"""The golden table: program, vehicle and facts to verdict, each row worked out by hand.

`rule` and `tag` are the clause each row was worked out from (tags: A the rule itself, A* a copy,
B a secondary page, M from memory, X a choice of ours). The clause must be the first reason where
it stands in the way, and one of the reasons where the vehicle would pass. Blank facts: gasoline,
8,000 lb, 2026-03-01, everything complete, lamp off, no codes, counters not reported. `spare` is
blank where nothing was worked out.
"""

from __future__ import annotations

import pytest

from ingest.program_files import load_programs
from tests.support.verdict_cases import differences, judged, read_cases

PROGRAMS = load_programs()
CASES = read_cases()


@pytest.mark.parametrize("row", [pytest.param(row, id=row["case"]) for row in CASES])
def test_a_case_worked_out_by_hand(row: dict[str, str]) -> None:
    verdict = judged(row, PROGRAMS)
    assert differences(row, verdict) == [], verdict.reasons
    assert all(one.text and one.fact and one.rule and one.clause for one in verdict.reasons)


def test_the_table_has_at_least_eighty_cases_of_every_program() -> None:
    assert len({row["case"] for row in CASES}) == len(CASES) >= 80
    assert {row["program"] for row in CASES} == set(PROGRAMS)
