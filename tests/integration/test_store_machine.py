"""The store beside a model: whatever happens in whatever order, what must hold holds.

The long form runs a thousand courses, goes on where it was stopped, and writes its count and bound
(the rule of three) to `tests/bench/results/`.
"""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from hypothesis import HealthCheck, seed, settings
from hypothesis.stateful import run_state_machine_as_test

from tests.support.store_machine import StoreMachine

RESULTS = Path(__file__).parents[1] / "bench" / "results" / "store_machine.json"
SHORT, LONG, SLICE, STEPS = 20, 1000, 50, 30
SLOW = (HealthCheck.too_slow, HealthCheck.data_too_large)


def test_twenty_courses_keep_what_must_hold() -> None:
    run_state_machine_as_test(
        StoreMachine,
        settings=settings(
            max_examples=SHORT, stateful_step_count=STEPS, derandomize=True, deadline=None,
            suppress_health_check=SLOW, database=None,
        ),
    )  # fmt: skip


@pytest.mark.long
def test_a_thousand_courses_keep_what_must_hold() -> None:
    done = json.loads(RESULTS.read_text())["courses"] if RESULTS.exists() else 0
    chosen = settings(
        max_examples=SLICE, stateful_step_count=STEPS, derandomize=False, deadline=None,
        suppress_health_check=SLOW, database=None,
    )  # fmt: skip
    while done < LONG:
        course = seed(done)(type("Course", (StoreMachine,), {}))
        run_state_machine_as_test(course, settings=chosen)
        done += SLICE
        found = {"courses": done, "steps_each_up_to": STEPS, "broken": 0, "bound_95": 3 / done}
        RESULTS.write_text(json.dumps(found, indent=1) + "\n", encoding="utf-8")
    assert done >= LONG
