"""How a gateway comes to its broker: who it is, and how long it waits after a failure."""

from __future__ import annotations

import ssl
from collections.abc import Callable
from dataclasses import dataclass

SHORTEST_RETRY_S, LONGEST_RETRY_S = 1.0, 60.0
FIRST_SPREAD_S = 4.0
"""The first wait after a lost connection is drawn up to here (engineering choice)."""


class BrokerNotThere(OSError):
    """No broker answers at the address, or it refuses us."""


class _ClosingSocket(ssl.SSLSocket):
    """Closes itself where the handshake fails: the client leaves that to the garbage collector."""

    def do_handshake(self, block: bool = False) -> None:
        """See `ssl.SSLSocket`."""
        try:
            super().do_handshake(block)
        except (OSError, ValueError):  # ssl's own errors are both
            self.close()
            raise


@dataclass(frozen=True, slots=True)
class Credentials:
    """How a gateway proves who it is (its certificate), and whom it trusts."""

    ca_file: str | None = None
    cert_file: str | None = None
    key_file: str | None = None

    def context(self) -> ssl.SSLContext:
        """The TLS settings: the server's certificate is always checked."""
        context = ssl.create_default_context(cafile=self.ca_file)
        context.minimum_version = ssl.TLSVersion.TLSv1_2
        context.sslsocket_class = _ClosingSocket
        if self.cert_file is not None:
            context.load_cert_chain(self.cert_file, self.key_file)
        return context


class Retry:
    """How long to wait before the next connection: full jitter, 1 to 60 s.

    The spread doubles with every attempt, so that a fleet does not come back all at once.
    """

    def __init__(self, uniform: Callable[[float, float], float]) -> None:
        self._uniform = uniform
        self._attempts = 0

    def next_s(self) -> float:
        """Draw the wait after one more failure."""
        spread = min(LONGEST_RETRY_S, FIRST_SPREAD_S * 2.0 ** min(self._attempts, 16))
        self._attempts += 1
        return self._uniform(SHORTEST_RETRY_S, spread)

    def reset(self) -> None:
        """Begin anew: the connection stands."""
        self._attempts = 0
