"""The vehicle's bus as the agent sees it, and what it broadcasts without being asked."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from typing import Protocol

from gateway import contract
from gateway.bus_watch import Broadcast
from gateway.protocol.broadcast import LampListener

_PRIORITY = 0x18000000  # priority 6, as J1939 sends its lamps (SAE J1939-73 as quoted; A)
_TO_ALL = 0xFF
MOST_LAMPS = 64
"""Broadcasts one report holds (`contract.Report.lamp_broadcasts`)."""


class Bus(Protocol):
    """The vehicle's bus as `gateway.link.CanLink` offers it."""

    def ask(self, request: bytes) -> Mapping[str, bytes]:
        """Send one functional request; raises `link.BusQuiet` where nothing may be sent."""

    def listen(self, wait_s: float) -> bool:
        """Whether others are heard on the bus, waiting for them at most this long."""

    @property
    def quiet(self) -> tuple[contract.Quiet, float] | None:
        """Why nothing may be sent now and the seconds left (0: unknown)."""

    @property
    def heard(self) -> contract.Heard:
        """What speaks on this bus, as far as it was heard until now."""

    def take_broadcasts(self) -> list[Broadcast]:
        """The J1939 broadcast frames heard since the last call."""


@dataclass(slots=True)
class LampNews:
    """The J1939 lamps that were broadcast, and which of them are already reported."""

    _listener: LampListener = field(default_factory=LampListener)
    _told: dict[int, contract.LampBroadcast] = field(default_factory=dict)

    def hear(self, broadcasts: Iterable[Broadcast]) -> None:
        """Take raw frames, oldest first."""
        for one in broadcasts:
            group = one.pgn if one.pgn >> 8 & 0xFF >= 0xF0 else one.pgn | _TO_ALL
            self._listener.feed(_PRIORITY | group << 8 | one.source, one.data, one.heard_s)

    def news(self) -> list[contract.LampBroadcast]:
        """The latest of each sender that differs from what was reported of it."""
        latest = self._listener.latest.items()
        return [one for source, one in latest if self._told.get(source) != one][:MOST_LAMPS]

    def told(self, reported: Iterable[contract.LampBroadcast]) -> None:
        """Note that these are in the outbox."""
        self._told.update({one.source: one for one in reported})
