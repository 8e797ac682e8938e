"""The gateway on the bus: one functional request out, the answers of every ECU back.

ISO 15765-4 over python-can, with can-isotp's transport logic for the answers. The request itself
is one raw frame: can-isotp would send it on the physical id in 11-bit mode (tried), and a
functional request must go to 7DF. One thread, the caller's: nothing is sent between two calls
of `ask`. Every frame of ours, flow control too, leaves through `CanLink._transmit`: there the bus
is heard once more, the silences are looked at, and the guard comes last.
"""

from __future__ import annotations

import time
from collections import deque
from collections.abc import Callable
from dataclasses import dataclass, field

import can

from gateway import contract
from gateway.bus_watch import (
    DM1,
    TESTER_QUIET_S,
    TRANSPORT_DATA,
    TRANSPORT_OPEN,
    Broadcast,
    BusWatch,
    is_request,
)
from gateway.iso_tp import CONSECUTIVE_S, EcuTransport
from gateway.known_ecus import KnownEcus, answers
from gateway.protocol.guard import (
    FUNCTIONAL_11,
    FUNCTIONAL_29,
    IDENTIFY,
    Guard,
    Refused,
    single_frame,
)
from gateway.protocol.tables import NEGATIVE, RESPONSE_PENDING

PENDING_S = 5.0
"""P2*: longest wait after "response pending", which may repeat (from memory)."""
LONGEST_ASK_S = 30.0
"""End of patience with an ECU that says "response pending" for ever (engineering choice)."""
LISTEN_S = 2.0
"""How long to listen for traffic before a request is given up (engineering choice)."""

# What matters once the bus is known to live: requests, answers, DM1 and its transport. In a busy
# vehicle the rest would fill the socket between two looks, and a tester's frame would be lost.
NARROW: list[can.typechecking.CanFilter] = [
    {"can_id": number, "can_mask": mask, "extended": extended}
    for number, mask, extended in (
        (FUNCTIONAL_11, 0x7FF, False),
        (0x7E0, 0x7F0, False),
        (0xDA << 16, 0x3FF << 16, True),
        (0xDB << 16, 0x3FF << 16, True),
        (DM1 << 8, 0x3FFFF00, True),
        (TRANSPORT_OPEN << 8, 0x3FF << 16, True),
        (TRANSPORT_DATA << 8, 0x3FF << 16, True),
    )
]


class BusQuiet(can.CanError):
    """Nothing may be sent now: `reason`, and `left_s`, the seconds until it ends (0: unknown)."""

    def __init__(self, reason: contract.Quiet, left_s: float) -> None:
        super().__init__(f"keeping silent on the bus: {reason}")
        self.reason = reason
        self.left_s = left_s


class BusTaken(BusQuiet):
    """Another tester speaks on the bus, so the gateway keeps silent."""


@dataclass(slots=True)
class _Wait:
    """What one `ask` still waits for; times are seconds of a monotonic clock."""

    request: bytes
    end: float
    expected: frozenset[str] | None
    answers: dict[str, bytes] = field(default_factory=dict)
    pending: dict[str, float] = field(default_factory=dict)
    refused: set[str] = field(default_factory=set)

    @property
    def complete(self) -> bool:
        """Whether everybody who will answer has."""
        if self.expected is None or self.pending:
            return False
        return self.expected <= self.answers.keys() | self.refused


class CanLink:
    """Asks all ECUs of one bus. Not for two threads at once, `keep_quiet` excepted.

    The bus must not give our own frames back (python-can's default): what it gives counts as
    another node's, so that a doubt ends in silence.
    """

    def __init__(
        self,
        bus: can.BusABC,
        bits29: bool = False,
        guard: Guard | None = None,
        listen_first: bool | float = False,
        narrow: bool = False,
        monotonic: Callable[[], float] = time.monotonic,
    ) -> None:
        """`guard` lets a new fitting send its one identification read; without it none goes.

        `listen_first` is the safe way in a vehicle: nothing is sent before traffic was heard, and
        a number is how many seconds to listen for it (True: `LISTEN_S`). It is off here because a
        simulated bus has no traffic of its own; `open_socketcan` has it on. `narrow` lets the
        kernel drop what does not matter here once the bus lives; only for a bus that filters
        in the kernel, since python-can's own filter would hide frames from a look without wait.
        `monotonic` is the clock of all waits and silences, in seconds.
        """
        self._bus = bus
        self._now = monotonic
        self._bits29 = bits29
        self._guard = guard or Guard(identified=True)
        self._narrow = narrow
        self._listen_s = LISTEN_S if listen_first is True else float(listen_first)
        self._watch = BusWatch(listen_first=self._listen_s > 0)
        self._known = KnownEcus()
        self._ecus: dict[int, EcuTransport] = {}
        self._unread: deque[can.Message] = deque()

    # -- asking -------------------------------------------------------------------------------

    def ask(self, request: bytes, timeout_s: float = 0.2) -> dict[str, bytes]:
        """Send one functional request; return each ECU's answer payload by its CAN id.

        Ends when every ECU that is known to answer this has, or when `timeout_s` (P2 with a
        margin) has passed since the last frame. Silence and negative responses leave the ECU
        out; "response pending" is waited for and never asked again. Raises `guard.Refused`
        before anything is sent, `BusQuiet` (`BusTaken` where another tester speaks) at any time,
        or `can.CanError` when the bus fails.
        """
        frame = can.Message(
            arbitration_id=FUNCTIONAL_29 if self._bits29 else FUNCTIONAL_11,
            data=single_frame(bytes(request)),
            is_extended_id=self._bits29,
        )
        if (quiet := self.quiet) is not None and quiet[0] == "no_traffic":
            self.listen(self._listen_s)
        for ecu in self._ecus.values():
            ecu.reset()
        self._unread.clear()
        self._transmit(frame)
        self._unread.clear()  # what was heard before the request does not answer it
        begun = self._now()
        wait = _Wait(bytes(request), begun + timeout_s, self._known.expected(bytes(request)))
        last = begun + LONGEST_ASK_S
        while (left := min(self._end(wait), last) - self._now()) > 0:
            message = self._next(left)
            if message is not None and self._take(message, wait):
                wait.end = max(wait.end, self._now() + timeout_s)
                if wait.complete and not self._receiving:
                    break
        self._known.unheard(wait.request, wait.answers)
        return wait.answers

    def close(self) -> None:
        """Leave the bus."""
        self._bus.shutdown()

    # -- listening and keeping silent ---------------------------------------------------------

    def listen(self, wait_s: float) -> bool:
        """Return whether the bus lives: heard within the last seconds, or within `wait_s` now.

        Sends nothing. Error frames do not count.
        """
        if self._watch.traffic(self._now()):
            return True
        return self._hear_all(wait_s, lambda: self._watch.traffic(self._now()))

    def hear_out(self, seconds: float) -> None:
        """Listen to everything for a while without sending: DM1, J1939, other testers."""
        self._hear_all(seconds, lambda: False)

    def _hear_all(self, seconds: float, enough: Callable[[], bool]) -> bool:
        """Hear every frame, unfiltered, until it is enough; False when the time ran out."""
        if self._narrow:
            self._bus.set_filters(None)
        try:
            end = self._now() + seconds
            while (left := end - self._now()) > 0:
                message = self._bus.recv(timeout=left)
                if message is not None:
                    self._hear(message)
                if enough():
                    return True
            return False
        finally:
            if self._narrow and self._watch.traffic(self._now()):
                self._bus.set_filters(NARROW)

    def keep_quiet(self, reason: contract.Quiet, seconds: float, starts_in_s: float = 0.0) -> None:
        """Keep silent for "shop", "inspection" or "low_voltage" work; 0 seconds ends it.

        A second call for the same reason replaces the first. Raises `ValueError` for any other
        reason. The clock stands still in sleep, so a silence may last longer, never shorter.
        """
        start = self._now() + starts_in_s
        self._watch.keep_quiet(reason, start, start + seconds)

    @property
    def quiet(self) -> tuple[contract.Quiet, float] | None:
        """Why nothing may be sent now and the seconds left (0: unknown); None when it may.

        Frames that wait unread are heard first.
        """
        self._drain(keep=False)
        now = self._now()
        silence = self._watch.silence(now)
        return None if silence is None else (silence.reason, max(0.0, silence.until_s - now))

    @property
    def heard(self) -> contract.Heard:
        """What speaks on this bus, as far as it was heard and asked until now."""
        return self._watch.heard

    def take_broadcasts(self) -> list[Broadcast]:
        """Hand over the raw DM1 and transport frames heard since the last call, oldest first."""
        self._drain(keep=False)
        return self._watch.take_broadcasts()

    # -- the last place before the bus --------------------------------------------------------

    def _transmit(self, message: can.Message) -> None:
        """Send one frame, or raise `BusQuiet` or `Refused` with nothing sent."""
        self._drain(keep=True)  # another tester may have spoken a moment ago
        now = self._now()
        silence = self._watch.silence(now)
        if silence is not None:
            kind = BusTaken if silence.reason == "another_tester" else BusQuiet
            raise kind(silence.reason, max(0.0, silence.until_s - now))
        self._guard.allow_frame(message.arbitration_id, message.is_extended_id, bytes(message.data))
        self._bus.send(message)

    # -- hearing ------------------------------------------------------------------------------

    def _hear(self, message: can.Message) -> None:
        self._watch.hear(
            message.arbitration_id,
            message.is_extended_id,
            bytes(message.data),
            self._now(),
            error=message.is_error_frame,
        )
        if self._is_answer(message):
            # An ECU that answers late is there all the same: the next ask waits for it.
            self._known.met(self._name(message.arbitration_id))

    def _drain(self, keep: bool) -> None:
        """Hear what waits unread; `keep` it for the ask that runs."""
        while (message := self._bus.recv(timeout=0)) is not None:
            self._hear(message)
            if keep:
                self._unread.append(message)

    def _next(self, wait_s: float) -> can.Message | None:
        """The next frame, at most `wait_s` from now; raises `BusTaken` at a tester's."""
        if self._unread:
            return self._unread.popleft()
        message = self._bus.recv(timeout=wait_s)
        if message is not None:
            self._hear(message)
        return message

    @property
    def _receiving(self) -> bool:
        return any(ecu.receiving for ecu in self._ecus.values())

    def _end(self, wait: _Wait) -> float:
        """When the ask is over: the quiet time, a pending answer or a long one, the latest."""
        long_answer = wait.end + CONSECUTIVE_S if self._receiving else wait.end
        return max(long_answer, *wait.pending.values(), wait.end)

    def _take(self, message: can.Message, wait: _Wait) -> bool:
        """Take one frame; True when it came from an ECU."""
        if not message.is_error_frame and is_request(
            message.arbitration_id, message.is_extended_id
        ):
            raise BusTaken("another_tester", TESTER_QUIET_S)
        ecu = self._ecu(message)
        if ecu is None:
            return False
        payload = ecu.take(message)
        if payload:
            self._sort(self._name(message.arbitration_id), payload, wait)
        return True

    def _sort(self, name: str, payload: bytes, wait: _Wait) -> None:
        if payload[0] == NEGATIVE:
            if payload[1:2] != wait.request[:1]:
                return
            if payload[2:3] == bytes((RESPONSE_PENDING,)):
                wait.pending[name] = self._now() + PENDING_S
            else:
                wait.pending.pop(name, None)
                wait.refused.add(name)
        elif answers(payload, wait.request):
            wait.pending.pop(name, None)
            # The first answer stands: a second one to the same request is a stray.
            wait.answers.setdefault(name, payload)
            self._known.learn(name, wait.request, payload)
            self._watch.answered(newer=wait.request == IDENTIFY)

    # -- addresses ----------------------------------------------------------------------------

    def _ecu(self, message: can.Message) -> EcuTransport | None:
        if not self._is_answer(message):
            return None
        number = message.arbitration_id
        if number not in self._ecus:
            self._ecus[number] = EcuTransport(self._transmit, number)
        return self._ecus[number]

    def _is_answer(self, message: can.Message) -> bool:
        if message.is_error_frame or message.is_remote_frame or message.is_fd:
            return False
        if message.is_extended_id != self._bits29:
            return False
        number = message.arbitration_id
        return number >> 8 == 0x18DAF1 if self._bits29 else 0x7E8 <= number <= 0x7EF

    def _name(self, number: int) -> str:
        return f"{number:08X}" if self._bits29 else f"{number:03X}"


def open_socketcan(
    channel: str,
    bits29: bool = False,
    guard: Guard | None = None,
    listen_first: bool | float = True,
) -> CanLink:
    """Open a SocketCAN interface such as `can0`, set up at the vehicle's own bit rate.

    The bit rate is the system's to set: a wrong one disturbs the whole bus, and is noticed by
    listening first, since then nothing but error frames is heard.
    """
    bus = can.Bus(interface="socketcan", channel=channel, receive_own_messages=False)
    return CanLink(bus, bits29, guard, listen_first, narrow=True)


def open_bus(
    interface: str,
    channel: str,
    bits29: bool = False,
    guard: Guard | None = None,
    listen_first: bool | float = True,
) -> CanLink:
    """Open any python-can interface: "socketcan" in a vehicle, others on a bench rig."""
    if interface == "socketcan":
        return open_socketcan(channel, bits29, guard, listen_first)
    bus = can.Bus(interface=interface, channel=channel, receive_own_messages=False)
    return CanLink(bus, bits29, guard, listen_first)


__all__ = ["BusQuiet", "BusTaken", "CanLink", "Refused", "open_bus", "open_socketcan"]
