"""Waiting times against scipy.stats and the tables of the facts and of the method note."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

from gateway.facts import CONTINUOUS, Monitor
from ingest.domain.completion import MAX_CYCLES, Beta, fit_prior
from ingest.domain.completion_priors import EASY, HARD, MEDIUM, PRIORS, VERY_HARD


@pytest.mark.parametrize(
    "p, median, p90, p95",
    [  # Planning floors from the minimum in-use ratios: arithmetic (X) on ratios from memory (M).
        pytest.param(0.100, 7, 22, 29, id="heavy duty to 2023"),
        pytest.param(0.260, 3, 8, 10, id="evaporative 0.020 in"),
        pytest.param(0.300, 2, 7, 9, id="heavy duty 2024 on"),
        pytest.param(0.336, 2, 6, 8, id="catalyst, oxygen sensor"),
        pytest.param(0.520, 1, 4, 5, id="evaporative 0.040 in"),
    ],
)
def test_a_known_chance_waits_geometrically(p: float, median: int, p90: int, p95: int) -> None:
    known = Beta(p * 1e9, (1 - p) * 1e9)
    assert [known.cycles_until(q) for q in (0.5, 0.9, 0.95)] == [median, p90, p95]
    n = np.arange(1, 40)
    assert known.survival(n) == pytest.approx(stats.geom.sf(n, p), rel=1e-5)


@pytest.mark.parametrize(
    "beta, n95, n99",
    [
        # The method note's table on assumed priors. It states means, not (a, b): the weights of the
        # first four were solved from these very figures, so only the last two rows test us apart.
        pytest.param(EASY, 4, 6, id="easy"),
        pytest.param(MEDIUM, 7, 15, id="medium"),
        pytest.param(HARD, 16, 41, id="hard"),
        pytest.param(VERY_HARD, 68, 277, id="very hard"),
        pytest.param(HARD.after(20, 60), 8, 13, id="hard, own 20 of 60"),
        pytest.param(HARD.after(5, 60), 34, 58, id="hard, own 5 of 60"),
    ],
)
def test_the_table_of_95_and_99_percent(beta: Beta, n95: int, n99: int) -> None:
    assert (beta.cycles_until(0.95), beta.cycles_until(0.99)) == (n95, n99)


@pytest.mark.parametrize("a, b", [(2.0, 4.0), (0.7, 3.1), (5.0, 1.2)])
def test_survival_is_no_success_of_betabinom(a: float, b: float) -> None:
    n = np.arange(0, 60)
    wanted = [stats.betabinom.pmf(0, int(one), a, b) for one in n]
    assert Beta(a, b).survival(n) == pytest.approx(wanted, rel=1e-9)


def test_a_wait_so_far_conditions_exactly() -> None:
    """P(N > c + n | N > c) = S(c + n) / S(c), by the definition of conditional probability."""
    beta, c, n = Beta(2, 5), 9, np.arange(0, 30)
    wanted = beta.survival(c + n) / beta.survival(c)
    assert beta.after(0, c).survival(n) == pytest.approx(wanted, rel=1e-9)
    steps = [beta.after(0, waited).cycles_until(0.9) for waited in range(0, 60, 5)]
    assert steps == sorted(steps)  # the forecast moves out, never in


def test_waits_drawn_follow_the_distribution() -> None:
    beta = Beta(2, 4)
    u = (np.arange(20_000) + 0.5) / 20_000
    waits = beta.wait(u)
    for n in (1, 3, 8, 20, 100):
        assert np.mean(waits > n) == pytest.approx(float(beta.survival(n)), abs=1e-4)
    assert float(beta.wait(np.array([1 - 1e-9]))[0]) == np.inf
    assert beta.survival(MAX_CYCLES) < 1e-4


def test_a_prior_is_found_again_from_a_fleet_drawn_by_scipy() -> None:
    n = np.tile([10, 30, 80], 400)
    k = stats.betabinom.rvs(n, 3.0, 6.0, random_state=np.random.default_rng(5))
    found = fit_prior(np.asarray(k, dtype=float), n.astype(float), "test fleet")
    assert found is not None
    assert found.mean == pytest.approx(1 / 3, abs=0.015)
    assert found.a + found.b == pytest.approx(9, rel=0.2)
    assert found.basis == "test fleet: fitted from 1200 vehicles"


def test_too_few_vehicles_fit_nothing() -> None:
    assert fit_prior([1] * 29 + [0] * 9, [4] * 29 + [0] * 9, "few") is None
    assert fit_prior([1] * 30, [4] * 30, "enough") is not None


@pytest.mark.parametrize("k, n", [(-1, 4), (5, 4)])
def test_impossible_counts_are_refused(k: int, n: int) -> None:
    with pytest.raises(ValueError, match=f"completed={k} of cycles={n}: expected 0 to cycles"):
        Beta(1, 1).after(k, n)


def test_every_monitor_that_waits_has_a_prior_with_its_basis() -> None:
    assert set(PRIORS) == set(Monitor) - CONTINUOUS
    assert all("assumption" in prior.basis for prior in PRIORS.values())
