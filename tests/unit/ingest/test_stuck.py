"""A monitor not setting: healthy ones would have completed (Beta survival; limits X)."""

from __future__ import annotations

from datetime import UTC, datetime

import pytest
from scipy import stats

from gateway.facts import Monitor
from ingest.domain.completion_priors import PRIORS
from ingest.domain.episodes import Episode
from ingest.domain.picture import EcuPicture, Picture
from ingest.domain.stuck import MIN_DAYS, own_chance, stuck_monitors

DAY = 86_400_000
START = int(datetime(2026, 1, 1, tzinfo=UTC).timestamp() * 1000)
N95 = 16
"""Driving cycles to 95 % for a hard monitor (the method note's table on assumed priors; X)."""


def open_one(subject="catalyst", begun=0):
    return Episode(
        kind="not_complete", subject=subject, started_at=START, start_key=("j", 1),
        details={"driving_cycles_at_start": begun},
    )  # fmt: skip


def after(ms):
    return datetime.fromtimestamp((START + ms) / 1000, tz=UTC)


@pytest.mark.parametrize(
    "cycles, elapsed, stuck",
    [
        pytest.param(N95, MIN_DAYS * DAY, True, id="at both limits"),
        pytest.param(N95 - 1, MIN_DAYS * DAY, False, id="one cycle short"),
        pytest.param(N95, MIN_DAYS * DAY - 1, False, id="just before the days"),
    ],
)
def test_both_limits_must_be_reached(cycles, elapsed, stuck):
    picture = Picture(driving_cycles=cycles, driving_cycles_since_clear=cycles)
    assert bool(stuck_monitors(picture, [open_one()], after(elapsed))) is stuck


def test_the_chance_is_that_of_no_success_in_scipys_beta_binomial():
    picture = Picture(driving_cycles=20, driving_cycles_since_clear=20)
    (found,) = stuck_monitors(picture, [open_one()], after(9 * DAY))
    prior = PRIORS[Monitor.CATALYST]
    assert found.chance == pytest.approx(stats.betabinom.pmf(0, 20, prior.a, prior.b), rel=1e-9)
    assert "a choice of this project" in found.reason


@pytest.mark.parametrize(
    "done, stuck", [pytest.param(900, True, id="quick"), pytest.param(20, False, id="slow")]
)
def test_the_vehicles_own_counters_move_the_limit(done, stuck):
    counters = {
        "ignition_cycles": 1000, "catalyst_bank_1_completions": done, "catalyst_bank_1_conditions":
        950, "catalyst_bank_2_completions": 950,
    }  # fmt: skip
    ecu = EcuPicture(heard_at=1, in_use_counters=counters)
    picture = Picture(ecus={"7E8": ecu}, driving_cycles=18, driving_cycles_since_clear=18)
    assert bool(stuck_monitors(picture, [open_one()], after(9 * DAY))) is stuck
    own = own_chance(Monitor.CATALYST, picture, PRIORS[Monitor.CATALYST])
    assert own.a + own.b == pytest.approx(6 + 30)


def test_a_clear_starts_the_count_again():
    picture = Picture(
        driving_cycles=90, driving_cycles_since_clear=50, last_clear_at=START + 10 * DAY
    )
    assert stuck_monitors(picture, [open_one()], after(12 * DAY)) == []
    found = stuck_monitors(picture, [open_one()], after(13 * DAY))
    assert [(one.monitor, one.since, one.cycles) for one in found] == [
        ("catalyst", START + 10 * DAY, 50)
    ]


def test_cycles_before_it_was_seen_not_complete_do_not_count():
    picture = Picture(driving_cycles=90, driving_cycles_since_clear=90)
    assert stuck_monitors(picture, [open_one(begun=80)], after(99 * DAY)) == []


def test_continuous_monitors_do_not_stick():
    picture = Picture(driving_cycles=90, driving_cycles_since_clear=90)
    assert stuck_monitors(picture, [open_one("misfire")], after(99 * DAY)) == []
