"""ECUs, listeners and played traces on a python-can virtual bus.

An ECU here is can-isotp's own stack on a second node, so that it is an independent peer; where
frames must be broken on purpose, `Played` sends them raw from a written trace.
"""

from __future__ import annotations

import threading
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import ExitStack, contextmanager
from itertools import count

import can
import isotp

from gateway.link import CanLink
from gateway.protocol.guard import Guard

PATIENCE_S = 5.0
"""How long a played trace waits for a frame before the test fails."""
_channels = count()

Script = dict[str, list[tuple[float, str]]]
"""Answers of an ECU by request: seconds to wait before each, and its payload in hex."""


def says(**answers: str) -> Script:
    """Return a script that answers at once: `says(x0902="4902...")`."""
    return {key.removeprefix("x"): [(0.0, value)] for key, value in answers.items()}


def new_channel() -> str:
    """Return the name of a virtual bus that nobody uses."""
    return f"link-{next(_channels)}"


def frame(text: str) -> can.Message:
    """Read one frame as a trace has it: `7E8 03 41 0D 5A`; eight digits make a 29-bit id."""
    number, *data = text.split()
    return can.Message(
        arbitration_id=int(number, 16),
        data=bytes.fromhex("".join(data)),
        is_extended_id=len(number) == 8,
    )


def text(message: can.Message) -> tuple[str, str]:
    """Return id and data of a frame in hex."""
    return f"{message.arbitration_id:X}", message.data.hex(" ").upper()


class ScriptedEcu:
    """An ECU on the bus: hears functional requests, answers through its own transport."""

    def __init__(
        self, bus: can.BusABC, number: int, script: Script, bits29: bool = False, pad: int = 0xCC
    ) -> None:
        self._functional = 0x18DB33F1 if bits29 else 0x7DF
        self._script = script
        self._bus = bus
        self._notifier = can.Notifier(self._bus, [self._hear], timeout=0.02)
        if bits29:
            mode = isotp.AddressingMode.NormalFixed_29bits
            address = isotp.Address(mode, source_address=number, target_address=0xF1)
        else:
            mode = isotp.AddressingMode.Normal_11bits
            address = isotp.Address(mode, rxid=number - 8, txid=number)
        params = {"stmin": 0, "blocksize": 0, "tx_padding": pad, "tx_data_min_length": 8}
        self._stack = isotp.NotifierBasedCanStack(
            self._bus, self._notifier, address=address, params=params
        )
        self._stack.start()
        self._threads: list[threading.Thread] = []

    def _hear(self, message: can.Message) -> None:
        if message.arbitration_id != self._functional:
            return
        request = bytes(message.data[1 : 1 + message.data[0]]).hex().upper()
        answers = self._script.get(request, [])
        if not any(wait for wait, _ in answers):
            self._answer(answers)
            return
        thread = threading.Thread(target=self._answer, args=(answers,))
        self._threads.append(thread)
        thread.start()

    def _answer(self, answers: list[tuple[float, str]]) -> None:
        for wait, payload in answers:
            time.sleep(wait)
            self._stack.send(bytes.fromhex(payload))

    def close(self) -> None:
        """Leave the bus with every thread ended."""
        for thread in self._threads:
            thread.join()
        self._stack.stop()
        self._notifier.stop()
        self._bus.shutdown()


class FrameEcu:
    """Answers requests with frames as they are written, however broken; waits for nothing."""

    def __init__(self, channel: str, frames: dict[str, Sequence[str]]) -> None:
        """`frames` by functional request in hex: `7E8 03 41 0D 5A`, ..."""
        self._bus = can.Bus(interface="virtual", channel=channel)
        self._frames = frames
        self._notifier = can.Notifier(self._bus, [self._hear], timeout=0.02)

    def _hear(self, message: can.Message) -> None:
        if message.arbitration_id in (0x7DF, 0x18DB33F1):
            request = bytes(message.data[1 : 1 + message.data[0]]).hex().upper()
            for one in self._frames.get(request, ()):
                self._bus.send(frame(one))

    def close(self) -> None:
        """Leave the bus with every thread ended."""
        self._notifier.stop()
        self._bus.shutdown()


class Played:
    """Plays a trace: `7DF?` waits for a frame of that id, anything else is sent."""

    def __init__(self, channel: str, steps: Sequence[str]) -> None:
        self._bus = can.Bus(interface="virtual", channel=channel)
        self._steps = steps
        self.missed: str | None = None
        self._thread = threading.Thread(target=self._play)
        self._thread.start()

    def _play(self) -> None:
        for step in self._steps:
            if not step.endswith("?"):
                self._bus.send(frame(step))
            elif not self._wait(step[:-1]):
                self.missed = step
                return

    def _wait(self, number: str) -> bool:
        end = time.monotonic() + PATIENCE_S
        while (left := end - time.monotonic()) > 0:
            message = self._bus.recv(timeout=left)
            if message is not None and text(message)[0] == number:
                return True
        return False

    def close(self) -> None:
        """Wait for the end of the trace and leave the bus."""
        self._thread.join()
        self._bus.shutdown()


class Bench:
    """A link, its ECUs and a listener on one channel."""

    def __init__(
        self,
        stack: ExitStack,
        ecus: dict[int, Script],
        bits29: bool = False,
        guard: Guard | None = None,
        listen_first: bool | float = False,
        pad: int = 0xCC,
        monotonic: Callable[[], float] = time.monotonic,
    ) -> None:
        self._stack = stack
        self.channel = new_channel()
        for number, script in ecus.items():
            node = can.Bus(interface="virtual", channel=self.channel)
            stack.callback(ScriptedEcu(node, number, script, bits29, pad).close)
        self.listener = can.Bus(interface="virtual", channel=self.channel)
        stack.callback(self.listener.shutdown)
        bus = can.Bus(interface="virtual", channel=self.channel)
        self.link = CanLink(
            bus, bits29=bits29, guard=guard, listen_first=listen_first, monotonic=monotonic
        )
        stack.callback(self.link.close)

    def play(self, *steps: str) -> Played:
        """Start a trace on a node of its own."""
        played = Played(self.channel, steps)
        self._stack.callback(played.close)
        return played

    def say(self, *frames: str) -> None:
        """Send frames from the listener's node."""
        for one in frames:
            self.listener.send(frame(one))

    def heard(self) -> list[tuple[str, str]]:
        """Every frame so far: id and data in hex."""
        frames = []
        while (message := self.listener.recv(timeout=0)) is not None:
            frames.append(text(message))
        return frames


@contextmanager
def bench(
    ecus: dict[int, Script],
    bits29: bool = False,
    guard: Guard | None = None,
    listen_first: bool | float = False,
    pad: int = 0xCC,
) -> Iterator[Bench]:
    """Yield a bench whose every node and thread ends with the block."""
    with ExitStack() as stack:
        yield Bench(stack, ecus, bits29, guard, listen_first, pad)
