"""The last day for a repair: worked by hand on the table of geometric waits, and what must hold."""

from __future__ import annotations

from datetime import date

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from ingest.domain.completion import Beta
from ingest.domain.conformal import AS_IT_IS, LEVELS, Calibration
from ingest.domain.driving_rate import DrivingRate, Outlook, Plan, outlook
from ingest.domain.forecast import Ready
from ingest.domain.repair_by import CHANCE, CHANCE_HELD, chances, repair_by, wanted_chance

MONDAY = date(2026, 3, 2)
NOON = 0.5  # days until tomorrow begins


def _once_a_day(idle: frozenset[date] = frozenset()) -> Outlook:
    return outlook(DrivingRate((1.0,) * 7, 1e9, 56), MONDAY, 12.0, 90, Plan(idle=idle))


def _geometric(p: float) -> Ready:
    """Waits of a known chance per driving cycle, by scipy.stats.geom, one cycle a day."""
    points = (np.arange(4096) + 0.5) / 4096
    return Ready(np.asarray(stats.geom.ppf(points, p), dtype=np.float64))


@pytest.mark.parametrize("wanted, cycles", [(0.5, 2), (0.9, 6), (0.95, 8)])
def test_the_table_of_waits_gives_the_last_day(wanted: float, cycles: int) -> None:
    """0.336 needs 2, 6, 8 cycles (M, X). A repair that ends on day k leaves the days k + 1 to
    due - 1 to drive, one cycle each: k = due - 1 - cycles.
    """
    found = repair_by(_geometric(0.336), _once_a_day(), NOON, 20, wanted, AS_IT_IS)
    assert found.days == 20 - 1 - cycles


def test_parked_days_bring_it_forward() -> None:
    idle = frozenset(date(2026, 3, day) for day in (16, 17, 18))  # days 14, 15, 16
    found = repair_by(_geometric(0.336), _once_a_day(idle), NOON, 20, 0.95, AS_IT_IS)
    assert found.days == 8


def test_no_day_is_left() -> None:
    found = repair_by(_geometric(0.336), _once_a_day(), NOON, 8, 0.95, AS_IT_IS)
    assert found.days is None
    assert found.chance_today == pytest.approx(stats.geom.cdf(7, 0.336), abs=0.01)
    past = repair_by(_geometric(0.336), _once_a_day(), NOON, -3, 0.95, AS_IT_IS)
    assert (past.days, past.chance_today) == (None, 0.0)


def test_where_nothing_is_set_back_the_day_before_is_the_last() -> None:
    assert repair_by(None, _once_a_day(), NOON, 5, 0.98, AS_IT_IS).days == 4


def test_a_calibration_that_moves_out_brings_it_forward() -> None:
    slower = Calibration(tuple(min(1.0, level + 0.03) for level in LEVELS))
    plain, moved = (
        repair_by(_geometric(0.336), _once_a_day(), NOON, 30, 0.9, held).days
        for held in (AS_IT_IS, slower)
    )
    assert plain is not None
    assert moved is not None
    assert moved < plain


@settings(max_examples=60, deadline=None)
@given(st.floats(0.5, 6), st.floats(0.5, 6), st.integers(1, 60), st.floats(0.5, 0.99))
def test_later_is_never_better_and_the_day_keeps_its_word(
    a: float, b: float, due: int, wanted: float
) -> None:
    points = (np.arange(512) + 0.5) / 512
    after, ahead = Ready(Beta(a, b).wait(points)), _once_a_day()
    each = chances(after, ahead, NOON, due, AS_IT_IS)
    assert np.all(np.diff(each) <= 1e-12)
    found = repair_by(after, ahead, NOON, due, wanted, AS_IT_IS)
    if found.days is None:
        assert np.all(each < wanted)
    else:
        assert each[found.days] >= wanted
        assert found.days + 1 == due or each[found.days + 1] < wanted


def test_a_hold_or_no_spare_asks_for_more() -> None:
    assert wanted_chance(None, None) == (CHANCE, "a 95% chance")
    assert wanted_chance(None, True) == (CHANCE, "a 95% chance")
    assert wanted_chance("recall", True)[0] == CHANCE_HELD
    chance, why = wanted_chance(None, False)
    assert (chance, why) == (CHANCE_HELD, "a 98% chance (higher, since no spare stands in for it)")
