"""Notices by mail (RFC 5321) through a real SMTP server on 127.0.0.1, once each."""

from __future__ import annotations

from collections.abc import Iterator
from email import message_from_bytes, policy
from pathlib import Path
from typing import Any

import pytest
from aiosmtpd.controller import Controller

from gateway.facts import Monitor
from ingest.clock import SystemClock
from ingest.config import BrokerAddress, Mail, Site
from ingest.service import Service
from tests.support.reports import ecu, load, opened, report, store, vehicle
from tests.support.services import unused_port

NOWHERE = BrokerAddress(scheme="mqtt", host="127.0.0.1", port=1)


class Mailbox:
    """Keeps every message it is given."""

    def __init__(self) -> None:
        self.messages: list[Any] = []

    async def handle_DATA(self, _server: object, _session: object, envelope: Any) -> str:  # noqa: N802 - aiosmtpd's name
        self.messages.append(message_from_bytes(envelope.content, policy=policy.default))
        return "250 OK"


@pytest.fixture
def mailbox() -> Iterator[tuple[Mailbox, int]]:
    box = Mailbox()
    controller = Controller(box, hostname="127.0.0.1", port=unused_port())
    controller.start()
    yield box, controller.port
    controller.stop()


def _service(tmp_path: Path, engine: Any, port: int) -> Service:
    people = {"sender": "fleet@example.org", "to": ["ops@example.org"]}
    mail = Mail.model_validate({"host": "127.0.0.1", "port": port, "tls": False, **people})
    return Service(engine, NOWHERE, SystemClock(), Site(mail=mail))


def test_a_lamp_that_came_on_is_mailed_once(
    tmp_path: Path, store_url: str, mailbox: tuple[Mailbox, int]
) -> None:
    box, port = mailbox
    with opened(store_url) as engine:
        load(engine, vehicle(1))
        store(engine, report(1, 1), report(1, 2, ecus={"7E8": ecu(mil=True, confirmed=["P0420"])}))
        service = _service(tmp_path, engine, port)

        sent = [service.send_notices(), service.send_notices()]

    assert sent == [2, 0]  # the log and one mail, then nothing
    assert len(box.messages) == 1
    message = box.messages[0]
    assert "U001" in message["Subject"]
    assert "P0420" in message.get_content()
    assert "The inspection station decides." in message.get_content()


def test_a_mail_server_that_is_away_loses_no_notice(
    tmp_path: Path, store_url: str, mailbox: tuple[Mailbox, int], free_port: int
) -> None:
    box, port = mailbox
    with opened(store_url) as engine:
        load(engine, vehicle(1))
        store(engine, report(1, 1, ecus={"7E8": ecu(mil=True, confirmed=["P0420"])}))

        assert _service(tmp_path, engine, free_port).send_notices() == 1  # the log alone
        assert _service(tmp_path, engine, port).send_notices() == 1

    assert len(box.messages) == 1


def test_a_notice_of_the_past_goes_to_the_log_only(
    tmp_path: Path, store_url: str, mailbox: tuple[Mailbox, int]
) -> None:
    box, port = mailbox
    with opened(store_url) as engine:
        load(engine, vehicle(1))
        reading = ecu(incomplete=(Monitor.CATALYST,), mil=True, confirmed=["P0420"])
        store(engine, report(1, 1, ecus={"7E8": reading}))
        service = _service(tmp_path, engine, port)

        assert service.send_notices(past=True) == 1
        assert service.send_notices() == 0

    assert box.messages == []
