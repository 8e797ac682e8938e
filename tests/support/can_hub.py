"""A CAN bus between processes: a hub on 127.0.0.1 that copies each frame to every other node.

For machines whose kernel has no virtual CAN. `python -m tests.support.can_hub HOST:PORT ECU`
runs the scripted ECU of the tests in a process of its own.
"""

from __future__ import annotations

import json
import socket
import struct
import sys
import threading
import time
from typing import Any

import can

RECORD = struct.Struct("!IBB8s")
"""One frame: id, flags, number of data bytes, data."""
EXTENDED, REMOTE, ERROR = 1, 2, 4
HOST = "127.0.0.1"


class Hub:
    """The wire. `address` is what a node's `channel` takes; a context manager."""

    def __init__(self) -> None:
        self._server = socket.create_server((HOST, 0))
        self.address = f"{HOST}:{self._server.getsockname()[1]}"
        self._lock = threading.Lock()
        self._nodes: list[socket.socket] = []
        self._threads = [threading.Thread(target=self._accept)]
        self._threads[0].start()

    def __enter__(self) -> Hub:
        return self

    def __exit__(self, *_exception: object) -> None:
        self.close()

    def nodes(self) -> int:
        """How many nodes are on the wire."""
        with self._lock:
            return len(self._nodes)

    def close(self) -> None:
        """Cut the wire; every node's next read fails."""
        self._server.shutdown(socket.SHUT_RDWR)
        self._server.close()
        with self._lock:
            for node in self._nodes:
                node.shutdown(socket.SHUT_RDWR)
        for thread in self._threads:
            thread.join()

    def _accept(self) -> None:
        while True:
            try:
                node, _ = self._server.accept()
            except OSError:
                return
            node.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
            with self._lock:
                self._nodes.append(node)
            thread = threading.Thread(target=self._copy, args=(node,))
            self._threads.append(thread)
            thread.start()

    def _copy(self, node: socket.socket) -> None:
        held = b""
        while data := _received(node):
            held += data
            whole = len(held) // RECORD.size * RECORD.size
            # One lock for all nodes: everybody hears the frames in the same order, as on a wire.
            with self._lock:
                for other in self._nodes:
                    if other is not node:
                        other.sendall(held[:whole])
            held = held[whole:]
        with self._lock:
            self._nodes.remove(node)
        node.close()


def _received(node: socket.socket) -> bytes:
    try:
        return node.recv(4096)
    except OSError:
        return b""


class HubBus(can.BusABC):
    """A node on the hub; `channel` is the hub's `address`."""

    def __init__(self, channel: Any = "", can_filters: Any = None, **kwargs: object) -> None:
        host, port = str(channel).split(":")
        self._socket = socket.create_connection((host, int(port)))
        self._socket.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        self._held = b""
        self._lock = threading.Lock()
        self.channel_info = f"hub {channel}"
        super().__init__(channel=channel, can_filters=can_filters, **kwargs)

    def send(self, msg: can.Message, timeout: float | None = None) -> None:
        """Put one classic frame on the wire."""
        flags = EXTENDED * msg.is_extended_id | REMOTE * msg.is_remote_frame
        flags |= ERROR * msg.is_error_frame
        record = RECORD.pack(msg.arbitration_id, flags, msg.dlc, bytes(msg.data))
        with self._lock:
            try:
                self._socket.sendall(record)
            except OSError as error:
                raise can.CanOperationError("the hub is gone") from error

    def _recv_internal(self, timeout: float | None) -> tuple[can.Message | None, bool]:
        while len(self._held) < RECORD.size:
            # A timeout of 0 would make the socket non-blocking, which is another kind of error.
            self._socket.settimeout(timeout if timeout is None or timeout > 0 else 1e-6)
            try:
                data = self._socket.recv(4096)
            except (TimeoutError, BlockingIOError):
                return None, False
            except OSError:
                data = b""
            if not data:
                raise can.CanOperationError("the hub is gone")
            self._held += data
        number, flags, size, data = RECORD.unpack(self._held[: RECORD.size])
        self._held = self._held[RECORD.size :]
        message = can.Message(
            timestamp=time.time(),
            arbitration_id=number,
            is_extended_id=bool(flags & EXTENDED),
            is_remote_frame=bool(flags & REMOTE),
            is_error_frame=bool(flags & ERROR),
            dlc=size,
            data=None if flags & REMOTE else data[:size],
        )
        return message, False

    def shutdown(self) -> None:
        """Leave the wire."""
        super().shutdown()
        self._socket.close()


def main(arguments: list[str]) -> None:
    """Run one scripted ECU (`{"number": 2024, "script": {"0902": "4902..."}}`) until input ends."""
    from tests.support.can_bench import ScriptedEcu

    address, ecu = arguments[0], json.loads(arguments[1])
    script = {request: [(0.0, answer)] for request, answer in ecu["script"].items()}
    running = ScriptedEcu(HubBus(address), ecu["number"], script)
    print("ready", flush=True)
    sys.stdin.read()
    running.close()


if __name__ == "__main__":
    main(sys.argv[1:])
