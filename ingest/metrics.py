"""What the ingest service counts of itself, for Prometheus and for `/health`.

Names follow Prometheus' own advice (base units, `_total` for counters; prometheus.io, "Metric and
label naming", from memory). Every service has a registry of its own: nothing is made at import.
"""

from __future__ import annotations

import threading
from bisect import bisect_left
from collections import Counter as Tally
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from itertools import accumulate

from prometheus_client import CollectorRegistry, Counter, Gauge, Histogram
from prometheus_client.core import GaugeMetricFamily, HistogramMetricFamily, Metric
from prometheus_client.registry import Collector

SECONDS = (0.001, 0.0025, 0.005, 0.01, 0.025, 0.05, 0.1, 0.25, 0.5, 1, 2.5, 5, 10, 30, 60)
SIZES = (1, 2, 5, 10, 20, 50, 100, 200, 500, 1000)


@dataclass(frozen=True, slots=True)
class Now:
    """What is known of the service at this moment, without asking anybody.

    `database_trouble` is the last trouble since the last commit, None where there is none.
    """

    last_commit: datetime | None
    database_trouble: str | None


class Metrics:
    """Counters of one service; safe to call from any thread."""

    def __init__(self) -> None:
        self.registry = CollectorRegistry()
        self._lock = threading.Lock()
        self._now = Now(None, None)
        self._messages = self._count(
            "messages",
            "Messages by what became of them; one held back is counted again once it is read.",
            ["outcome"],
        )
        self._receipts = self._count("receipts", "Receipts handed to the broker.")
        self._lost = self._count("sessions_lost", "Connections on which no session was kept.")
        self._trouble = self._count("database_trouble", "Batches that the database did not take.")
        self._batch = self._spread("batch_messages", "Messages of one commit.", SIZES)
        self._commit = self._spread(
            "commit_seconds", "Time to store and commit one batch.", SECONDS
        )
        self._waited = _Waits()
        self.registry.register(self._waited)
        self._last = Gauge(
            "fleet_ingest_last_commit_timestamp_seconds",
            "When a batch was last committed (Unix time).",
            registry=self.registry,
        )

    def _count(self, name: str, words: str, labels: Sequence[str] = ()) -> Counter:
        return Counter(f"fleet_ingest_{name}", words, labels, registry=self.registry)

    def _spread(self, name: str, words: str, buckets: Sequence[float]) -> Histogram:
        return Histogram(f"fleet_ingest_{name}", words, buckets=buckets, registry=self.registry)

    @property
    def now(self) -> Now:
        """The latest commit and the trouble since then."""
        with self._lock:
            return self._now

    def committed(
        self,
        outcomes: Iterable[str],
        arrived: Sequence[datetime],
        now: datetime,
        seconds: float,
        receipts: int,
    ) -> None:
        """A batch is committed: what became of each message, and how long it took."""
        for outcome, number in Tally(outcomes).items():
            self._messages.labels(outcome.replace(" ", "_")).inc(number)
        self._batch.observe(len(arrived))
        self._commit.observe(seconds)
        self._waited.add([max(0.0, (now - moment).total_seconds()) for moment in arrived])
        self._receipts.inc(receipts)
        self._last.set(now.timestamp())
        with self._lock:
            self._now = Now(now, None)

    def held_back(self, new: int, again: int) -> None:
        """Messages above their gateway's allowance are committed as they came, for later.

        Those that came `again` while they wait are duplicates.
        """
        self._messages.labels("held_back").inc(new)
        self._messages.labels("duplicate").inc(again)

    def database_trouble(self, text: str) -> None:
        """The database did not take a batch; it comes again."""
        self._trouble.inc()
        with self._lock:
            self._now = Now(self._now.last_commit, text)

    def session_lost(self) -> None:
        """The broker had no session of ours: what came meanwhile is sent again by gateways only."""
        self._lost.inc()

    def gauge(self, name: str, words: str, value: Callable[[], float]) -> None:
        """Add a figure that is asked for at each scrape."""
        Gauge(f"fleet_ingest_{name}", words, registry=self.registry).set_function(value)

    def ask_store(self, figures: Callable[[], Mapping[str, int]]) -> None:
        """Add the figures of the store, asked for together at each scrape."""
        self.registry.register(_Stored(figures))


class _Waits(Collector):
    """How long messages waited. The library's own histogram takes one at a time, at some cost."""

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._counts, self._sum = [0] * (len(SECONDS) + 1), 0.0

    def add(self, seconds: Sequence[float]) -> None:
        """Count the messages of one commit."""
        places = Tally([bisect_left(SECONDS, one) for one in seconds])
        with self._lock:
            self._sum += sum(seconds)
            for place, number in places.items():
                self._counts[place] += number

    def collect(self) -> Iterable[Metric]:
        """Yield the histogram."""
        with self._lock:
            counts, total = list(accumulate(self._counts)), self._sum
        bounds = [*(str(float(one)) for one in SECONDS), "+Inf"]
        yield HistogramMetricFamily(
            "fleet_ingest_arrival_to_commit_seconds",
            "From a message's arrival at ingest to its commit.",
            buckets=list(zip(bounds, counts, strict=True)),
            sum_value=total,
        )


class _Stored(Collector):
    """The store's figures; a scrape while the database is away leaves them out, and says so."""

    def __init__(self, figures: Callable[[], Mapping[str, int]]) -> None:
        self._figures = figures

    def describe(self) -> Iterable[Metric]:
        """Nothing beforehand: the library would ask the database at registering."""
        return []

    def collect(self) -> Iterable[Metric]:
        """Yield one gauge a figure, and whether the database answered."""
        try:
            found = self._figures()
        except Exception:
            found = None
        up = 0 if found is None else 1
        yield GaugeMetricFamily("fleet_ingest_database_up", "Whether the store answered.", value=up)
        for name, value in (found or {}).items():
            words = f"{name.replace('_', ' ').capitalize()}, in the store."
            yield GaugeMetricFamily(f"fleet_ingest_{name}", words, value=value)
