"""The link and an ECU in two processes, over a hub on 127.0.0.1."""

from __future__ import annotations

import json
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

import can
import pytest

from gateway.link import BusTaken, CanLink
from tests.support.can_bench import frame, text
from tests.support.can_hub import Hub, HubBus

ROOT = Path(__file__).resolve().parents[2]
VIN = "490201314D3847444D3941584B50303432373838"


@contextmanager
def ecu_process(hub: Hub, number: int, **answers: str) -> Iterator[None]:
    """Run a scripted ECU in a process of its own, ready when the block begins."""
    script = {request.removeprefix("x"): answer for request, answer in answers.items()}
    process = subprocess.Popen(
        [sys.executable, "-m", "tests.support.can_hub", hub.address,
         json.dumps({"number": number, "script": script})],
        cwd=ROOT, stdin=subprocess.PIPE, stdout=subprocess.PIPE,
    )  # fmt: skip
    assert process.stdin is not None
    assert process.stdout is not None
    try:
        assert process.stdout.readline() == b"ready\n"
        yield
    finally:
        process.stdin.close()
        code = process.wait(20)
        process.stdout.close()
    assert code == 0


def test_an_ecu_in_another_process_is_read_over_the_hub():
    # VIN trace of SAE J1979 service 09 over ISO 15765-2, replayed before on a virtual bus.
    with Hub() as hub, ecu_process(hub, 0x7E8, x0902=VIN, x0100="410080000000"):
        link = CanLink(HubBus(hub.address))
        try:
            assert link.ask(b"\x01\x00", timeout_s=1.0) == {"7E8": bytes.fromhex("410080000000")}
            assert link.ask(b"\x09\x02", timeout_s=1.0) == {"7E8": bytes.fromhex(VIN)}
        finally:
            link.close()


def test_every_node_hears_the_others_and_never_itself():
    lines = ["7DF 02 01 0C", "18DAF110 03 41 0D 5A", "3B0"]
    with Hub() as hub:
        nodes = [HubBus(hub.address) for _ in range(3)]
        try:
            _until(lambda: hub.nodes() == 3)
            for line in lines:
                nodes[0].send(frame(line))
            for node in nodes[1:]:
                heard = [node.recv(timeout=5) for _ in lines]
                assert [text(one) for one in heard if one] == [text(frame(one)) for one in lines]
            assert nodes[0].recv(timeout=0.05) is None
        finally:
            for node in nodes:
                node.shutdown()


def test_a_tester_on_the_hub_silences_the_link():
    with Hub() as hub:
        link, tester = CanLink(HubBus(hub.address)), HubBus(hub.address)
        try:
            _until(lambda: hub.nodes() == 2)
            tester.send(frame("7E0 02 10 03"))
            _until(lambda: link.quiet is not None)
            with pytest.raises(BusTaken):
                link.ask(b"\x03")
            assert tester.recv(timeout=0.05) is None
        finally:
            link.close()
            tester.shutdown()


def test_a_hub_that_is_gone_is_an_error_of_the_bus():
    with Hub() as hub:
        link = CanLink(HubBus(hub.address))
        _until(lambda: hub.nodes() == 1)
    with pytest.raises(can.CanError):
        link.ask(b"\x03")
    link.close()


def _until(done: Callable[[], bool]) -> None:

    end = time.monotonic() + 10
    while not done() and time.monotonic() < end:
        time.sleep(0.01)
    assert done()
