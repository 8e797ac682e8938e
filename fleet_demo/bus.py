"""A simulated vehicle's CAN bus, there only while its ignition is on, and a listener on it.

ISO 15765-4 framing (11 bit: requests on 7DF, answers on 7E8-7EF; 29 bit: 18DB33F1, 18DAF1xx).
"""

from __future__ import annotations

import threading
import time
from collections import Counter
from collections.abc import Iterator
from contextlib import contextmanager
from types import TracebackType

import can
import isotp

from fleet_demo.ecu import Ecu
from fleet_demo.traffic import BEAT_S, Broadcast, ordinary
from fleet_demo.truck import SimulatedVehicle

FUNCTIONAL_11, FUNCTIONAL_29, TESTER = 0x7DF, 0x18DB33F1, 0xF1
HIGHEST_11 = 0x7FF
_PARAMS = {"stmin": 0, "blocksize": 0, "tx_padding": 0xAA, "tx_data_min_length": 8}
_POLL_S = 0.02
PENDING_PAUSE_S = 0.25
"""From "response pending" to the answer itself; up to 5 s are allowed (from memory)."""


class Listener:
    """Hears every bus through a node of its own and counts what is asked, and who answers."""

    def __init__(self) -> None:
        self.requests: Counter[int] = Counter()
        self.vehicles: set[str] = set()
        self.answering: dict[str, set[str]] = {}

    @contextmanager
    def on(self, unit: str, channel: str) -> Iterator[None]:
        """Listen on one vehicle's bus; never sends."""
        bus = can.Bus(interface="virtual", channel=channel)
        notifier = can.Notifier(bus, [lambda message: self._hear(unit, message)], timeout=_POLL_S)
        try:
            yield
        finally:
            notifier.stop()
            bus.shutdown()

    def _hear(self, unit: str, message: can.Message) -> None:
        """Take one frame of one vehicle's bus."""
        number, data = message.arbitration_id, bytes(message.data)
        if number in (FUNCTIONAL_11, FUNCTIONAL_29) and data and data[0] >> 4 == 0:
            self.requests[data[1]] += 1
            self.vehicles.add(unit)
        elif 0x7E8 <= number <= 0x7EF or number >> 8 == 0x18DAF1:
            self.answering.setdefault(unit, set()).add(f"{number:X}")
        elif self._physical(number) and data and data[0] >> 4 == 0:
            self.requests[data[1]] += 1  # a physical request: the gateway sends none

    @staticmethod
    def _physical(number: int) -> bool:
        return 0x7E0 <= number <= 0x7E7 or (number >> 16 == 0x18DA and number & 0xFF == TESTER)


class VehicleBus:
    """One virtual bus with an ISO-TP stack per controller; a context manager.

    While it is open it carries the vehicle's own broadcasts. A J1939 vehicle has no stacks: it
    broadcasts, and nobody on it answers.
    """

    def __init__(self, vehicle: SimulatedVehicle) -> None:
        self.channel = f"vehicle-{vehicle.unit}"
        self.bits29 = vehicle.heavy is not None or any(len(n) == 8 for n in vehicle.ecus)
        self._vehicle = vehicle
        self._over = threading.Event()
        self._talk = threading.Thread(target=self._broadcast, name=self.channel, daemon=True)
        self._late: list[threading.Timer] = []
        self._bus = can.Bus(interface="virtual", channel=self.channel)
        self._notifier = can.Notifier(self._bus, [self._hear], timeout=_POLL_S)
        self._stacks = [
            (ecu, isotp.NotifierBasedCanStack(
                self._bus, self._notifier, address=self._address(name), params=_PARAMS
            ))
            for name, ecu in vehicle.ecus.items()
        ]  # fmt: skip

    def _address(self, name: str) -> isotp.Address:
        number = int(name, 16)
        if self.bits29:
            mode = isotp.AddressingMode.NormalFixed_29bits
            return isotp.Address(mode, source_address=number & 0xFF, target_address=TESTER)
        mode = isotp.AddressingMode.Normal_11bits
        return isotp.Address(mode, rxid=number - 8, txid=number)

    def __enter__(self) -> VehicleBus:
        """Wake the controllers."""
        for _, stack in self._stacks:
            stack.start()
        self._talk.start()
        return self

    def __exit__(
        self,
        _kind: type[BaseException] | None,
        _error: BaseException | None,
        _trace: TracebackType | None,
    ) -> None:
        """Ignition off: the bus is gone."""
        self._over.set()
        self._talk.join()
        for timer in self._late:
            timer.cancel()
            timer.join()
        for _, stack in self._stacks:
            stack.stop()
        self._notifier.stop()
        self._bus.shutdown()

    def tester(self) -> can.BusABC:
        """Return a bus for whoever plugs into the connector."""
        return can.Bus(interface="virtual", channel=self.channel)

    def _hear(self, message: can.Message) -> None:
        number, data = message.arbitration_id, bytes(message.data)
        if number not in (FUNCTIONAL_11, FUNCTIONAL_29) or not data or data[0] >> 4:
            return
        request = data[1 : 1 + data[0]]
        for ecu, stack in self._stacks:
            self._answer(ecu, stack, request)

    def _answer(self, ecu: Ecu, stack: isotp.NotifierBasedCanStack, request: bytes) -> None:
        answers = ecu.answers(request)  # an unsupported functional request gets silence
        for place, answer in enumerate(answers):
            if place == 0:
                stack.send(answer)
                continue
            timer = threading.Timer(PENDING_PAUSE_S * place, stack.send, (answer,))
            self._late = [one for one in self._late if one.is_alive()] + [timer]
            timer.start()

    def _broadcast(self) -> None:
        """Send the vehicle's own traffic, beat after beat, until the ignition goes off."""
        beat = time.monotonic()
        while not self._over.is_set():
            for frame in self._frames():
                if self._over.wait(max(0.0, beat + frame.after_s - time.monotonic())):
                    return
                self._send(frame)
            beat += BEAT_S
            self._over.wait(max(0.0, beat - time.monotonic()))

    def _frames(self) -> Iterator[Broadcast]:
        vehicle = self._vehicle
        live = vehicle.live
        return ordinary(live) if vehicle.heavy is None else vehicle.heavy.beat(live)

    def _send(self, frame: Broadcast) -> None:
        self._bus.send(
            can.Message(
                arbitration_id=frame.can_id,
                data=frame.data,
                is_extended_id=frame.can_id > HIGHEST_11,
            )
        )
