"""Order statistics against their closed forms (David and Nagaraja, 2.1) and scipy's binomial."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

from ingest.domain.order_statistics import chance_of_enough, enough


@pytest.mark.parametrize("allowed", [0, 1, 2])
def test_equal_chances_are_binomial(allowed: int) -> None:
    got = chance_of_enough([0.7] * 5, allowed)
    assert got == pytest.approx(stats.binom.cdf(allowed, 5, 0.3), rel=1e-12)


@pytest.mark.parametrize("allowed", [0, 1, 2])
def test_uniform_waits_have_a_beta_order_statistic(allowed: int) -> None:
    """The r-th smallest of m uniforms is Beta(r, m - r + 1)."""
    waits = np.random.default_rng(2).random((40_000, 4))
    r = 4 - allowed
    fit = stats.kstest(enough(waits, allowed), stats.beta(r, 4 - r + 1).cdf)
    assert fit.statistic < 1.95 / np.sqrt(40_000)  # 0.1 % point of the Kolmogorov distribution


def test_one_allowed_is_never_later_than_none() -> None:
    waits = np.array([[3.0, 9.0, np.inf], [1.0, 2.0, 3.0]])
    assert enough(waits, 0).tolist() == [np.inf, 3.0]
    assert enough(waits, 1).tolist() == [9.0, 2.0]
    assert enough(waits, 3).tolist() == [0.0, 0.0]
    with pytest.raises(ValueError, match="allowed=-1: expected 0 or more"):
        enough(waits, -1)
