"""Calibration against order statistics in closed form and a worked Kaplan-Meier example."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

from ingest.domain.conformal import (
    AS_IT_IS,
    ENOUGH,
    FEW,
    LATEST,
    LEVELS,
    Calibration,
    Score,
    calibrate,
    for_group,
    quantile_levels,
    score_of,
)

# Weeks in remission on 6-mercaptopurine (Freireich and others, Blood 21, 1963), the worked example
# of many textbooks (Kleinbaum and Klein, Survival Analysis, chapter 2); both from memory (M).
# lifelines cannot be had beside our pandas, so the curve of the textbook is the outside check.
RELAPSED = (6, 6, 6, 7, 10, 13, 16, 22, 23)
CENSORED = (6, 9, 10, 11, 17, 19, 20, 25, 32, 32, 34, 35)
CURVE = {6: 0.857, 7: 0.807, 10: 0.753, 13: 0.690, 16: 0.627, 22: 0.538, 23: 0.448}
WEEKS = 40


def _leukemia() -> list[Score]:
    return [Score("g", 0, week / WEEKS, True) for week in RELAPSED] + [
        Score("g", 0, week / WEEKS, False) for week in CENSORED
    ]


def test_the_censored_quantiles_are_those_of_the_textbook_curve() -> None:
    n = len(RELAPSED)
    for level, found in zip(LEVELS, quantile_levels(_leukemia()), strict=True):
        wanted = level * (n + 1) / n
        weeks = [week for week, alive in CURVE.items() if 1 - alive >= wanted - 5e-4]
        assert found == pytest.approx(weeks[0] / WEEKS if weeks else 1.0)


def test_leaving_the_censored_out_would_promise_too_much() -> None:
    exact = [one for one in _leukemia() if one.resolved]
    with_all, without = quantile_levels(_leukemia()), quantile_levels(exact)
    assert all(a >= b for a, b in zip(with_all, without, strict=True))
    assert with_all[LEVELS.index(0.4)] > without[LEVELS.index(0.4)]


def test_the_90_percent_level_is_the_order_statistic_of_split_conformal() -> None:
    """With n = 99 the 90th smallest; its coverage is Beta(90, 10) with mean 0.9 (X)."""
    rng = np.random.default_rng(4)
    covered = []
    for _ in range(400):
        scores = rng.beta(2, 1, 99)
        found = quantile_levels([Score("g", 0, float(one), True) for one in scores])
        level = found[LEVELS.index(0.9)]
        assert level == pytest.approx(np.sort(scores)[89])
        covered.append(stats.beta.cdf(level, 2, 1))
    assert np.mean(covered) == pytest.approx(0.9, abs=0.005)
    assert np.std(covered) == pytest.approx(stats.beta.std(90, 10), rel=0.15)


def test_right_forecasts_are_left_as_they_are() -> None:
    even = [Score("g", n, (n + 0.5) / LATEST, True) for n in range(LATEST)]
    found = calibrate(even)["g"]
    assert found.raw == pytest.approx(LEVELS, abs=0.005)
    assert float(found.chance(0.9)) == pytest.approx(0.9, abs=0.005)
    assert found.basis == f"checked against {LATEST} forecasts that came due and 0 cut short (g)"


def test_hasty_forecasts_are_moved_out() -> None:
    """Outcomes uniform on the upper half: the 50 % level was really the 75 % one."""
    late = [Score("g", n, 0.5 + n / 2 / LATEST, True) for n in range(LATEST)]
    found = calibrate(late)["g"]
    assert found.raw_level(0.5) == pytest.approx(0.75, abs=0.01)
    assert float(found.chance(0.75)) == pytest.approx(0.5, abs=0.01)
    assert float(found.chance(0.3)) <= 0.05


def test_the_map_there_and_back_agree() -> None:
    held = Calibration((0.02, 0.05, 0.2, 0.3, 0.4, 0.5, 0.6, 0.7, 0.85, 0.9, 0.97, 0.99, 1.0))
    for chance in np.linspace(0.01, 0.97, 60):
        assert float(held.chance(held.raw_level(float(chance)))) == pytest.approx(chance, abs=1e-6)
    assert [float(held.chance(end)) for end in (0.0, 1.0)] == [0.0, pytest.approx(1.0, abs=0.021)]


def test_a_small_group_takes_the_calibration_of_all_and_a_small_fleet_none() -> None:
    def scores(group: str, count: int) -> list[Score]:
        return [Score(group, n, (n + 0.5) / count, True) for n in range(count)]

    both = calibrate(scores("a", ENOUGH) + scores("b", FEW))
    assert set(both) == {"", "a"}
    assert for_group(both, "b") is both[""]
    assert for_group(both, "a") is both["a"]
    few = calibrate(scores("a", FEW - 1))
    assert for_group(few, "a") is AS_IT_IS
    assert "too few" in AS_IT_IS.basis
    assert AS_IT_IS.raw_level(0.9) == pytest.approx(0.9)


def test_only_the_latest_count() -> None:
    old = [Score("g", n, 0.99, True) for n in range(LATEST)]
    new = [Score("g", LATEST + n, (n + 0.5) / LATEST, True) for n in range(LATEST)]
    assert calibrate(new + old)["g"].raw == calibrate(new)["g"].raw


def test_the_lump_of_a_day_is_spread_evenly_over_its_chance() -> None:
    spread = [score_of("g", 0, n, 0.2, 0.6, resolved=True).chance for n in range(200)]
    assert np.sort(spread) == pytest.approx(np.linspace(0.2, 0.6, 200), abs=0.006)
    assert score_of("g", 0, 7, 0.2, 0.6, resolved=False).chance == 0.2


def test_nothing_resolved_is_refused() -> None:
    with pytest.raises(ValueError, match="none resolved, expected at least one"):
        quantile_levels([Score("g", 0, 0.5, False)])
