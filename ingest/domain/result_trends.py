"""Test results of service 06 over time: margin to the limits, and when a limit would be reached.

The slope is Theil-Sen's (scipy.stats.theilslopes): single odd results do not bend it. A warning
needs the whole 95 % interval of the slope to point at the limit (X).
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

from scipy import stats

from gateway.contract import MonitorResult
from ingest.domain.monitor_tests import monitor_name, name_of_test
from ingest.domain.verification import margin_of

Test = tuple[str, int, int]
"""(ECU, monitor id, test id)."""
ENOUGH = 6
MIN_DAYS = 14.0
DAY_MS = 86_400_000


@dataclass(frozen=True, slots=True)
class Trend:
    """One test: its last margin as a share of the range, and when it reaches a limit (epoch ms)."""

    test: Test
    results: int
    margin: float
    limit_at: int | None

    @property
    def name(self) -> str:
        """The monitor and the test in words."""
        return f"{monitor_name(self.test[1])}: {name_of_test(self.test[2])}"

    def warns_before(self, due: int | None) -> bool:
        """Whether it heads for its limit before a moment (epoch ms)."""
        return self.limit_at is not None and due is not None and self.limit_at <= due


def trends(history: Mapping[Test, Sequence[tuple[int, MonitorResult]]]) -> list[Trend]:
    """The trend of every test from its results with their moments, those nearest a limit first."""
    found = [_trend(test, _run(points)) for test, points in history.items()]
    return sorted((one for one in found if one is not None), key=lambda one: one.margin)


def _run(points: Iterable[tuple[int, MonitorResult]]) -> list[tuple[int, MonitorResult]]:
    """Tests that ran, a repeated reading of the same result told once, in order of time."""
    kept: list[tuple[int, MonitorResult]] = []
    for at, one in sorted(points, key=lambda point: point[0]):
        if isinstance(one.passed, bool) and (not kept or kept[-1][1] != one):
            kept.append((at, one))
    return kept


def _trend(test: Test, points: Sequence[tuple[int, MonitorResult]]) -> Trend | None:
    if not points:
        return None
    last_at, last = points[-1]
    same = [(at, one) for at, one in points if (one.low, one.high) == (last.low, last.high)]
    return Trend(test, len(same), margin_of(last), _limit_at(same, last_at, last))


def _limit_at(
    points: Sequence[tuple[int, MonitorResult]], last_at: int, last: MonitorResult
) -> int | None:
    days = [(at - last_at) / DAY_MS for at, _ in points]
    if len(points) < ENOUGH or days[-1] - days[0] < MIN_DAYS:
        return None
    fit = stats.theilslopes([one.value for _, one in points], days, 0.95)
    now = float(fit.intercept)  # at the last moment, on the line
    if fit.low_slope > 0:
        left = (last.high - now) / float(fit.slope)
    elif fit.high_slope < 0 and not (last.low == 0 and last.scaling_id < 0x80):
        left = (last.low - now) / float(fit.slope)
    else:
        return None
    return last_at + int(max(0.0, left) * DAY_MS)
