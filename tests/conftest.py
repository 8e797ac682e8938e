"""Settings and real services that every test may ask for."""

from __future__ import annotations

import uuid
from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING

import pytest
from hypothesis import settings

from gateway.contract import BROKER_LIMIT
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

# The same examples in every run, and no clock: a slow machine is no fault of the code.
settings.register_profile("house", derandomize=True, deadline=None)
settings.load_profile("house")


@pytest.fixture
def free_port() -> int:
    """A TCP port of 127.0.0.1 that nobody listens on."""
    return unused_port()


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
    import psycopg

    server = postgres_url.replace("postgresql+psycopg", "postgresql")
    name = f"test_{uuid.uuid4().hex}"
    with psycopg.connect(server, autocommit=True) as connection:
        connection.execute(f"CREATE DATABASE {name}".encode())
    yield postgres_url.rsplit("/", 1)[0] + f"/{name}"
    with psycopg.connect(server, autocommit=True) as connection:
        connection.execute(f"DROP DATABASE {name} WITH (FORCE)".encode())


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
