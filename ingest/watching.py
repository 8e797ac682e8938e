"""What a monitor sees of a running service: its figures, and whether it gets on."""

from __future__ import annotations

import logging
import math
import time
from typing import TYPE_CHECKING

from ingest.health import HealthServer
from ingest.service import Service
from ingest.store.database import read
from ingest.store.figures import figures
from ingest.watchdog import CHECK_EVERY_S, STALL_S

if TYPE_CHECKING:
    from sqlalchemy import Engine

log = logging.getLogger(__name__)

STALLED_S = STALL_S + CHECK_EVERY_S
"""Older than this, the watchdog should have replaced the loop already."""


def watch(service: Service, engine: Engine, port: int) -> HealthServer | None:
    """Answer /health and /metrics at `port` of 127.0.0.1.

    None where the port is taken: that is told, and never keeps reports from being stored.
    """
    metrics = service.metrics
    metrics.gauge(
        "waiting_messages", "Read and not yet stored.", lambda: service.subscriber.waiting
    )
    metrics.gauge(
        "connected",
        "Whether the broker has our subscriptions.",
        lambda: float(service.subscriber.ready.is_set()),
    )
    metrics.gauge(
        "watchdog_age_seconds", "Since the loop last proved that it works.", lambda: _age(service)
    )
    metrics.gauge("loops_replaced", "Loops found dead or stuck.", lambda: service.restarts)
    metrics.ask_store(lambda: _figures(engine))
    try:
        server = HealthServer(port, metrics.registry, lambda: health(service))
    except OSError as error:
        log.error("no /health and /metrics: port %d: %s", port, error.strerror or error)
        return None
    log.info("/health and /metrics: http://127.0.0.1:%d", server.port)
    return server


def health(service: Service) -> tuple[bool, dict[str, object]]:
    """Whether the service gets on, and why not.

    It does when the loop has proved itself lately, the broker has our subscriptions and the last
    batch was stored. A loop that has not begun (the store is brought up to date) is no fault.
    """
    now, age = service.metrics.now, _age(service)
    starting = math.isnan(age)
    connected = service.subscriber.ready.is_set()
    good = starting or (age <= STALLED_S and connected and now.database_trouble is None)
    return good, {
        "started": not starting,
        "last_commit": None if now.last_commit is None else now.last_commit.isoformat(),
        "broker": "connected" if connected else "not connected",
        "database": now.database_trouble or "works",
        "watchdog_age_s": None if starting else round(age, 1),
        "loops_replaced": service.restarts,
    }


def _age(service: Service) -> float:
    beat = service.subscriber.beat_s
    return math.nan if beat is None else time.monotonic() - beat


def _figures(engine: Engine) -> dict[str, int]:
    with read(engine) as connection:
        return figures(connection)
