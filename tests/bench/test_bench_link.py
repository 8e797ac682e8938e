"""Readings per second against the bare request and response rate of the same bus and run.

Bare means python-can for the request and can-isotp's own stack for the answer, with no guard, no
silence and no decoding: what the libraries can do. Only the ratio says something; the rates are
those of one machine. Run: `python -m pytest -m long tests/bench/test_bench_link.py -s`.
"""

from __future__ import annotations

import json
import time
from collections.abc import Callable
from contextlib import ExitStack
from pathlib import Path
from statistics import median

import can
import isotp
import pytest

from gateway.link import CanLink
from gateway.protocol.session import read_vehicle
from tests.support.can_bench import ScriptedEcu, new_channel, says

AIM = 0.7
ROUNDS, READINGS = 11, 12
RESULTS = Path(__file__).resolve().parent / "results" / "link.json"
# One ECU; its bitmap names 01, 05, 0C, 0D, 1C, 1F and 20, the next one 30 and 31.
ECU = says(
    x0100="410088180013", x0120="412000018000", x0101="410182076504", x0105="41057B",
    x010C="410C1F40", x010D="410D5A", x011C="411C01", x011F="411F0064", x0130="413017",
    x0131="413101F4", x03="430601000200030043008200C100", x07="4700", x0A="4A00",
    x0900="490040000000", x0902="490201314D3847444D3941584B50303432373838",
)  # fmt: skip


class Bare:
    """Requests with python-can, answers with can-isotp's stack, nothing else."""

    def __init__(self, channel: str) -> None:
        self._bus = can.Bus(interface="virtual", channel=channel)
        self._notifier = can.Notifier(self._bus, [], timeout=0.02)
        address = isotp.Address(isotp.AddressingMode.Normal_11bits, rxid=0x7E8, txid=0x7E0)
        params = {"stmin": 0, "blocksize": 0, "tx_padding": 0xCC, "tx_data_min_length": 8}
        self._stack = isotp.NotifierBasedCanStack(
            self._bus, self._notifier, address=address, params=params
        )
        self._stack.start()

    def ask(self, request: bytes) -> bytes:
        """Send one request and wait for its answer."""
        data = bytes((len(request), *request)).ljust(8, b"\xcc")
        self._bus.send(can.Message(arbitration_id=0x7DF, data=data, is_extended_id=False))
        answer = self._stack.recv(block=True, timeout=2.0)
        assert answer is not None
        return bytes(answer)

    def close(self) -> None:
        """Leave the bus."""
        self._stack.stop()
        self._notifier.stop()
        self._bus.shutdown()


def seconds(work: Callable[[], object], times: int) -> float:
    """How long `work` takes, `times` in a row."""
    begun = time.perf_counter()
    for _ in range(times):
        work()
    return time.perf_counter() - begun


def measure() -> dict[str, float | int | str]:
    """Turn and turn about on one bus, so that the machine's noise falls on both."""
    channel = new_channel()
    with ExitStack() as stack:
        node = can.Bus(interface="virtual", channel=channel)
        stack.callback(ScriptedEcu(node, 0x7E8, ECU).close)
        rates: dict[str, list[float]] = {"bare": [], "link": [], "reading": []}
        asked: list[bytes] = []
        link = CanLink(can.Bus(interface="virtual", channel=channel))

        def ask(request: bytes) -> dict[str, bytes]:
            asked.append(request)
            return link.ask(request)

        static = read_vehicle(ask)
        asked.clear()
        read_vehicle(ask, static=static)
        requests = list(asked)
        assert len(requests) > 5
        link.close()
        for _ in range(ROUNDS):
            bare = Bare(channel)
            took = seconds(lambda: [bare.ask(one) for one in requests], READINGS)  # noqa: B023
            bare.close()
            rates["bare"].append(READINGS / took)
            link = CanLink(can.Bus(interface="virtual", channel=channel))
            link.ask(b"\x01\x00")
            link.ask(b"\x01\x20")
            took = seconds(lambda: [link.ask(one) for one in requests], READINGS)  # noqa: B023
            rates["link"].append(READINGS / took)
            took = seconds(lambda: read_vehicle(link.ask, static=static), READINGS)  # noqa: B023
            rates["reading"].append(READINGS / took)
            link.close()
    bare_rate = median(rates["bare"])
    return {
        "requests_in_a_reading": len(requests),
        "bare_readings_per_second": round(bare_rate, 1),
        "link_readings_per_second": round(median(rates["link"]), 1),
        "whole_readings_per_second": round(median(rates["reading"]), 1),
        "ratio_of_requests": round(median(rates["link"]) / bare_rate, 2),
        "ratio": round(median(rates["reading"]) / bare_rate, 2),
        "aim": AIM,
        "meaning": "whole decoded readings against the same requests bare, medians of "
        f"{ROUNDS} rounds turn about on one virtual bus",
    }


@pytest.mark.long
def test_the_link_is_measured_against_the_bare_libraries():
    result = measure()
    print(json.dumps(result, indent=1))
    RESULTS.parent.mkdir(parents=True, exist_ok=True)
    RESULTS.write_text(json.dumps(result, indent=1) + "\n", encoding="utf-8")
