"""The gateway on the bus: one functional request out, the answers of every ECU back.

ISO 15765-4 over python-can, with can-isotp's transport logic for the answers. The request itself
is one raw frame: can-isotp would send it on the physical id in 11-bit mode (tried), and a
functional request must go to 7DF. One thread, the caller's: nothing is sent between two calls
of `ask`.
"""

from __future__ import annotations

import time
from collections import deque
from dataclasses import dataclass, field

import can
import isotp

from gateway.protocol.guard import Guard
from gateway.protocol.tables import NEGATIVE, POSITIVE, RESPONSE_PENDING

FUNCTIONAL_11, FUNCTIONAL_29 = 0x7DF, 0x18DB33F1
"""Functional requests (ISO 15765-4 as tabulated; B)."""
TESTER, PAD, FRAME_BYTES = 0xF1, 0xCC, 8
"""Tester address (C); recommended padding and length of every frame (B)."""
PENDING_S = 5.0
"""P2*: longest wait after "response pending", which may repeat (from memory)."""
LONGEST_ASK_S = 30.0
"""End of patience with an ECU that says "response pending" for ever (engineering choice)."""
CONSECUTIVE_S = 1.0
"""N_Cr: longest gap inside a long answer (from memory; the library's default, tried)."""
QUIET_S = 60.0
"""How long the gateway stays silent after another tester spoke (common practice, no source)."""

_PARAMS = {
    "stmin": 0,
    "blocksize": 0,
    "tx_padding": PAD,
    "tx_data_min_length": FRAME_BYTES,
    "rx_consecutive_frame_timeout": int(CONSECUTIVE_S * 1000),
}


class BusTaken(can.CanError):
    """Another tester speaks on the bus, so the gateway keeps silent for `QUIET_S`."""


@dataclass(slots=True)
class _Wait:
    """What one `ask` still waits for; times are seconds of a monotonic clock."""

    request: bytes
    end: float
    answers: dict[str, bytes] = field(default_factory=dict)
    pending: dict[str, float] = field(default_factory=dict)


class _Ecu:
    """The transport of one ECU: frames in, payloads out, flow control to its physical id."""

    def __init__(self, bus: can.BusABC, address: isotp.Address) -> None:
        self._frames: deque[isotp.CanMessage] = deque()
        self._bus = bus
        self.logic = isotp.TransportLayerLogic(
            rxfn=lambda _timeout: self._frames.popleft() if self._frames else None,
            txfn=self._send,
            address=address,
            # A broken long answer is dropped by the library and then counts as not answered.
            error_handler=lambda _error: None,
            params=dict(_PARAMS),
        )

    def take(self, message: can.Message) -> bytes | None:
        """Feed one frame; return the payload it completes."""
        self._frames.append(
            isotp.CanMessage(
                arbitration_id=message.arbitration_id,
                data=bytes(message.data),
                dlc=message.dlc,
                extended_id=message.is_extended_id,
            )
        )
        self.logic.process()
        payload = self.logic.recv()
        return None if payload is None else bytes(payload)

    @property
    def receiving(self) -> bool:
        return self.logic.is_rx_active()

    def reset(self) -> None:
        self._frames.clear()
        self.logic.reset()

    def _send(self, message: isotp.CanMessage) -> None:
        # Only flow control comes this way: `send` of the logic is never called.
        self._bus.send(
            can.Message(
                arbitration_id=message.arbitration_id,
                data=message.data,
                is_extended_id=message.is_extended_id,
            )
        )


class CanLink:
    """Asks all ECUs of one bus. Not for two threads at once."""

    def __init__(self, bus: can.BusABC, bits29: bool = False, guard: Guard | None = None) -> None:
        """`guard` lets a new fitting send its one identification read; without it none goes."""
        self._bus = bus
        self._bits29 = bits29
        self._guard = guard or Guard(identified=True)
        self._ecus: dict[int, _Ecu] = {}
        self._quiet_until = float("-inf")

    def ask(self, request: bytes, timeout_s: float = 0.2) -> dict[str, bytes]:
        """Send one functional request; return each ECU's answer payload by its CAN id.

        Waits until `timeout_s` has passed since the last frame. Silence and negative responses
        leave the ECU out; "response pending" is waited for. Raises `guard.Refused` before
        anything is sent, `BusTaken`, or `can.CanError` when the bus fails.
        """
        self._clear()
        if time.monotonic() < self._quiet_until:
            raise BusTaken("another tester speaks on the bus")
        frame = self._frame(request)
        wait = _Wait(request, time.monotonic() + timeout_s)
        last = wait.end - timeout_s + LONGEST_ASK_S
        self._bus.send(frame)
        while (left := min(self._end(wait), last) - time.monotonic()) > 0:
            message = self._bus.recv(timeout=left)
            if message is not None and self._heard(message, wait):
                wait.end = max(wait.end, time.monotonic() + timeout_s)
        return wait.answers

    def close(self) -> None:
        """Leave the bus."""
        self._bus.shutdown()

    def _frame(self, request: bytes) -> can.Message:
        # The guard is the last thing before the bus: what it returns is what is sent.
        allowed = self._guard.allow(request)
        return can.Message(
            arbitration_id=FUNCTIONAL_29 if self._bits29 else FUNCTIONAL_11,
            data=bytes((len(allowed), *allowed)).ljust(FRAME_BYTES, bytes((PAD,))),
            is_extended_id=self._bits29,
        )

    def _clear(self) -> None:
        """Drop what came since the last ask, but notice another tester in it."""
        while (message := self._bus.recv(timeout=0)) is not None:
            self._notice_tester(message)
        for ecu in self._ecus.values():
            ecu.reset()

    def _end(self, wait: _Wait) -> float:
        """When the ask is over: the quiet time, a pending answer or a long one, the latest."""
        receiving = any(ecu.receiving for ecu in self._ecus.values())
        long_answer = wait.end + CONSECUTIVE_S if receiving else wait.end
        return max(long_answer, *wait.pending.values(), wait.end)

    def _heard(self, message: can.Message, wait: _Wait) -> bool:
        """Take one frame; True when it came from an ECU."""
        if self._notice_tester(message):
            raise BusTaken("another tester speaks on the bus")
        ecu = self._ecu(message)
        if ecu is None:
            return False
        payload = ecu.take(message)
        if payload:
            self._sort(self._name(message.arbitration_id), payload, wait)
        return True

    @staticmethod
    def _sort(name: str, payload: bytes, wait: _Wait) -> None:
        service = wait.request[0]
        if payload[0] == NEGATIVE:
            if payload[1:2] != wait.request[:1]:
                return
            if payload[2:3] == bytes((RESPONSE_PENDING,)):
                wait.pending[name] = time.monotonic() + PENDING_S
            else:
                wait.pending.pop(name, None)
        elif _answers(payload, service, wait.request):
            wait.pending.pop(name, None)
            # The first answer stands: a second one to the same request is a stray.
            wait.answers.setdefault(name, payload)

    def _ecu(self, message: can.Message) -> _Ecu | None:
        number = message.arbitration_id
        if message.is_error_frame or message.is_remote_frame:
            return None
        if message.is_extended_id != self._bits29 or not self._is_answer(number):
            return None
        if number not in self._ecus:
            self._ecus[number] = _Ecu(self._bus, self._address(number))
        return self._ecus[number]

    def _is_answer(self, number: int) -> bool:
        if self._bits29:
            return number >> 8 == 0x18DAF1
        return 0x7E8 <= number <= 0x7EF

    def _address(self, number: int) -> isotp.Address:
        if self._bits29:
            mode = isotp.AddressingMode.NormalFixed_29bits
            return isotp.Address(mode, source_address=TESTER, target_address=number & 0xFF)
        mode = isotp.AddressingMode.Normal_11bits
        return isotp.Address(mode, rxid=number, txid=number - 8)

    def _notice_tester(self, message: can.Message) -> bool:
        """Another tester is heard by its requests; our own frames do not come back to us."""
        number = message.arbitration_id
        if message.is_error_frame or not message.is_rx:
            return False
        if message.is_extended_id:
            spoke = number == FUNCTIONAL_29 or (
                number & 0xFFFF00FF == 0x18DA0000 | TESTER and number >> 8 != 0x18DAF1
            )
        else:
            spoke = number == FUNCTIONAL_11 or 0x7E0 <= number <= 0x7E7
        if spoke:
            self._quiet_until = time.monotonic() + QUIET_S
        return spoke

    def _name(self, number: int) -> str:
        return f"{number:08X}" if self._bits29 else f"{number:03X}"


def open_socketcan(channel: str, bits29: bool = False, guard: Guard | None = None) -> CanLink:
    """Open a SocketCAN interface such as `can0`, set up at the vehicle's own bit rate.

    The bit rate is the system's to set: a wrong one disturbs the whole bus.
    """
    return CanLink(can.Bus(interface="socketcan", channel=channel), bits29, guard)


def _answers(payload: bytes, service: int, request: bytes) -> bool:
    """Whether a payload answers this request: its service, and the id it repeats."""
    if payload[0] != service + POSITIVE:
        return False
    return len(request) == 1 or payload[1:2] == request[1:2]
