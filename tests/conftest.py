"""Settings and real services that every test may ask for."""

from __future__ import annotations

import tempfile
import uuid
from collections.abc import Iterator
from contextlib import ExitStack
from pathlib import Path
from typing import TYPE_CHECKING

import pytest
from hypothesis import settings

from gateway.contract import BROKER_LIMIT
from ingest.store import report_keys
from tests.support.services import (
    HOST,
    RunningBroker,
    program,
    running_mosquitto,
    running_postgres,
    unused_port,
)

if TYPE_CHECKING:
    from playwright.sync_api import Page

    from tests.support.databases import NewUrl

# The same examples in every run, and no clock: a slow machine is no fault of the code.
settings.register_profile("house", derandomize=True, deadline=None)
settings.load_profile("house")
# Few, so that gathered keys move in small tests, too, and while ingest is killed.
report_keys.GATHERED = 64


@pytest.hookimpl(tryfirst=True)
def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Mark what works on a store of the run's own kind, to be run on PostgreSQL as well."""
    for item in items:
        if "new_url" in getattr(item, "fixturenames", ()):
            item.add_marker("store")


@pytest.fixture
def free_port() -> int:
    """A TCP port of 127.0.0.1 that nobody listens on."""
    return unused_port()


@pytest.fixture
def durable() -> Iterator[Path]:
    """A folder on a disk: `/tmp` may be in memory, which the service refuses."""
    with tempfile.TemporaryDirectory(dir="/var/tmp", prefix="fleet-test-") as name:
        yield Path(name)


@pytest.fixture
def mosquitto(tmp_path: Path) -> Iterator[RunningBroker]:
    """A Mosquitto of the test's own, open to anybody on 127.0.0.1."""
    folder = tmp_path / "mosquitto"
    folder.mkdir()
    with running_mosquitto(folder) as broker:
        yield broker


@pytest.fixture
def embedded_broker() -> Iterator[RunningBroker]:
    """The embedded broker, as the demo starts it."""
    from iotcore import Broker

    port = unused_port()
    with Broker(port=port, listen=HOST, max_payload_size=BROKER_LIMIT):
        yield RunningBroker(HOST, port)


@pytest.fixture(scope="session")
def postgres_url() -> Iterator[str]:
    """The database `postgres` of a PostgreSQL server that the whole run shares."""
    with running_postgres() as url:
        yield url


@pytest.fixture
def fresh_postgres_url(postgres_url: str) -> Iterator[str]:
    """An empty PostgreSQL database of the test's own, dropped after it."""
    from tests.support.databases import postgres_database

    with postgres_database(postgres_url) as url:
        yield url


@pytest.fixture(scope="session")
def postgres_template(postgres_url: str) -> Iterator[str]:
    """A PostgreSQL database with all tables, to be copied."""
    from tests.support import databases

    with databases.postgres_template(postgres_url) as name:
        yield name


def _new_urls(kind: str, request: pytest.FixtureRequest) -> Iterator[NewUrl]:
    from tests.support.databases import postgres_database

    if kind == "sqlite":
        folder: Path = request.getfixturevalue("tmp_path")
        yield lambda: f"sqlite:///{folder}/{uuid.uuid4().hex}.sqlite3"
        return
    server = request.getfixturevalue("postgres_url")
    template = request.getfixturevalue("postgres_template")
    with ExitStack() as stack:
        yield lambda: stack.enter_context(postgres_database(server, template))


@pytest.fixture
def new_url(request: pytest.FixtureRequest) -> Iterator[NewUrl]:
    """Makes stores of the run's own kind: SQLite, or what FLEET_TEST_DATABASE says."""
    from tests.support.databases import default_kind

    yield from _new_urls(default_kind(), request)


@pytest.fixture
def store_url(new_url: NewUrl) -> str:
    """One store of the run's own kind."""
    return new_url()


@pytest.fixture(params=["sqlite", pytest.param("postgresql", marks=pytest.mark.services)])
def new_url_of_either(request: pytest.FixtureRequest) -> Iterator[NewUrl]:
    """Makes stores of one kind; the test runs once with SQLite and once with PostgreSQL."""
    yield from _new_urls(request.param, request)


@pytest.fixture
def store_url_of_either(new_url_of_either: NewUrl) -> str:
    """One store; the test runs once with SQLite and once with PostgreSQL."""
    return new_url_of_either()


@pytest.fixture(scope="session")
def chromium() -> str:
    """The path of the machine's own Chromium."""
    return program(["chromium", "chromium-browser"], "Chromium", "chromium")


@pytest.fixture
def browser_page(chromium: str) -> Iterator[Page]:
    """An empty page in a headless Chromium."""
    from playwright.sync_api import sync_playwright

    # A sandbox of its own is refused to a browser that runs as root.
    arguments = ["--no-sandbox", "--disable-dev-shm-usage"]
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=chromium, args=arguments)
        yield browser.new_page(viewport={"width": 1280, "height": 900})
        browser.close()
