"""A burst, then a steady rate, for each gateway by itself (a token bucket; arithmetic: X)."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from ingest.domain.rate_limit import REMEMBERED, RateLimit


def taken(limit: RateLimit, name: str, now_s: float, tries: int) -> int:
    return sum(limit.take(name, now_s) for _ in range(tries))


@pytest.mark.parametrize(
    ("later_s", "within"), [(0, 0), (0.999, 0), (1, 1), (1.001, 1), (4, 4), (5, 5), (5000, 5)]
)
def test_after_the_burst_one_a_second_and_never_more_than_a_burst(
    later_s: float, within: int
) -> None:
    limit = RateLimit(rate=1, burst=5)
    assert taken(limit, "gw-0001", 100, 9) == 5

    assert taken(limit, "gw-0001", 100 + later_s, 9) == within


def test_one_gateway_does_not_use_what_is_anothers() -> None:
    limit = RateLimit(rate=1, burst=2)
    assert taken(limit, "gw-0001", 0, 50) == 2
    assert taken(limit, "gw-0002", 0, 2) == 2


@given(
    st.lists(st.floats(min_value=-5, max_value=30), max_size=80),
    st.integers(min_value=1, max_value=20),
)
def test_never_more_than_burst_and_rate_allow_whatever_the_clock_does(
    steps: list[float], burst: int
) -> None:
    limit, now, forward, got = RateLimit(rate=1, burst=burst), 0.0, 0.0, 0
    for step in steps:
        now += step
        forward += max(0.0, step)
        got += limit.take("gw-0001", now)
    assert got <= burst + forward + 1e-6


def test_many_names_are_not_remembered_for_ever_and_the_busiest_are() -> None:
    limit = RateLimit(rate=1, burst=3)
    taken(limit, "busy", 0, 9)
    for number in range(REMEMBERED + 1):
        limit.take(f"gw-{number}", 0)
    assert len(limit._left) <= REMEMBERED
    assert not limit.take("busy", 0)
