"""What a look answers of a program's checks: lamp at key-on, lamp while running, connector.

40 CFR 85.2222(d)(4) (A* for the check), 85.2207(a), (b) (A).
"""

from __future__ import annotations

from datetime import UTC, datetime
from typing import Any

import pytest

from ingest.domain.check_by_eye import HYBRID, eyes
from ingest.domain.observed_lamp import LampFinding, ObservedLamp
from ingest.program_files import load_programs

PROGRAMS = load_programs()
CHECKS = PROGRAMS["us-federal"].check_by_eye
NOW = datetime(2026, 3, 1, tzinfo=UTC)


def look(**seen: Any) -> ObservedLamp:
    values: dict[str, Any] = {"lit_at_key_on": None, "lit_while_running": None, "by": "Pat"}
    return ObservedLamp(NOW, **(values | seen))


def test_without_a_look_everything_is_left() -> None:
    found = eyes(CHECKS, False, None)
    assert found.left == tuple(row.value for row in CHECKS)
    assert found.answered == ()


@pytest.mark.parametrize(
    "seen, left",
    [
        ({"lit_at_key_on": True}, ["running", "connector"]),
        ({"lit_at_key_on": False}, ["running", "connector"]),  # bad, and a reason of the verdict
        ({"lit_while_running": False}, ["key_on", "connector"]),
        ({"connector_works": True}, ["key_on", "running"]),
        ({"lit_at_key_on": True, "lit_while_running": False, "connector_works": True}, []),
    ],
)
def test_a_look_answers_its_part(seen: dict[str, bool], left: list[str]) -> None:
    found = eyes(CHECKS, False, look(**seen))
    assert found.left == tuple(row.value for row in CHECKS if row.look in left)
    assert len(found.answered) == 3 - len(left)


def test_a_lamp_that_cannot_be_set_against_the_command_is_left_and_says_why() -> None:
    far = [LampFinding.NOT_COMPARABLE]
    found = eyes(CHECKS, False, look(lit_while_running=False), far)
    assert any("too far from the last reading" in text for text in found.left)
    alone = eyes(
        PROGRAMS["new-york"].check_by_eye, False, look(lit_while_running=False), far, False
    )
    assert len(alone.answered) == 1


@pytest.mark.parametrize("running, left", [(None, True), (False, False)])
def test_a_hybrid_is_looked_at_again_once_its_engine_runs(running: bool | None, left: bool) -> None:
    found = eyes(CHECKS, True, look(lit_at_key_on=True, lit_while_running=running))
    assert (HYBRID in found.left) is left


def test_what_no_walk_around_answers_is_always_left() -> None:
    oregon = PROGRAMS["oregon"].check_by_eye
    full = look(lit_at_key_on=True, lit_while_running=False, connector_works=True)
    assert list(eyes(oregon, False, full).left) == [row.value for row in oregon if row.look is None]
