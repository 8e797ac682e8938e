"""A bad network between ingest and its PostgreSQL: nothing is lost, nothing is stored twice.

Real gateways, a real Mosquitto, the real service; the proxy stands before the server. `check`
counts the rows of reports, whose keys are unique, against what the outboxes took in.
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest
from sqlalchemy import make_url

from tests.support.databases import postgres_database
from tests.support.reports import opened
from tests.support.services import RunningBroker
from tests.support.toxic import TOXICS, Proxy, Toxic, toxic_proxy
from tests.support.yard import check, drain, suffer, world

pytestmark = pytest.mark.services


@contextmanager
def behind_a_proxy(url: str) -> Iterator[tuple[Proxy, str]]:
    """A proxy before the server, and the URL through it."""
    address = make_url(url)
    assert address.port is not None
    with toxic_proxy(address.port, seed=5) as proxy:
        yield proxy, address.set(port=proxy.port).render_as_string(hide_password=False)


@pytest.mark.parametrize("toxic", TOXICS)
def test_a_bad_network_to_the_database_loses_nothing(
    toxic: Toxic,
    mosquitto: RunningBroker,
    tmp_path: Path,
    postgres_url: str,
    postgres_template: str,
) -> None:
    with (
        postgres_database(postgres_url, postgres_template) as url,
        behind_a_proxy(url) as (proxy, through),
        world(tmp_path, through, mosquitto.port, mosquitto.port) as (yard, _),
        opened(url) as engine,
    ):
        suffer(yard, proxy, toxic)
        if toxic == "black_hole":  # the proxy does stand in the way
            assert yard.pending() > 0
        drain(yard)
        check(yard, engine)
