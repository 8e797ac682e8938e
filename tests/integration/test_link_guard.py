"""The read-only proof on a bus: whatever is asked, a listener hears nothing but reads.

The listener judges by SAE J1979 and ISO 15765 as written down here (B), not by the guard.
"""

from __future__ import annotations

import contextlib
import json
import random
from collections import Counter
from pathlib import Path

import can
import msgspec
import pytest

from gateway import contract
from gateway.link import CanLink
from gateway.protocol.guard import Guard, Refused
from gateway.protocol.session import read_vehicle
from tests.support.can_bench import bench, frame, new_channel, says

READS = {0x01, 0x02, 0x03, 0x06, 0x07, 0x09, 0x0A}
RESULTS = Path(__file__).resolve().parents[1] / "bench" / "results" / "guard.json"
PART, MILLION = 50_000, 1_000_000
MAX_READINGS = 60
"""Enough in one run: every reading after the first two goes the same way."""


class Listener:
    """A node of its own that counts what is heard and what should never be."""

    def __init__(self, channel: str, identifications: int) -> None:
        self._bus = can.Bus(interface="virtual", channel=channel)
        self._identifications = identifications
        self.frames: Counter[str] = Counter()
        self.disallowed: list[str] = []

    def hear(self) -> None:
        """Judge every frame so far; answers of ECUs are counted apart."""
        while (message := self._bus.recv(timeout=0)) is not None:
            kind = self._kind(message)
            self.frames[kind] += 1
            if kind == "disallowed":
                self.disallowed.append(f"{message.arbitration_id:X} {message.data.hex(' ')}")

    def _kind(self, message: can.Message) -> str:
        number, data = message.arbitration_id, bytes(message.data)
        if number in range(0x7E8, 0x7F0) or number >> 8 == 0x18DAF1:
            return "answer"
        if len(data) == 8 and number in (0x7DF, 0x18DB33F1) and 1 <= data[0] <= 7:
            if data[1] in READS:
                return "read"
            if data[:4] == b"\x03\x22\xf8\x10" and self._identifications:
                self._identifications -= 1
                return "identification"
        physical = number in range(0x7E0, 0x7E8) or number & 0xFFFF00FF == 0x18DA00F1
        if physical and data[:3] in (b"\x30\x00\x00", b"\x32\x00\x00"):
            return "flow control"
        return "disallowed"

    def close(self) -> None:
        """Leave the bus."""
        self._bus.shutdown()


def _fuzzed(number: int, dice: random.Random) -> bytes:
    """A request of every service in turn: random payloads, and near misses of allowed ones."""
    service = number % 256
    shape = dice.randrange(10)
    if shape == 0:
        return b"\x22\xf8\x10"[: dice.randrange(1, 4)] + dice.randbytes(dice.randrange(2))
    if shape == 1:
        return bytes((service,)) + dice.randbytes(dice.choice((0, 8, 20, 300, 4095)))
    if shape == 2:
        return dice.randbytes(dice.randrange(3)) + bytes((service,))
    return bytes((service,)) + dice.randbytes(dice.randrange(8))


def check_requests(rounds: int, seed: int = 1979) -> Listener:
    """Ask `rounds` fuzzed requests, half on 11-bit and half on 29-bit ids."""
    dice = random.Random(seed)
    channel = new_channel()
    listener = Listener(channel, identifications=2)
    try:
        for bits29 in (False, True):  # one after the other: each would silence the other
            bus = can.Bus(interface="virtual", channel=channel)
            link = CanLink(bus, bits29, Guard(identified=False))
            for number in range(rounds // 2):
                with contextlib.suppress(Refused):
                    link.ask(_fuzzed(number, dice), timeout_s=0.0)
                if number % 1000 == 0:
                    listener.hear()
            listener.hear()
            link.close()
    finally:
        listener.close()
    return listener


def test_a_listener_hears_no_disallowed_frame_whatever_is_asked():
    listener = check_requests(20_000)
    assert listener.disallowed == []
    assert listener.frames["read"] > 100
    assert listener.frames["identification"] == 2


@pytest.mark.long
def test_a_listener_hears_no_disallowed_frame_in_a_million_requests():
    """Resumable by parts: a part that is written down is not run again."""
    done = json.loads(RESULTS.read_text()) if RESULTS.exists() else {}
    frames = Counter(done.get("frames", {}))
    requests, disallowed = done.get("requests", 0), done.get("disallowed", 0)
    while requests < MILLION:
        listener = check_requests(PART, seed=requests)
        requests += PART
        disallowed += len(listener.disallowed)
        frames.update(listener.frames)
        RESULTS.parent.mkdir(parents=True, exist_ok=True)
        result = {
            "requests": requests,
            "disallowed": disallowed,
            "upper_bound_95_percent": 3 / requests if not disallowed else None,
            "frames": dict(sorted(frames.items())),
            "meaning": "fuzzed requests of every service id; frames as an independent listener "
            "on the bus judged them; the bound is 3/n for none among n",
        }
        RESULTS.write_text(json.dumps(result, indent=1) + "\n", encoding="utf-8")
    assert disallowed == 0


# -- asks from the broker ----------------------------------------------------------------------

GOOD_ASK = {
    "schema": "ask/1",
    "gateway": "gw-0001",
    "ask_id": "a1",
    "want": "fresh",
    "expires_at": "2026-05-01T12:00:00.000Z",
}
STRANGE = (None, True, 4, "04", "clear", "14FFFF33", "full", ["fresh"], {"request": "04"}, "", 1e99)


def _fuzzed_ask(dice: random.Random) -> bytes:
    """A body that may come on the ask topic: good, changed in its fields, or in its bytes."""
    ask: dict[str, object] = dict(GOOD_ASK, want=dice.choice(("fresh", "full")))
    for _ in range(dice.randrange(3)):
        name = dice.choice([*GOOD_ASK, "request", "service", "04"])
        ask[name] = dice.choice(STRANGE)
    body = bytearray(msgspec.json.encode(ask))
    for _ in range(dice.randrange(3)):
        body[dice.randrange(len(body))] = dice.randrange(256)
    return bytes(body[: dice.choice((len(body), len(body), len(body), dice.randrange(len(body))))])


def check_asks(rounds: int) -> tuple[int, Listener]:
    """Decode fuzzed asks and read the vehicle for each that stands, as the agent does."""
    dice = random.Random(2026)
    ecu = says(
        x0100="410080180001", x0101="410182076504", x010C="410C1F40", x010D="410D5A",
        x03="430601000200030043008200C100", x07="4700", x0A="4A00", x0900="490040000000",
        x0902="490201314D3847444D3941584B50303432373838",
    )  # fmt: skip
    read = 0
    with bench({0x7E8: ecu}, guard=Guard(identified=True)) as at:
        listener = Listener(at.channel, identifications=0)
        static = None
        for _ in range(rounds):
            try:
                ask = contract.decode_ask(_fuzzed_ask(dice))
            except contract.ContractError:
                continue
            if read >= MAX_READINGS:
                continue
            read += 1
            full = ask.want == "full"
            found = read_vehicle(
                lambda request: at.link.ask(request, timeout_s=0.05),
                want_evidence=full,
                static=None if full else static,
            )
            static = found if found.ecus else static
            listener.hear()
        listener.close()
    return read, listener


def test_fuzzed_asks_lead_to_reads_alone():
    read, listener = check_asks(20_000)
    assert read == MAX_READINGS
    assert listener.disallowed == []
    assert listener.frames["read"] >= read
    assert listener.frames["flow control"]
    assert set(listener.frames) == {"read", "flow control", "answer"}


@pytest.mark.parametrize(
    "line, kind",
    [
        pytest.param("7DF 01 04 CC CC CC CC CC CC", "disallowed", id="clear"),
        pytest.param("7DF 01 03 CC CC CC CC CC CC", "read", id="codes"),
        pytest.param("7DF 03 22 F8 10 CC CC CC CC", "disallowed", id="identification once more"),
        pytest.param("7E0 01 03 CC CC CC CC CC CC", "disallowed", id="physical"),
        pytest.param("7DF 10 08 01 02 03 04 05 06", "disallowed", id="long request"),
        pytest.param("7E0 30 00 00 CC CC CC CC CC", "flow control", id="flow control"),
        pytest.param("3B0 00", "disallowed", id="anything else"),
    ],
)
def test_the_listener_would_count_a_disallowed_frame(line, kind):
    channel = new_channel()
    listener = Listener(channel, identifications=0)
    with can.Bus(interface="virtual", channel=channel) as node:
        node.send(frame(line))
        listener.hear()
    listener.close()
    assert dict(listener.frames) == {kind: 1}
