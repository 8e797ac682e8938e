"""`/health` and `/metrics` over HTTP, on 127.0.0.1 only: there is no setting to bind elsewhere."""

from __future__ import annotations

import json
import logging
import threading
from collections.abc import Callable, Mapping
from http import HTTPStatus
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer

from prometheus_client import CollectorRegistry, generate_latest
from prometheus_client.exposition import CONTENT_TYPE_PLAIN_0_0_4

log = logging.getLogger(__name__)

LOOPBACK = "127.0.0.1"
REQUEST_S = 5.0
Health = Callable[[], tuple[bool, Mapping[str, object]]]
"""Whether work goes on, and the small object that says so."""


class HealthServer:
    """Answers until it is closed. `port` 0 takes any free port; `OSError` where it is taken."""

    def __init__(self, port: int, registry: CollectorRegistry, health: Health) -> None:
        class Answer(_Answer):
            pages = _Pages(registry, health)

        self._server = ThreadingHTTPServer((LOOPBACK, port), Answer)
        self._server.daemon_threads = True
        self.address = str(self._server.server_address[0]), int(self._server.server_address[1])
        self._thread = threading.Thread(
            target=self._server.serve_forever, name="health", daemon=True
        )
        self._thread.start()

    @property
    def port(self) -> int:
        """The port it listens at."""
        return self.address[1]

    def close(self) -> None:
        """Stop to answer."""
        self._server.shutdown()
        self._server.server_close()
        self._thread.join()


class _Pages:
    """The two answers."""

    def __init__(self, registry: CollectorRegistry, health: Health) -> None:
        self._registry, self._health = registry, health

    def get(self, path: str) -> tuple[HTTPStatus, str, bytes]:
        """Status, content type and body of one path."""
        match path.partition("?")[0]:
            case "/metrics":
                body = generate_latest(self._registry)
                return HTTPStatus.OK, CONTENT_TYPE_PLAIN_0_0_4, body
            case "/health":
                good, found = self._health()
                status = HTTPStatus.OK if good else HTTPStatus.SERVICE_UNAVAILABLE
                whole = {"status": "works" if good else "stalled", **found}
                return status, "application/json", json.dumps(whole).encode() + b"\n"
        return HTTPStatus.NOT_FOUND, "text/plain", b"/health or /metrics\n"


class _Answer(BaseHTTPRequestHandler):
    """Reads one request; an error of ours is a 500, and never ends the server."""

    pages: _Pages
    timeout = REQUEST_S
    server_version = "fleet-ingest"
    sys_version = ""

    def do_GET(self) -> None:
        """Answer one GET."""
        try:
            status, kind, body = self.pages.get(self.path)
        except Exception:
            log.exception("no answer to %s", self.path)
            status, kind, body = HTTPStatus.INTERNAL_SERVER_ERROR, "text/plain", b"see the log\n"
        self.send_response(status)
        self.send_header("Content-Type", kind)
        self.send_header("Content-Length", str(len(body)))
        self.send_header("Cache-Control", "no-store")
        self.end_headers()
        self.wfile.write(body)

    def log_message(self, format: str, *args: object) -> None:  # noqa: A002 - the library's name
        """Scrapes are no news."""
