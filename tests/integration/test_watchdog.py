"""A loop of ingest that dies, is stuck or hears nothing is replaced, and the message is not lost.

MQTT 3.1.1 (ISO/IEC 20922): what was not acknowledged is sent again on reconnecting (MQTT-4.4.0-1).
"""

from __future__ import annotations

import json
import threading
from concurrent.futures import ThreadPoolExecutor
from dataclasses import asdict
from pathlib import Path

import pytest

from ingest.clock import SystemClock
from ingest.config import parse_broker
from ingest.subscriber import Subscriber
from tests.support.loop_kills import WAYS, Death, Times, kill
from tests.support.services import running_mosquitto

RESULTS = Path(__file__).parents[1] / "bench" / "results" / "watchdog.json"
LIMIT_S = 60.0
KILLS = 100
AT_ONCE = 20

# A thread that ends by an exit is meant here.
pytestmark = pytest.mark.filterwarnings("ignore::pytest.PytestUnhandledThreadExceptionWarning")


def _judge(death: Death) -> None:
    assert death.again_after_late_end == 1, death
    # A black hole is found by the loop itself or by the watchdog, whichever looks first.
    assert death.way == "black hole" or death.restarts == 1, death


@pytest.mark.parametrize("way", WAYS)
def test_a_loop_that_no_longer_works_is_replaced(way: str, tmp_path: Path) -> None:
    _judge(kill(way, tmp_path, Times(fast=30.0), LIMIT_S))


@pytest.mark.long
def test_a_hundred_deaths_are_each_over_within_a_minute(tmp_path: Path) -> None:
    """With the real times, twenty at once: they do little but wait."""

    def one(number: int) -> Death:
        folder = tmp_path / str(number)
        folder.mkdir()
        return kill(WAYS[number % len(WAYS)], folder, Times(), LIMIT_S)

    done = json.loads(RESULTS.read_text())["deaths"] if RESULTS.exists() else []
    while len(done) < KILLS:
        with ThreadPoolExecutor(AT_ONCE) as pool:
            found = list(pool.map(one, range(len(done), min(KILLS, len(done) + AT_ONCE))))
        for death in found:
            _judge(death)
        done += [asdict(death) for death in found]
        longest = {w: max(d["seconds"] for d in done if d["way"] == w) for w in WAYS}
        summary = {
            "kills": len(done),
            "limit_s": LIMIT_S,
            "not_over_in_time": 0,
            "bound_95_per_kill": round(3 / len(done), 4),
            "longest_s": longest,
            "deaths": done,
        }
        RESULTS.write_text(json.dumps(summary, indent=1) + "\n", encoding="utf-8")
    assert max(death["seconds"] for death in done) <= LIMIT_S


@pytest.mark.parametrize("kept", [True, False], ids=["kept", "forgotten"])
def test_a_session_that_the_broker_forgot_is_told_once(
    kept: bool, tmp_path: Path, caplog: pytest.LogCaptureFixture
) -> None:
    """Session present is 0 though we had one (MQTT 3.1.1, section 3.2.2.2)."""
    told: list[int] = []
    had_session = False
    for number in range(2):
        folder = tmp_path / ("same" if kept else str(number))
        folder.mkdir(exist_ok=True)
        lines = ["persistence true", f"persistence_location {folder}/"]
        with running_mosquitto(folder, lines) as broker:
            subscriber = Subscriber(
                parse_broker(broker.url),
                lambda _: [],
                SystemClock().now,
                had_session=had_session,
                on_session_lost=lambda: told.append(1),
            )
            stop = threading.Event()
            thread = threading.Thread(target=subscriber.run, args=(stop,))
            thread.start()
            assert subscriber.ready.wait(15)
            stop.set()
            thread.join()
            had_session = subscriber.had_session
    assert told == ([] if kept else [1])
    assert ("has forgotten the session of fleet-ingest-0-of-1" in caplog.text) is not kept
