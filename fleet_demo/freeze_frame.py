"""The freeze frame of a controller: what its sensors read when a code was stored.

SAE J1979 service 02 (B): frame 00 only, the causing code behind PID 02, no PID 01. That misfire
and fuel system codes take the place of another's frame: 13 CCR 1968.2, from memory.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Mapping, Sequence
from dataclasses import dataclass, field

from fleet_demo import monitors
from fleet_demo.faults import code_bytes

CAUSE = 0x02
"""The PID behind which the causing code stands."""
FRAME = 0x00
MAX_PAIRS = 3
"""Most pairs of PID and frame in one request (from memory)."""
NO_CODE = b"\0\0"
_FIRST = (monitors.MISFIRE, monitors.FUEL_SYSTEM)


@dataclass(slots=True)
class FrozenFrame:
    """The one frame a controller keeps. `data` is keyed by PID; `code` empty = nothing kept."""

    code: str = ""
    monitor: str = ""
    data: dict[int, bytes] = field(default_factory=dict)

    def settle(
        self,
        codes: Mapping[str, str],
        fresh: Sequence[str],
        capture: Callable[[], dict[int, bytes]],
    ) -> None:
        """Take in the end of a driving cycle.

        `codes` maps every code that stands to its monitor, `fresh` lists those stored just now;
        `capture` reads the sensors and is called only when a frame is to be kept.
        """
        if self.code and self.code not in codes:
            self.clear()
        for code in fresh:
            before = self.monitor in _FIRST or codes[code] not in _FIRST
            if self.code and before:
                continue
            self.code, self.monitor, self.data = code, codes[code], capture()

    def clear(self) -> None:
        """Erase it, as a clear does, or with its code."""
        self.code = self.monitor = ""
        self.data = {}

    def answer(self, request: bytes, fixed: Mapping[bytes, bytes]) -> bytes | None:
        """Answer a request of service 02; `fixed` holds the support bitmaps."""
        pairs = request[1:]
        if len(pairs) % 2 or not 2 <= len(pairs) <= 2 * MAX_PAIRS:
            return None
        parts = [b"\x42"]
        for place in range(0, len(pairs), 2):
            pid, frame = pairs[place], pairs[place + 1]
            bitmap = fixed.get(bytes((2, pid, frame)))
            if bitmap is not None:
                parts.append(bitmap[1:])
            elif frame == FRAME:
                value = self._value(pid)
                parts += (bytes((pid, frame)), value) if value else ()
        return b"".join(parts) if len(parts) > 1 else None

    def _value(self, pid: int) -> bytes:
        if pid == CAUSE:
            return code_bytes(self.code) if self.code else NO_CODE
        return self.data.get(pid, b"")


def identifiers(sensors: Collection[int]) -> list[int]:
    """Return the PIDs a frame supports, sorted: the causing code and every sensor."""
    return sorted({CAUSE, *sensors})
