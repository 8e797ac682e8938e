"""The store beside a model: whatever happens in whatever order, what must hold holds.

The long form runs a thousand courses, goes on where it was stopped, and writes its count and bound
(the rule of three) to `tests/bench/results/`.
"""

from __future__ import annotations

import json
from contextlib import ExitStack
from pathlib import Path

import pytest
from hypothesis import HealthCheck, seed, settings
from hypothesis.stateful import run_state_machine_as_test
from sqlalchemy import Engine

from ingest.store.database import open_database
from tests.support.databases import postgres_database
from tests.support.reports import load, vehicle
from tests.support.store_machine import GATEWAYS, StoreMachine

RESULTS = Path(__file__).parents[1] / "bench" / "results" / "store_machine.json"
SHORT, ON_POSTGRESQL, LONG, SLICE, STEPS = 20, 5, 1000, 50, 30
SLOW = (HealthCheck.too_slow, HealthCheck.data_too_large)


def _short(machine: type[StoreMachine], courses: int) -> None:
    chosen = settings(
        max_examples=courses, stateful_step_count=STEPS, derandomize=True, deadline=None,
        suppress_health_check=SLOW, database=None,
    )  # fmt: skip
    run_state_machine_as_test(machine, settings=chosen)


def test_twenty_courses_keep_what_must_hold() -> None:
    _short(StoreMachine, SHORT)


@pytest.mark.services
def test_courses_on_postgresql_keep_what_must_hold(
    postgres_url: str, postgres_template: str
) -> None:
    """A crash is a session that ends before or after its commit: the server keeps its own files."""

    class OnPostgresql(StoreMachine):
        def _open(self, source: Path, name: str) -> Engine:
            if name == "0":
                self.stack = ExitStack()
                database = postgres_database(postgres_url, postgres_template)
                self.url = self.stack.enter_context(database)
            engine = open_database(self.url)
            if name == "0":
                load(engine, *(vehicle(number) for number in GATEWAYS))
            return engine

        def _take_image(self, image: Path) -> None:
            pass

        def teardown(self) -> None:
            super().teardown()
            self.stack.close()

    _short(OnPostgresql, ON_POSTGRESQL)


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
