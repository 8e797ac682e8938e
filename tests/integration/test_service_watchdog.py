"""The whole service as a process of its own: its loop breaks, and nothing is lost.

What was not acknowledged is sent again (MQTT 3.1.1, MQTT-4.4.0-1); a thread that is stuck in the
store for good can only be ended with its process, which the service manager starts again.
"""

from __future__ import annotations

import json
import subprocess
import sys
import time
import urllib.error
import urllib.request
from collections.abc import Callable, Iterator, Sequence
from contextlib import ExitStack, contextmanager
from pathlib import Path
from typing import Any

import pytest

from gateway import contract
from ingest import queries
from ingest.exit_codes import NOT_THERE
from tests.integration.test_subscriber import Sender, sending
from tests.support.broken_service import MARK
from tests.support.reports import load, opened, report, vehicle
from tests.support.services import RunningBroker, unused_port

RESULTS = Path(__file__).parents[1] / "bench" / "results" / "watchdog_service.json"
LIMIT_S = 60.0


@contextmanager
def serving(
    folder: Path, broker: RunningBroker, way: str, fast: float, more: Sequence[str] = ()
) -> Iterator[Any]:
    """The service, with its /health; yields the process and a function that asks it."""
    port = unused_port()
    (folder / "site.toml").write_text(f"health_port = {port}\n", encoding="utf-8")
    words = ["run", "--data", str(folder), "--broker", broker.url, *more]
    run = [sys.executable, "-m", "tests.support.broken_service", way, str(fast), *words]
    with (folder / "log").open("ab") as log:
        child = subprocess.Popen(run, stderr=log, stdout=log)
    try:
        yield child, lambda: _health(port)
    finally:
        child.terminate()
        try:
            child.wait(20)
        except subprocess.TimeoutExpired:
            child.kill()
            child.wait()


def _health(port: int) -> dict[str, Any]:
    try:
        with urllib.request.urlopen(f"http://127.0.0.1:{port}/health", timeout=2) as answer:
            return dict(json.loads(answer.read()))
    except urllib.error.HTTPError as error:
        return dict(json.loads(error.read()))
    except OSError:
        return {}


def until(true: Callable[[], bool], limit_s: float) -> float:
    """Wait for something; return the seconds it took."""
    begun = time.monotonic()
    while not true():
        assert time.monotonic() - begun < limit_s, f"not within {limit_s:.0f} s"
        time.sleep(0.05)
    return time.monotonic() - begun


def _send_marked(sender: Sender, seq: int) -> None:
    body = contract.encode(report(1, seq, odometer_km=666.0))
    assert MARK in body
    sender.send(contract.topic("gw-0001", "report"), body)


def _break(folder: Path, broker: RunningBroker, way: str, fast: float) -> tuple[float, int]:
    """Seconds from the report that breaks the loop until it is stored, and loops replaced."""
    with opened(f"sqlite:///{folder}/fleet.sqlite3") as engine:
        load(engine, vehicle(1))

        def stored() -> int:
            return queries.stored_counts(engine)["reports"]

        with ExitStack() as stack:
            child, health = stack.enter_context(serving(folder, broker, way, fast))
            until(lambda: health().get("broker") == "connected", 20)
            sender = stack.enter_context(sending(broker))
            sender.report(1, 1)
            until(lambda: stored() == 1, 20)
            _send_marked(sender, 2)
            sender.report(1, 3)
            if way == "stuck":
                until(lambda: health().get("status") == "stalled", LIMIT_S)
                assert child.wait(LIMIT_S) == NOT_THERE
                assert b"ingest ends, to be started again" in (folder / "log").read_bytes()
                with serving(folder, broker, "none", fast):
                    return until(lambda: stored() == 3, 20), 0
            seconds = until(lambda: stored() == 3, LIMIT_S)
            until(lambda: health().get("status") == "works", 20)
            return seconds, int(health()["loops_replaced"])


@pytest.mark.services
@pytest.mark.parametrize("way", ["error", "stuck"])
def test_a_service_whose_loop_breaks_goes_on_or_ends_to_be_started_again(
    way: str, tmp_path: Path, mosquitto: RunningBroker
) -> None:
    _, replaced = _break(tmp_path, mosquitto, way, fast=15.0)
    assert replaced == (0 if way == "stuck" else 1)


@pytest.mark.long
def test_with_the_real_waits_it_goes_on_within_a_minute(
    tmp_path: Path, mosquitto: RunningBroker
) -> None:
    """A store that is stuck is waited for; what it then commits is not stored twice."""
    found = {}
    for way in ("exit", "error", "stuck a while"):
        folder = tmp_path / way
        folder.mkdir()
        seconds, replaced = _break(folder, mosquitto, way, fast=1.0)
        assert replaced == 1
        found[way] = round(seconds, 1)
    RESULTS.write_text(
        json.dumps({"limit_s": LIMIT_S, "seconds_until_stored": found}, indent=1) + "\n",
        encoding="utf-8",
    )
