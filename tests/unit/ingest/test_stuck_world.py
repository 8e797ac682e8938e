"""Stuck monitors in a simulated fleet: precision, recall, the cause named first, false alarms.

The targets are this project's own (X); the simulator's monitors run on conditions, not on the
chances that the rules assume.
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from pathlib import Path

import pytest

from gateway.facts import Ignition, Monitor
from ingest.domain.completion import Beta
from ingest.domain.completion_priors import PRIORS
from ingest.domain.learned import Learned, fit_priors
from ingest.domain.vehicles import Vehicle
from tests.support.stuck_world import KINDS, Tally, run

RESULTS = Path(__file__).parents[2] / "bench" / "results" / "stuck.json"
PRECISION, RECALL, FIRST_CAUSE = 0.80, 0.95, 0.85
DAYS = 90


def _fleet(each: int, healthy: int, seed: int, priors: Mapping[Monitor, Beta] = PRIORS) -> Tally:
    tally = Tally()
    for kind in KINDS:
        for number in range(each):
            run(kind, number, seed, DAYS, tally, priors)
    for number in range(healthy):
        run("healthy", number, seed, DAYS, tally, priors)
    return tally


def _taught(seed: int) -> Mapping[Monitor, Beta]:
    """What a fleet of healthy vehicles teaches, as the rule uses it."""
    waits = _fleet(0, 200, seed).waits
    records = [("f", m, 1.0, float(n)) for m, found in waits.items() for n in found]
    truck = Vehicle(
        unit="1", vin="1" * 17, plate="P", depot="D", depot_tz="America/Chicago",
        program="us-federal", model_year=2019, ignition=Ignition.SPARK,
    )  # fmt: skip
    return Learned(fit_priors(records)).cautious(truck)


def _good(tally: Tally) -> None:
    assert tally.precision >= PRECISION, tally.wrong
    assert tally.caught >= RECALL * tally.injected, tally.wrong
    assert tally.first_true >= FIRST_CAUSE * tally.caught, tally.wrong


def test_stuck_monitors_are_found_with_their_cause() -> None:
    tally = _fleet(60, 200, seed=3)

    _good(tally)
    assert tally.injected >= 300
    for kind, (injected, caught, _named) in tally.by_kind.items():
        assert caught >= 0.9 * injected, kind


def test_what_a_fleet_taught_finds_them_as_well() -> None:
    """Of another seed; its means lie up to twice as high as those assumed."""
    taught = _taught(seed=9)
    assert taught[Monitor.CATALYST].mean > 1.5 * PRIORS[Monitor.CATALYST].mean
    tally = _fleet(60, 200, seed=3, priors=taught)
    _good(tally)


@pytest.mark.long
def test_stuck_monitors_of_a_larger_fleet() -> None:
    tally = _fleet(400, 3000, seed=20)  # the rules were weighed on seed 1
    months = tally.healthy_vehicles * DAYS / 30
    RESULTS.write_text(
        json.dumps(
            {
                "seed": 20,
                "injected_monitors": tally.injected,
                "healthy_vehicles": tally.healthy_vehicles,
                "days_after_the_clear": DAYS,
                "precision": round(tally.precision, 4),
                "recall": round(tally.caught / tally.injected, 4),
                "first_cause_true": round(tally.first_true / tally.caught, 4),
                "false_alarms_per_100_healthy_vehicles_a_month": round(
                    100 * tally.false_healthy / months, 3
                ),
                "injected_caught_named_by_kind": tally.by_kind,
                "world": "mild climate; monitors run on conditions; one clear a vehicle",
            },
            indent=1,
        )
        + "\n",
        encoding="utf-8",
    )
    _good(tally)
