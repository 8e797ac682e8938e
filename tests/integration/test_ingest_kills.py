"""Ingest killed at random moments: nothing acknowledged is missing, nothing is stored twice.

The bound: no failure in n trials says, at 95 %, less than 3/n a trial (the rule of three).
"""

from __future__ import annotations

import json
from dataclasses import asdict
from pathlib import Path

import pytest

from tests.support import ingest_kills
from tests.support.bench_results import file_of
from tests.support.databases import NewUrl, default_kind
from tests.support.services import RunningBroker, running_mosquitto

SLICE = 100
LONG = 1000


def _good(count: ingest_kills.Count) -> None:
    assert count.integrity == "ok"
    assert count.died == 0
    assert (count.lost, count.missing, count.doubled, count.differences) == (0, 0, 0, 0)


def test_forty_kills_lose_nothing(mosquitto: RunningBroker, store_url: str) -> None:
    count = ingest_kills.run(mosquitto, store_url, kills=40, seed=11)

    _good(count)
    assert count.kills == 40
    assert count.attempted > 40
    assert min(count.served, count.cut_short) > 5, count  # kills strike in the work


@pytest.mark.long
def test_a_thousand_kills_lose_nothing(tmp_path: Path, new_url: NewUrl) -> None:
    """In slices of 100, each with a broker and a store of its own; done slices are not redone."""
    results = file_of("ingest-kills", default_kind())
    done = json.loads(results.read_text())["slices"] if results.exists() else []
    for number in range(len(done), LONG // SLICE):
        folder = tmp_path / f"slice-{number}"
        folder.mkdir()
        with running_mosquitto(folder) as broker:
            count = ingest_kills.run(broker, new_url(), SLICE, seed=1000 + number)
        _good(count)
        done.append(asdict(count) | {"seed": 1000 + number})
        kills = sum(one["kills"] for one in done)
        summary = {
            "kills": kills,
            "served_before": sum(one["served"] for one in done),
            "cut_short": sum(one["cut_short"] for one in done),
            "reports": sum(one["attempted"] for one in done),
            "lost": 0,
            "missing": 0,
            "doubled": 0,
            "bound_95_per_kill": round(3 / kills, 5),
            "slices": done,
        }
        results.write_text(json.dumps(summary, indent=1) + "\n", encoding="utf-8")
    assert sum(one["kills"] for one in done) >= LONG
