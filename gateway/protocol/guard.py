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


class Refused(Exception):
    """A request is not a well-formed read of an allowed service; nothing was sent."""


def allow(request: bytes) -> bytes:
    """Return the request if it may go to the bus, else raise `Refused`."""
    frozen = bytes(request)
    if not frozen or len(frozen) not in LENGTHS.get(frozen[0], frozenset()):
        raise Refused(f"{frozen[:8].hex(' ').upper() or 'empty request'}: not an allowed read")
    return frozen


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
