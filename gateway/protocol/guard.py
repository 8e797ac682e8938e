"""The last check before the bus: only reads leave, and nothing can switch that off.

Services 04 (clear), 08 (control) and every service of the newer protocol that writes, opens a
session or starts a routine are refused because they are not on the list, not because they are.
"""

from __future__ import annotations

from collections.abc import Mapping
from types import MappingProxyType

LENGTHS: Mapping[int, frozenset[int]] = MappingProxyType(
    {
        0x01: frozenset(range(2, 8)),  # up to 6 PIDs (SAE J1979; from memory)
        0x02: frozenset({3, 5, 7}),  # up to 3 pairs of PID and frame (SAE J1979; from memory)
        0x03: frozenset({1}),  # SAE J1979; B
        0x06: frozenset({2}),  # one test id (SAE J1979; from memory)
        0x07: frozenset({1}),  # SAE J1979; B
        0x09: frozenset({2}),  # one info type (SAE J1979; from memory)
        0x0A: frozenset({1}),  # SAE J1979; B
    }
)
"""Services that only read, with the lengths in bytes a well-formed request may have."""

IDENTIFY = b"\x22\xf8\x10"
"""Asks whether the ECU speaks the newer protocol (SAE J1979-2; C)."""

FUNCTIONAL_11, FUNCTIONAL_29 = 0x7DF, 0x18DB33F1
"""Ids of functional requests (ISO 15765-4 as tabulated; B)."""
PAD, FRAME_BYTES = 0xCC, 8
"""Recommended padding and length of every frame (B)."""
SINGLE_BYTES = 7
"""Most bytes of a request in one frame (ISO 15765-2; B)."""
FLOW_CONTROLS = frozenset(
    bytes((kind, 0, 0)).ljust(FRAME_BYTES, bytes((PAD,))) for kind in (0x30, 0x32)
)
"""The only other frames of ours: go on with a long answer, or it is too long (ISO 15765-2; B)."""


class Refused(Exception):
    """A request is not a well-formed read of an allowed service; nothing was sent."""


def allow(request: bytes) -> bytes:
    """Return the request if it may go to the bus, else raise `Refused`."""
    frozen = bytes(request)
    if not frozen or len(frozen) not in LENGTHS.get(frozen[0], frozenset()):
        raise Refused(f"{frozen[:8].hex(' ').upper() or 'empty request'}: not an allowed read")
    return frozen


def single_frame(request: bytes) -> bytes:
    """Return the data of the one frame that carries a request, or raise `Refused`.

    This is form alone; whether the frame may leave is for `Guard.allow_frame`.
    """
    if not 1 <= len(request) <= SINGLE_BYTES:
        raise Refused(f"a request of {len(request)} bytes does not fit one frame")
    return bytes((len(request), *request)).ljust(FRAME_BYTES, bytes((PAD,)))


class Guard:
    """`allow`, and the identification read exactly once for each fitting of a gateway."""

    def __init__(self, *, identified: bool) -> None:
        """`identified` says whether this fitting has already sent its identification read."""
        self._identified = identified

    @property
    def identified(self) -> bool:
        """Whether the identification read of this fitting is used up; the caller keeps it."""
        return self._identified

    def allow(self, request: bytes) -> bytes:
        """Return the request if it may go to the bus, else raise `Refused`."""
        if bytes(request) != IDENTIFY:
            return allow(request)
        if self._identified:
            raise Refused("22 F8 10: already asked once in this fitting")
        self._identified = True
        return IDENTIFY

    def allow_frame(self, number: int, extended: bool, data: bytes) -> bytes:
        """Return the data of one frame if it may go to the bus, else raise `Refused`.

        Two kinds may: a functional request that `allow` lets pass, alone in its frame, and the
        flow control that an ECU's long answer needs, to that ECU's physical id.
        """
        frozen = bytes(data)
        if number == (FUNCTIONAL_29 if extended else FUNCTIONAL_11) and frozen:
            request = frozen[1 : 1 + frozen[0]]
            if frozen == _padded(request):
                self.allow(request)
                return frozen
        elif _physical(number, extended) and frozen in FLOW_CONTROLS:
            return frozen
        raise Refused(f"{number:X} {frozen[:8].hex(' ').upper()}: no frame of a reading")


def _padded(request: bytes) -> bytes:
    return single_frame(request) if 1 <= len(request) <= SINGLE_BYTES else b""


def _physical(number: int, extended: bool) -> bool:
    """Whether an id is an ECU's own request id (ISO 15765-4 as tabulated; B)."""
    if extended:
        return number & 0xFFFF00FF == 0x18DA00F1 and number >> 8 & 0xFF != 0xF1
    return 0x7E0 <= number <= 0x7E7
