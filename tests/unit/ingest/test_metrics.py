"""The histogram that takes a batch at once says what the library's own says of the same figures."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st
from prometheus_client import CollectorRegistry, Histogram

from ingest.metrics import SECONDS, Metrics

NAME = "fleet_ingest_arrival_to_commit_seconds"
NOW = datetime(2026, 11, 30, 6, 0, tzinfo=UTC)
BATCHES = st.lists(
    st.lists(st.integers(0, 70_000).map(lambda ms: ms / 1000) | st.sampled_from(SECONDS)),
    max_size=5,
)


@given(batches=BATCHES)
def test_waits_are_counted_as_the_library_counts_them(batches: list[list[float]]) -> None:
    metrics, registry = Metrics(), CollectorRegistry()
    reference = Histogram(NAME, "", buckets=SECONDS, registry=registry)
    for batch in batches:
        arrived = [NOW - timedelta(seconds=one) for one in batch]
        metrics.committed(["stored"] * len(batch), arrived, NOW, 0.1, 1)
        for moment in arrived:
            reference.observe((NOW - moment).total_seconds())

    for name, bound in [*(("_bucket", f"{float(one)}") for one in SECONDS), ("_bucket", "+Inf")]:
        ours = metrics.registry.get_sample_value(NAME + name, {"le": bound})
        assert ours == registry.get_sample_value(NAME + name, {"le": bound}), bound
    for name in ("_count", "_sum"):
        ours, theirs = (one.get_sample_value(NAME + name) for one in (metrics.registry, registry))
        assert ours == pytest.approx(theirs)


def test_a_clock_set_back_waits_no_time() -> None:
    metrics = Metrics()
    metrics.committed(["stored"], [NOW + timedelta(hours=1)], NOW, 0.1, 1)
    assert metrics.registry.get_sample_value(f"{NAME}_sum") == 0
    assert metrics.registry.get_sample_value(f"{NAME}_bucket", {"le": "0.001"}) == 1
