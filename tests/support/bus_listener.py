"""An independent listener on a bus: counts what is heard and what should never be.

It judges by SAE J1979 and ISO 15765 as written down here (B), not by the gateway's own guard.
"""

from __future__ import annotations

from collections import Counter

import can

READS = {0x01, 0x02, 0x03, 0x06, 0x07, 0x09, 0x0A}


class Listener:
    """A node of its own that counts what is heard and what should never be."""

    def __init__(self, channel: str, identifications: int) -> None:
        self._bus = can.Bus(interface="virtual", channel=channel)
        self._identifications = identifications
        self.frames: Counter[str] = Counter()
        self.disallowed: list[str] = []

    def hear(self) -> None:
        """Judge every frame so far; answers of ECUs are counted apart."""
        while (message := self._bus.recv(timeout=0)) is not None:
            kind = self._kind(message)
            self.frames[kind] += 1
            if kind == "disallowed":
                self.disallowed.append(f"{message.arbitration_id:X} {message.data.hex(' ')}")

    def _kind(self, message: can.Message) -> str:
        number, data = message.arbitration_id, bytes(message.data)
        if number in range(0x7E8, 0x7F0) or number >> 8 == 0x18DAF1:
            return "answer"
        if len(data) == 8 and number in (0x7DF, 0x18DB33F1) and 1 <= data[0] <= 7:
            if data[1] in READS:
                return "read"
            if data[:4] == b"\x03\x22\xf8\x10" and self._identifications:
                self._identifications -= 1
                return "identification"
        physical = number in range(0x7E0, 0x7E8) or number & 0xFFFF00FF == 0x18DA00F1
        if physical and data[:3] in (b"\x30\x00\x00", b"\x32\x00\x00"):
            return "flow control"
        return "disallowed"

    def close(self) -> None:
        """Leave the bus."""
        self._bus.shutdown()
