"""A broker for one machine: the embedded one, or any other by its address."""

from __future__ import annotations

import socket
import time
from collections.abc import Iterator
from contextlib import contextmanager

from iotcore import Broker

from gateway.contract import BROKER_LIMIT
from ingest.config import BrokerAddress, parse_broker

START_S = 10.0


def free_port() -> int:
    """Return a TCP port of the loopback interface that nobody listens on."""
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


@contextmanager
def broker(address: str | None) -> Iterator[BrokerAddress]:
    """Yield the broker at `address`; without one, start the embedded broker and stop it after.

    The embedded broker's own limit of 20 KiB would disconnect the sender of a large report for
    ever, hence the contract's limit.
    """
    if address is not None:
        yield parse_broker(address)
        return
    port = free_port()
    with Broker(port=port, listen="127.0.0.1", max_payload_size=BROKER_LIMIT):
        _wait_for(port)
        yield BrokerAddress(scheme="mqtt", host="127.0.0.1", port=port)


def _wait_for(port: int) -> None:
    deadline = time.monotonic() + START_S
    while time.monotonic() < deadline:
        try:
            socket.create_connection(("127.0.0.1", port), 0.2).close()
        except OSError:
            time.sleep(0.02)
        else:
            return
    raise ConnectionError(f"the embedded broker did not start on 127.0.0.1:{port}")
