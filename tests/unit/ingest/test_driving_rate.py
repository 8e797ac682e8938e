"""The driving-cycle rate: weekdays, fading, plans, and the curve turned round (arithmetic, X)."""

from __future__ import annotations

from datetime import date

import numpy as np
import pytest
from scipy import stats

from ingest.domain.driving_rate import ASSUMED_RATE, Plan, RatePrior, driving_rate, outlook

SUNDAY = date(2026, 3, 1)
MONDAY = date(2026, 3, 2)
WEEK = [5, 5, 5, 5, 5, 0, 0]  # Monday to Sunday


def test_weekdays_are_learned_from_the_vehicle() -> None:
    rate = driving_rate(WEEK * 8, SUNDAY)
    assert min(rate.by_weekday[:5]) > 4.5
    assert max(rate.by_weekday[5:]) < 0.5
    assert rate.days == 56


def test_without_days_the_rate_is_the_prior() -> None:
    rate = driving_rate([], SUNDAY)
    assert rate.by_weekday == pytest.approx(ASSUMED_RATE.by_weekday)
    assert rate.days == 0
    assert rate.shape == pytest.approx(22 * 0.25)


def test_what_is_recent_weighs_more_and_wild_counts_widen_the_level() -> None:
    slowed = driving_rate([6] * 28 + [2] * 28, SUNDAY)
    assert np.mean(slowed.by_weekday) < 4.0
    wild = driving_rate([0, 12] * 28, SUNDAY)
    assert wild.shape < driving_rate([6] * 56, SUNDAY).shape / 2


def test_the_curve_skips_idle_days_and_takes_the_plan() -> None:
    rate = driving_rate([4] * 56, SUNDAY, RatePrior((4.0,) * 7, 1.0, "test"))
    plan = Plan(cycles={date(2026, 3, 4): 10.0}, idle=frozenset({date(2026, 3, 3)}))
    curve = outlook(rate, MONDAY, 0.0, 5, plan)
    assert curve.done([1.0, 2.0, 3.0, 4.0]) == pytest.approx([4.0, 4.0, 14.0, 18.0])
    assert outlook(rate, MONDAY, 12.0, 5, plan).done(0.5) == pytest.approx(2.0)


def test_a_wait_becomes_a_moment_and_back() -> None:
    rate = driving_rate(WEEK * 8, SUNDAY)
    curve = outlook(rate, MONDAY, 0.0, 30)
    wanted = np.array([0.5, 3.0, 11.0, 40.0])
    assert curve.done(curve.moment(wanted)) == pytest.approx(wanted)
    assert curve.moment(np.array([1e6, np.inf])).tolist() == [np.inf, np.inf]


def test_moments_of_a_poisson_process_follow_scipy() -> None:
    """The n-th arrival of a Poisson process of constant rate is Gamma(n) / rate."""
    rate = driving_rate([4] * 56, SUNDAY, RatePrior((4.0,) * 7, 1.0, "test"), hours=(0.0, 24.0))
    arrivals = np.random.default_rng(8).gamma(6, size=20_000)
    days = outlook(rate, MONDAY, 0.0, 60).moment(arrivals)
    fit = stats.kstest(days, stats.gamma(6, scale=1 / 4).cdf)
    assert fit.statistic < 1.95 / np.sqrt(20_000)


@pytest.mark.parametrize("rates, weight", [((1.0,) * 6, 1.0), ((-1.0,) * 7, 1.0), ((1.0,) * 7, 0)])
def test_an_impossible_prior_is_refused(rates: tuple[float, ...], weight: float) -> None:
    with pytest.raises(ValueError, match="expected seven rates"):
        RatePrior(rates, weight, "wrong")
