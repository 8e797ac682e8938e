"""A simulated vehicle's CAN bus, there only while its ignition is on, and a listener on it.

ISO 15765-4 framing (11 bit: requests on 7DF, answers on 7E8-7EF; 29 bit: 18DB33F1, 18DAF1xx).
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator
from contextlib import contextmanager
from types import TracebackType

import can
import isotp

from fleet_demo.ecu import Ecu
from fleet_demo.truck import SimulatedVehicle

FUNCTIONAL_11, FUNCTIONAL_29, TESTER = 0x7DF, 0x18DB33F1, 0xF1
_PARAMS = {"stmin": 0, "blocksize": 0, "tx_padding": 0xAA, "tx_data_min_length": 8}
_POLL_S = 0.02


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
        elif data and data[0] >> 4 == 0:
            self.requests[data[1]] += 1  # a physical request: the gateway sends none


class VehicleBus:
    """One virtual bus with an ISO-TP stack per controller; a context manager."""

    def __init__(self, vehicle: SimulatedVehicle) -> None:
        self.channel = f"vehicle-{vehicle.unit}"
        self.bits29 = any(len(name) == 8 for name in vehicle.ecus)
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
        return self

    def __exit__(
        self,
        _kind: type[BaseException] | None,
        _error: BaseException | None,
        _trace: TracebackType | None,
    ) -> None:
        """Ignition off: the bus is gone."""
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

    @staticmethod
    def _answer(ecu: Ecu, stack: isotp.NotifierBasedCanStack, request: bytes) -> None:
        answer = ecu.answer(request)
        if answer is not None:  # an unsupported functional request gets silence
            stack.send(answer)
