"""The transport of one ECU's answers: can-isotp's logic between frames and payloads.

ISO 15765-2. Receiving only: what it sends is flow control, handed to the caller frame by frame.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable

import can
import isotp

from gateway.bus_watch import TESTER
from gateway.protocol.guard import FRAME_BYTES, PAD

CONSECUTIVE_S = 1.0
"""N_Cr: longest gap inside a long answer (from memory; the library's default, tried)."""

_PARAMS = {
    "stmin": 0,
    "blocksize": 0,
    "tx_padding": PAD,
    "tx_data_min_length": FRAME_BYTES,
    "rx_consecutive_frame_timeout": int(CONSECUTIVE_S * 1000),
}


class EcuTransport:
    """The transport of one ECU: frames in, payloads out, flow control to its physical id."""

    def __init__(self, send: Callable[[can.Message], None], number: int) -> None:
        """`number` is the id the ECU answers on; above 7FF it is a 29-bit one."""
        self._frames: deque[isotp.CanMessage] = deque()
        self._transmit = send
        self.logic = isotp.TransportLayerLogic(
            rxfn=lambda _timeout: self._frames.popleft() if self._frames else None,
            txfn=self._send,
            address=_address(number),
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
        """Whether a long answer is under way."""
        return self.logic.is_rx_active()

    def reset(self) -> None:
        """Forget a half answer."""
        self._frames.clear()
        self.logic.reset()

    def _send(self, message: isotp.CanMessage) -> None:
        # Only flow control comes this way: `send` of the logic is never called.
        self._transmit(
            can.Message(
                arbitration_id=message.arbitration_id,
                data=message.data,
                is_extended_id=message.is_extended_id,
            )
        )


def _address(number: int) -> isotp.Address:
    if number > 0x7FF:
        mode = isotp.AddressingMode.NormalFixed_29bits
        return isotp.Address(mode, source_address=TESTER, target_address=number & 0xFF)
    mode = isotp.AddressingMode.Normal_11bits
    return isotp.Address(mode, rxid=number, txid=number - 8)
