"""The board as people use it: a real Streamlit server, a real store and a real Chromium."""

from __future__ import annotations

import contextlib
import signal
import subprocess
import sys
import urllib.request
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest

from gateway import contract
from ingest import commands, queries
from tests.support.reports import ecu, opened, report, store, vehicle
from tests.support.services import unused_port

if TYPE_CHECKING:
    from playwright.sync_api import Page

pytestmark = pytest.mark.browser

ROOT = Path(__file__).resolve().parents[2]
PATIENCE_S = 60
PATIENCE_MS = PATIENCE_S * 1000.0


def _fill(url: str, now: datetime) -> None:
    """Two vehicles, one of them overdue: whatever day it is, next week has work for it."""
    due = (now - timedelta(days=3)).date()
    with opened(url) as engine:
        commands.load_vehicles(
            engine,
            [vehicle(1, due_date=due), vehicle(2, due_date=due + timedelta(days=365))],
            actor="tester",
            now=now,
            request_id="load",
        )
        store(engine, _reading(1, 1, now), _reading(2, 1, now))


def _reading(number: int, seq: int, now: datetime, **changes: Any) -> contract.Report:
    at = contract.format_time(now - timedelta(minutes=5) + timedelta(seconds=seq))
    return report(number, seq, taken_at=at, **changes)


@contextmanager
def _board(url: str, data: Path) -> Iterator[str]:
    port = unused_port()
    arguments = ["--database", url, "--data", str(data), "--port", str(port)]
    child = subprocess.Popen(
        [sys.executable, "-m", "dashboard", *arguments],
        cwd=ROOT,
        stdin=subprocess.DEVNULL,
        stdout=subprocess.PIPE,
        text=True,
    )
    try:
        assert child.stdout is not None
        address = child.stdout.readline().strip().removeprefix("board: ")
        assert address == f"http://127.0.0.1:{port}"
        _until(lambda: _healthy(address), child)
        yield address
    finally:
        child.send_signal(signal.SIGTERM)
        assert child.wait(PATIENCE_S) == 0
        if child.stdout is not None:
            child.stdout.close()


def _healthy(address: str) -> bool:
    try:
        with urllib.request.urlopen(f"{address}/_stcore/health", timeout=2) as answer:
            return bool(answer.status == 200)
    except OSError:  # nobody listens yet
        return False


def _until(ready: Callable[[], bool], child: subprocess.Popen[str]) -> None:
    tries = PATIENCE_S * 10
    while tries and not ready():
        assert child.poll() is None, "the board ended before it answered"
        with contextlib.suppress(subprocess.TimeoutExpired):
            child.wait(0.1)
        tries -= 1
    assert tries, "the board did not answer in time"


@pytest.fixture
def url(tmp_path: Path) -> str:
    found = f"sqlite:///{tmp_path / 'fleet.sqlite3'}"
    _fill(found, datetime.now(UTC))
    return found


def test_a_booked_vehicle_is_still_booked_after_a_reload(
    url: str, tmp_path: Path, browser_page: Page
) -> None:
    browser_page.set_default_timeout(PATIENCE_MS)
    with _board(url, tmp_path) as address:
        browser_page.goto(f"{address}/?depot=North")
        browser_page.get_by_label("Your name, kept with what you do").fill("Dana")
        browser_page.get_by_label("Your name, kept with what you do").press("Enter")
        browser_page.get_by_role("button", name="Book this").first.click()
        browser_page.get_by_text("Booked: unit U001").wait_for()

        browser_page.reload()
        browser_page.get_by_role("button", name="Cancel").wait_for()
        browser_page.get_by_text("■ booked").wait_for()
        assert browser_page.get_by_text("Booked: unit U001").count() == 0
        with opened(url) as engine:
            (booked,) = queries.appointments(engine, "North")
        assert (booked.unit, booked.created_by) == ("U001", "Dana")


def test_a_lamp_that_comes_on_appears_without_a_reload(
    url: str, tmp_path: Path, browser_page: Page
) -> None:
    browser_page.set_default_timeout(PATIENCE_MS)
    with _board(url, tmp_path) as address:
        browser_page.goto(f"{address}/answer_lamp_alerts")
        browser_page.get_by_text("No alert waits for an answer.").wait_for()
        browser_page.evaluate("window.never_reloaded = true")

        lit = {"7E8": ecu(mil=True, confirmed=["P0300"])}
        with opened(url) as engine:
            assert store(engine, _reading(2, 2, datetime.now(UTC), ecus=lit)) == ["stored"]

        browser_page.get_by_text("High priority: unit U002, North").wait_for()
        browser_page.get_by_text("If the lamp flashes: ease off").wait_for()
        browser_page.get_by_role("button", name="Acknowledge").click()
        browser_page.get_by_text("Unit U002: the alert is now acknowledged.").wait_for()
        assert browser_page.evaluate("window.never_reloaded") is True


def test_the_board_asks_no_other_host(url: str, tmp_path: Path, browser_page: Page) -> None:
    browser_page.set_default_timeout(PATIENCE_MS)
    asked: list[str] = []
    browser_page.on("request", lambda request: asked.append(request.url))
    with _board(url, tmp_path) as address:
        for page, heading in (
            ("", "Plan the week"),
            ("look_up_a_vehicle?vehicle=U001", "Unit U001"),
            ("answer_lamp_alerts", "Answer lamp alerts"),
        ):
            browser_page.goto(f"{address}/{page}")
            browser_page.get_by_role("heading", name=heading, exact=True).wait_for()
        host = address.removeprefix("http://")
        strangers = [one for one in asked if host not in one and not one.startswith("data:")]
    assert asked
    assert strangers == []
