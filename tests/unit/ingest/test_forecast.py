"""Forecasts against waiting times and order statistics of scipy.stats; what must always hold."""

from __future__ import annotations

from dataclasses import replace
from datetime import date

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from gateway.facts import Monitor
from ingest.domain.completion import Beta
from ingest.domain.draws import Draws, fixed_draws
from ingest.domain.driving_rate import DrivingRate, Plan, outlook
from ingest.domain.evidence import Evidence
from ingest.domain.forecast import Ready, Rule, blocked, driving_needed, ready, whole
from ingest.domain.order_statistics import chance_of_enough

CAT, EVAP, O2 = Monitor.CATALYST, Monitor.EVAPORATIVE_SYSTEM, Monitor.OXYGEN_SENSOR
SURE = 1e9  # a weight at which a Beta is a known chance, and a Gamma level is 1
STEPS = np.arange(0, 400)


def known(chance: float) -> Beta:
    """A chance per driving cycle that is not in doubt."""
    return Beta(chance * SURE, (1 - chance) * SURE)


def clockwork() -> Draws:
    """Points whose driving cycles come one in each expected cycle, as by clockwork."""
    points = fixed_draws(4096)
    steps = np.arange(points.path.shape[1], dtype=np.float64)
    return replace(points, path=np.tile(steps, (len(points.level), 1)))


@pytest.mark.parametrize(
    "p, cycles",
    [  # 13 CCR 1968.2 (d)(3.2.1) minimum ratios (M), geometric waits to 50, 90 and 95 % (X)
        pytest.param(0.336, (2, 6, 8), id="catalyst, oxygen sensor"),
        pytest.param(0.260, (3, 8, 10), id="evaporative 0.020 in"),
        pytest.param(0.520, (1, 4, 5), id="evaporative 0.040 in"),
        pytest.param(0.100, (7, 22, 29), id="heavy duty to 2023"),
    ],
)
def test_the_table_of_counted_trips(p: float, cycles: tuple[int, int, int]) -> None:
    said = ready(driving_needed({CAT: known(p)}, SURE, clockwork())[CAT])
    assert tuple(round(said.driving_for(level)) for level in (0.5, 0.9, 0.95)) == cycles


@pytest.mark.parametrize("shape", [SURE, 6.0])
@pytest.mark.parametrize("beta", [known(0.2), Beta(2, 5)])
def test_one_wait_is_beta_geometric_over_poisson_or_negative_binomial_driving(
    beta: Beta, shape: float
) -> None:
    """N cycles by driving x: Poisson(x), or negative binomial where the level is in doubt; not
    complete after n of them: betabinom.pmf(0, n, a, b).
    """
    said = ready(driving_needed({CAT: beta}, shape, fixed_draws(4096))[CAT])
    waits = stats.betabinom.pmf(0, STEPS, beta.a, beta.b)
    for x in (1.0, 4.0, 12.0, 40.0):
        if shape == SURE:
            weights = stats.poisson.pmf(STEPS, x)
        else:
            weights = stats.nbinom.pmf(STEPS, shape, shape / (shape + x))
        wanted = 1 - float(np.sum(weights * waits))
        assert float(said.raw_chance(x)) == pytest.approx(wanted, abs=0.012)


@pytest.mark.parametrize("allowed", [0, 1, 2])
def test_what_a_program_needs_is_an_order_statistic(allowed: int) -> None:
    """Independent monitors over one path: mixture of the Poisson-binomial sums, in closed form."""
    p = {CAT: 0.3, EVAP: 0.08, O2: 0.6}
    needed = driving_needed({one: known(c) for one, c in p.items()}, SURE, fixed_draws(4096), 0.0)
    found = whole(needed, Rule(allowed))
    assert found is not None
    for x in (2.0, 6.0, 20.0):
        each = [1 - (1 - np.array(list(p.values()))) ** n for n in range(120)]
        wanted = sum(
            float(stats.poisson.pmf(n, x)) * chance_of_enough([float(c) for c in each[n]], allowed)
            for n in range(120)
        )
        assert float(ready(found).raw_chance(x)) == pytest.approx(wanted, abs=0.012)


def test_named_monitors_and_those_of_a_retest() -> None:
    needed = {CAT: np.array([5.0, 1.0]), EVAP: np.array([9.0, 9.0]), O2: np.array([2.0, 3.0])}
    assert _list(whole(needed, Rule(1))) == [5.0, 3.0]
    assert _list(whole(needed, Rule(1, must=frozenset({EVAP})))) == [9.0, 9.0]
    assert _list(whole(needed, Rule(1, may=frozenset({EVAP})))) == [5.0, 3.0]
    assert _list(whole(needed, Rule(0, may=frozenset()))) == [9.0, 9.0]
    assert whole(needed, Rule(3)) is None
    assert whole({}, Rule(0)) is None
    assert whole({EVAP: needed[EVAP]}, Rule(1, may=frozenset({EVAP}))) is None


def _list(found: object) -> list[float]:
    assert isinstance(found, np.ndarray)
    return [float(one) for one in found]


def test_a_blocked_monitor_waits_for_ever_unless_it_may() -> None:
    draws = fixed_draws()
    needed = {**driving_needed({CAT: known(0.5)}, SURE, draws), **blocked([EVAP], draws)}
    one, none = whole(needed, Rule(1)), whole(needed, Rule(0))
    assert one is not None
    assert none is not None
    assert np.isfinite(one).all()
    assert np.isinf(none).all()


def test_shared_driving_cycles_pull_waits_together() -> None:
    """The normal copula's rank correlation: Spearman 6/pi asin(r/2) (Kruskal, JASA 53, 1958)."""
    draws = fixed_draws(4096)
    one, two = (draws.uniform(m, 0.5) for m in (CAT, EVAP))
    wanted = 6 / np.pi * np.arcsin(0.25)
    assert stats.spearmanr(one, two).statistic == pytest.approx(wanted, abs=0.03)
    waiting = {CAT: known(0.1), O2: known(0.1)}
    apart, near = (driving_needed(waiting, SURE, draws, r) for r in (0.0, 0.8))
    all_apart, all_near = whole(apart, Rule(0)), whole(near, Rule(0))
    assert all_apart is not None
    assert all_near is not None
    assert all_near.mean() < all_apart.mean()  # the maximum of tied waits is smaller


def test_paths_are_poisson_arrivals_and_the_same_every_time() -> None:
    draws = fixed_draws()
    assert fixed_draws.__wrapped__(512, 1).path == pytest.approx(draws.path)
    for n in (1, 4, 16, 64, 256):
        assert draws.path[:, n].mean() == pytest.approx(n, rel=0.01)
        assert draws.path[:, n].var() == pytest.approx(n, rel=0.15)
    assert draws.driving(np.full(512, 300.0)) == pytest.approx(draws.path[:, 256] + 44)


@settings(max_examples=40, deadline=None)
@given(
    st.floats(0.3, 9), st.floats(0.3, 9), st.floats(0, 60), st.floats(0, 200), st.integers(0, 60)
)
def test_waiting_without_completing_moves_the_date_out(
    a: float, b: float, done: float, more: float, waited: int
) -> None:
    """What is said moves out, never in, while nothing happens."""
    own, prior, draws = Evidence(done, done + more), Beta(a, b), fixed_draws()
    before, after = (
        ready(driving_needed({CAT: own.chance(prior, c)}, 8.0, draws)[CAT])
        for c in (waited, waited + 5)
    )
    for level in (0.1, 0.5, 0.9):
        assert after.driving_for(level) >= before.driving_for(level)


def test_parked_days_move_the_date_by_as_many() -> None:
    rate = DrivingRate((4.0,) * 7, SURE, 56)
    today = date(2026, 3, 2)
    off = Plan(idle=frozenset(date(2026, 3, day) for day in (3, 4, 5)))
    said = Ready(np.full(512, 6.0))
    free = said.day(0.9, outlook(rate, today, 18.0, 30))
    assert said.day(0.9, outlook(rate, today, 18.0, 30, off)) == pytest.approx(free + 3)


def test_beyond_the_outlook_there_is_no_date() -> None:
    rate = DrivingRate((4.0,) * 7, SURE, 56)
    ahead = outlook(rate, date(2026, 3, 2), 18.0, 10)
    assert Ready(np.full(8, 1e4)).day(0.5, ahead) == np.inf
    assert Ready(np.full(8, np.inf)).raw_chance(1e9) == 0.0


def test_many_cycles_of_its_own_outweigh_the_prior_and_are_capped() -> None:
    """Beta-binomial conjugacy: Beta(a + k, b + n - k), with n at most the cap (X)."""
    prior = Beta(2, 4)
    assert Evidence(20, 60).chance(prior, 3) == Beta(22, 47)
    capped = Evidence(500, 1000).chance(prior, 0, most=200)
    assert (capped.a, capped.b) == (102, 104)
    assert Evidence(0, 0).chance(prior, 0) == prior
