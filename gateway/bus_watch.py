"""What is heard on the bus, and whether the gateway may speak: a state machine without I/O.

Every frame that is not ours goes through `hear`; every frame of ours asks `silence` first. Times
are seconds of one monotonic clock, handed in by the caller.
"""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass
from math import inf

from gateway.contract import Heard, Quiet

TESTER_QUIET_S = 600.0
"""How long the gateway keeps silent after another tester's last request (common practice, no
source): polling during an inspection can fail it, and during a reflash can ruin a module."""
FRESH_S = 5.0
"""How long traffic that was heard counts as proof that bus and bit rate are right (engineering
choice); a bus asleep is then not woken by a request."""
FUNCTIONAL_11 = 0x7DF
PHYSICAL_11 = range(0x7E0, 0x7E8)
"""Request ids of ISO 15765-4, 11-bit (as tabulated; B)."""
TESTER = 0xF1
"""Address of a tester on 29-bit ids (C)."""
_PHYSICAL_29, _FUNCTIONAL_29 = 0xDA, 0xDB
"""The byte that makes a 29-bit id diagnostic: 18DA physical, 18DB functional (B)."""

DM1, TRANSPORT_OPEN, TRANSPORT_DATA = 0xFECA, 0xEC00, 0xEB00
"""PGNs of SAE J1939: active codes and lamps (J1939-73, 5.7.1; A), and the transport of a long
broadcast (J1939-21 as quoted; C)."""
J1939_PGNS = frozenset({DM1, TRANSPORT_OPEN, TRANSPORT_DATA, 0xF004, 0xFEF1, 0xFEEE, 0xFEE0})
"""PGNs by which J1939 traffic is known: besides these engine, speed, temperature, distance (from
memory). A 29-bit id alone proves nothing: light vehicles use them too."""
KEPT_BROADCASTS = 256
"""Raw broadcast frames kept until somebody takes them; the oldest go first."""
SET_AHEAD: tuple[Quiet, ...] = ("shop", "inspection", "low_voltage")
"""Reasons that somebody may set; the others are heard on the bus."""


@dataclass(frozen=True, slots=True)
class Silence:
    """Why the gateway may not send, and until when (0 where no time can be told)."""

    reason: Quiet
    until_s: float


@dataclass(frozen=True, slots=True)
class Broadcast:
    """One raw frame of a J1939 broadcast: PGN, sender's address, data, and when it was heard."""

    pgn: int
    source: int
    data: bytes
    heard_s: float


def is_request(number: int, extended: bool) -> bool:
    """Whether an id is one that only a tester uses: functional or physical, 11 or 29 bit.

    On 29 bits every priority and every tester's address counts; the answers to F1 are not
    requests.
    """
    if not extended:
        return number == FUNCTIONAL_11 or number in PHYSICAL_11
    kind, target = number >> 16 & 0x3FF, number >> 8 & 0xFF
    return kind == _FUNCTIONAL_29 or (kind == _PHYSICAL_29 and target != TESTER)


def pgn_of(number: int) -> int:
    """Return the PGN of a 29-bit id (SAE J1939-21; below F0 the low byte is an address)."""
    pgn = number >> 8 & 0x3FFFF
    return pgn if pgn >> 8 & 0xFF >= 0xF0 else pgn & 0x3FF00


class BusWatch:
    """Listens along: traffic, other testers, J1939 broadcasts, and the silences set ahead."""

    def __init__(self, listen_first: bool) -> None:
        """With `listen_first` nothing may be sent before traffic was heard within `FRESH_S`."""
        self._listen_first = listen_first
        self._traffic_s = -inf
        self._tester_s = -inf
        self._silences: dict[Quiet, tuple[float, float]] = {}
        self._answered = self._newer = self._j1939 = False
        self._broadcasts: deque[Broadcast] = deque(maxlen=KEPT_BROADCASTS)

    # -- hearing ------------------------------------------------------------------------------

    def hear(
        self, number: int, extended: bool, data: bytes, now_s: float, *, error: bool = False
    ) -> bool:
        """Take one frame that is not ours; True when another tester sent it.

        Error frames say that something is wrong, not that somebody speaks: they count for
        nothing.
        """
        if error:
            return False
        self._traffic_s = now_s
        if is_request(number, extended):
            self._tester_s = now_s
            return True
        if extended:
            self._hear_j1939(number, data, now_s)
        return False

    def _hear_j1939(self, number: int, data: bytes, now_s: float) -> None:
        pgn = pgn_of(number)
        if pgn not in J1939_PGNS or not data:
            return
        self._j1939 = True
        if pgn in (DM1, TRANSPORT_OPEN, TRANSPORT_DATA):
            self._broadcasts.append(Broadcast(pgn, number & 0xFF, data, now_s))

    def answered(self, newer: bool) -> None:
        """Note a positive answer: to a J1979 request, or to the newer protocol's identification."""
        if newer:
            self._newer = True
        else:
            self._answered = True

    @property
    def heard(self) -> Heard:
        """What speaks on this bus so far; an answer outweighs what else is heard."""
        if self._answered:
            return "answers"
        if self._newer:
            return "newer_protocol"
        return "j1939" if self._j1939 else "nothing"

    def take_broadcasts(self) -> list[Broadcast]:
        """Hand over the raw DM1 and transport frames heard since the last call, oldest first."""
        taken = list(self._broadcasts)
        self._broadcasts.clear()
        return taken

    # -- keeping silent -----------------------------------------------------------------------

    def keep_quiet(self, reason: Quiet, from_s: float, until_s: float) -> None:
        """Set a silence ahead; a second one for the same reason replaces the first.

        Raises `ValueError` for a reason that only the bus can give, or a time that is no number.
        """
        if reason not in SET_AHEAD:
            raise ValueError(f"{reason}: not a silence that can be set")
        if from_s != from_s or until_s != until_s:
            raise ValueError("a silence begins and ends at a time")
        # A new mapping, so that another thread may set one while `silence` looks.
        self._silences = {**self._silences, reason: (from_s, until_s)}

    def traffic(self, now_s: float) -> bool:
        """Whether the bus was heard alive within `FRESH_S`."""
        return now_s - self._traffic_s < FRESH_S

    def silence(self, now_s: float) -> Silence | None:
        """Why nothing may be sent now, None when it may; of several the one that lasts longest."""
        running = [
            Silence(reason, until)
            for reason, (start, until) in self._silences.items()
            if start <= now_s < until
        ]
        if now_s < self._tester_s + TESTER_QUIET_S:
            running.append(Silence("another_tester", self._tester_s + TESTER_QUIET_S))
        if running:
            return max(running, key=lambda silence: silence.until_s)
        if self._listen_first and not self.traffic(now_s):
            return Silence("no_traffic", 0.0)
        return None
