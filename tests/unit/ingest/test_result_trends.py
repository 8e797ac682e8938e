"""Trends of test results: where a straight line meets its limit (arithmetic; X)."""

from __future__ import annotations

import pytest

from gateway.contract import MonitorResult
from ingest.domain.result_trends import DAY_MS, ENOUGH, trends

NOISE = (0.0, 0.6, -0.5, 0.2, -0.4, 0.5, -0.1, 0.3)


def points(slope: float, count: int = 8, every: int = 7, low: float = 0.0, scaling: int = 5):
    return [
        (n * every * DAY_MS,
         MonitorResult(monitor_id=0x21, test_id=0x80, scaling_id=scaling,
                       value=50 + slope * n * every + NOISE[n], low=low, high=100, passed=True))
        for n in range(count)
    ]  # fmt: skip


def limit_days(found) -> float | None:
    (one,) = found
    return None if one.limit_at is None else one.limit_at / DAY_MS


@pytest.mark.parametrize(
    "history, day",
    [
        pytest.param(points(0.5), 100, id="50 + 0.5 a day meets 100 on day 100"),
        pytest.param(points(-0.5, low=10.0), 80, id="falls to 10 on day 80"),
        pytest.param(points(-0.5), None, id="0 is no lower limit of an unsigned scaling"),
        pytest.param(points(-0.5, scaling=0x85), 100, id="of a signed one it is"),
        pytest.param(points(0.0), None, id="no trend"),
        pytest.param(points(0.5, count=ENOUGH - 1), None, id="too few"),
        pytest.param(points(0.5, every=1), None, id="too short"),
    ],
)
def test_when_the_limit_is_met(history, day) -> None:
    found = limit_days(trends({("7E8", 0x21, 0x80): history}))
    assert found is None if day is None else found == pytest.approx(day, abs=4)


def test_one_wild_result_does_not_bend_it_and_the_warning_is_by_the_due_date() -> None:
    history = points(0.5)
    history[3] = (history[3][0], MonitorResult(
        monitor_id=0x21, test_id=0x80, scaling_id=5, value=5, low=0, high=100, passed=True
    ))  # fmt: skip
    (one,) = trends({("7E8", 0x21, 0x80): history})
    assert one.limit_at is not None
    assert one.limit_at / DAY_MS == pytest.approx(100, abs=8)
    assert one.warns_before(120 * DAY_MS)
    assert not one.warns_before(80 * DAY_MS)
    assert one.margin == pytest.approx((100 - history[-1][1].value) / 100)
