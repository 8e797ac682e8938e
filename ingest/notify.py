"""The one place that sends mail: one notice to the people on call, and always to the log."""

from __future__ import annotations

import logging
import smtplib
from dataclasses import dataclass
from email.message import EmailMessage
from typing import Protocol

from ingest.config import Mail

log = logging.getLogger("ingest.notices")
SMTP_TIMEOUT_S = 10


@dataclass(frozen=True, slots=True)
class Notice:
    """What is said about one alert: a subject line and a plain text."""

    alert_id: int
    subject: str
    text: str


class Channel(Protocol):
    """Somewhere a notice can go."""

    name: str

    def send(self, notice: Notice) -> None:
        """Deliver one notice, or raise `OSError`."""
        ...


class LogChannel:
    """Writes each notice to the service's log."""

    name = "log"

    def send(self, notice: Notice) -> None:
        """Write the subject line to the log."""
        log.info("notice for alert %d: %s", notice.alert_id, notice.subject)


class MailChannel:
    """Sends each notice by SMTP (RFC 5321), with STARTTLS where the site asks for it."""

    name = "mail"

    def __init__(self, settings: Mail) -> None:
        self._settings = settings

    def send(self, notice: Notice) -> None:
        """Send one message; `smtplib.SMTPException` is an `OSError`."""
        mail = EmailMessage()
        mail["Subject"] = " ".join(notice.subject.split())
        mail["From"] = self._settings.sender
        mail["To"] = ", ".join(self._settings.to)
        mail["Message-ID"] = f"<alert-{notice.alert_id}@{self._settings.sender.split('@')[1]}>"
        mail.set_content(notice.text)
        with smtplib.SMTP(
            self._settings.host, self._settings.port, timeout=SMTP_TIMEOUT_S
        ) as server:
            if self._settings.tls:
                server.starttls()
            if self._settings.user and self._settings.password_file:
                secret = self._settings.password_file.read_text(encoding="utf-8").strip()
                server.login(self._settings.user, secret)
            server.send_message(mail)
