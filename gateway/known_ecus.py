"""Which ECUs a request waits for: learned from their answers and support bitmaps, without I/O.

An ECU that may answer is waited for; only a bitmap that says otherwise spares the wait. So
nothing is lost by ending early, and a vehicle whose ECUs have told what they support is read at
the speed of its answers.
"""

from __future__ import annotations

from collections.abc import Collection

from gateway.protocol.decode import decode_bitmap
from gateway.protocol.tables import BITMAPS, POSITIVE

BLOCK = 0x20
"""Ids that one bitmap tells about (SAE J1979; B)."""
FREEZE_FRAME = 0x02
_BITMAP_SERVICES = frozenset({0x01, 0x02, 0x06, 0x09})
"""Services that tell what they support (SAE J1979; B)."""
_SELDOM_SERVICES = frozenset({0x02, 0x06})
"""Services of which many ECUs have nothing at all (common practice, no source)."""
_CODE_SERVICES = frozenset({0x03, 0x07, 0x0A})
MOST_WAITS = 3
"""Requests that wait for somebody of whom frames were heard, but never an answer (engineering
choice): a stray frame on an unused id must not slow every request after it."""


class KnownEcus:
    """The ECUs heard so far and what each says it supports; ECU names are CAN ids in hex."""

    def __init__(self) -> None:
        self._ecus: set[str] = set()
        self._only_heard: dict[str, int] = {}
        self._bitmaps: dict[tuple[str, int, int], frozenset[int]] = {}

    def met(self, ecu: str) -> None:
        """Note a frame on an ECU's id: it may be one that answers late, and is waited for a while.

        After `MOST_WAITS` requests without an answer it is not waited for until it answers.
        """
        if ecu not in self._ecus:
            self._only_heard.setdefault(ecu, 0)

    def learn(self, ecu: str, request: bytes, answer: bytes) -> None:
        """Take a positive answer; a request of one bitmap teaches what the ECU supports."""
        self._ecus.add(ecu)
        self._only_heard.pop(ecu, None)
        if len(request) < 2 or request[0] not in _BITMAP_SERVICES or request[1] not in BITMAPS:
            return
        head = 3 if request[0] == FREEZE_FRAME else 2  # the frame's number comes in between
        one = len(request) == head
        if one and len(answer) == head + 4 and answer[:2] == _head(request):
            self._bitmaps[ecu, request[0], request[1]] = decode_bitmap(request[1], answer[head:])

    def unheard(self, request: bytes, answered: Collection[str]) -> None:
        """Note who gave no answer before the request ended.

        A gearbox without test results never answers the first bitmap of service 06, nor of 02:
        where others do, it is not waited for in that service until it tells a bitmap after all.
        """
        for ecu in self._only_heard.keys() - answered:
            self._only_heard[ecu] += 1
        if answered and request[0] in _SELDOM_SERVICES and request[1:2] == b"\0":
            for ecu in self._waited_for.difference(answered):
                self._bitmaps.setdefault((ecu, request[0], 0), frozenset())

    def expected(self, request: bytes) -> frozenset[str] | None:
        """The ECUs that will answer a request; None where nobody knows, so that P2 must pass.

        A first bitmap (`01 00`) is how new ECUs are found: it always takes its full time.
        """
        service, ids = request[0], _ids(request)
        ecus = self._waited_for
        if not ecus or 0 in ids:
            return None
        if service in _CODE_SERVICES:
            return ecus
        if service not in _BITMAP_SERVICES:
            return None
        found = frozenset(ecu for ecu in ecus if any(self._may(ecu, service, one) for one in ids))
        return found or None

    @property
    def _waited_for(self) -> frozenset[str]:
        late = (ecu for ecu, waits in self._only_heard.items() if waits < MOST_WAITS)
        return frozenset(self._ecus).union(late)

    def _may(self, ecu: str, service: int, number: int) -> bool:
        """Whether an ECU may support an id: only its own bitmaps can say that it does not."""
        block = (number - 1) // BLOCK * BLOCK
        known = self._bitmaps.get((ecu, service, block))
        if known is not None:
            return number in known
        lower = (self._bitmaps.get((ecu, service, base)) for base in range(0, block, BLOCK))
        # A bitmap names the next one: where it does not, all that follows is unsupported.
        return not any(
            told is not None and base + BLOCK not in told
            for base, told in zip(range(0, block, BLOCK), lower, strict=True)
        )


def _head(request: bytes) -> bytes:
    return bytes((request[0] + POSITIVE, request[1]))


def _ids(request: bytes) -> bytes:
    """The ids a request names; of service 02 every second byte is a frame's number."""
    return request[1::2] if request[0] == FREEZE_FRAME else request[1:]


def answers(payload: bytes, request: bytes) -> bool:
    """Whether a payload is a positive answer to this request: its service, and an id it names."""
    if payload[0] != request[0] + POSITIVE:
        return False
    ids = request[1:3] if request[0] > 0x0A else _ids(request)
    return len(request) == 1 or (len(payload) > 1 and payload[1] in ids)
