"""A gateway and the service meet at the shipped broker, both by certificate."""

from __future__ import annotations

import time
from collections.abc import Sequence
from datetime import UTC, datetime
from pathlib import Path

from gateway import contract
from gateway.outbox import Outbox
from gateway.publisher import Publisher
from ingest import queries
from ingest.clock import SystemClock
from ingest.config import parse_broker, parse_site
from ingest.service import Service
from tests.support.reports import load, opened, report, vehicle
from tests.support.services import HOST
from tests.support.shipped_broker import running_site

WAIT_S = 30.0


def test_a_report_goes_from_outbox_to_receipt_over_tls(tmp_path: Path, store_url: str) -> None:
    with (
        running_site(tmp_path) as site,
        opened(store_url) as engine,
    ):
        load(engine, vehicle(1))
        ours = site.authority.ingest()
        settings = parse_site(
            "[broker_tls]\n"
            f"ca_file = {ours.ca_file!r}\ncert_file = {ours.cert_file!r}\n"
            f"key_file = {ours.key_file!r}\n"
        )
        address = parse_broker(f"mqtts://{HOST}:{site.port}")
        service = Service(engine, address, SystemClock(), settings)
        service.start()
        assert service.subscriber.ready.wait(WAIT_S)

        outbox = Outbox(tmp_path / "outbox.sqlite3", lambda: datetime.now(UTC))

        def build(seq: int, _dropped: list[list[int]]) -> Sequence[contract.Report]:
            created = outbox.journal_created_at
            return [report(1, seq, journal=outbox.journal, journal_created_at=created)]

        outbox.append(build)
        tls = site.settings("gw-0001")
        publisher = Publisher(outbox, "gw-0001", HOST, site.port, tls)
        until = time.monotonic() + WAIT_S
        while outbox.pending() and time.monotonic() < until:
            publisher.loop(0.05)

        assert outbox.pending() == 0
        assert queries.stored_counts(engine)["reports"] == 1
        publisher.stop()
        outbox.close()
        service.stop()
