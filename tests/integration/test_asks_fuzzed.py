"""Whatever comes on the ask topic leads to reads alone, and never to an exception.

Each body goes in where the broker's messages do, and what stands is answered by the agent over a
bus with an ECU and an independent listener on it.
"""

from __future__ import annotations

import json
import logging
import random
from collections import Counter
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, cast

import msgspec
import paho.mqtt.client as mqtt
import pytest

from gateway import contract
from gateway.agent import Agent
from gateway.driving import Rhythm
from gateway.outbox import Outbox
from gateway.protocol.guard import Guard
from gateway.publisher import Publisher
from tests.support.agent_bench import HandClock
from tests.support.bus_listener import Listener
from tests.support.can_bench import bench, says

SHORT, PART, MILLION = 5_000, 20_000, 1_000_000
RESULTS = Path(__file__).resolve().parents[1] / "bench" / "results" / "asks.json"
TOPIC = contract.topic("gw-0001", "ask")
NEVER_VOID = "2026-11-02T20:00:00.000Z"
"""Well after the bench's clock, which stands near 13:00 of that day."""
GOOD = {
    "schema": "ask/1", "gateway": "gw-0001", "ask_id": "a1", "want": "fresh",
    "expires_at": NEVER_VOID,
}  # fmt: skip
FULL = 0.02
"""How often a full reading is wanted: it waits long for ECUs that may still answer."""
STRANGE: tuple[object, ...] = (
    None, True, 4, "04", "clear", "14FFFF33", "full", ["fresh"], {"request": "04"}, "", 1e99,
    "gw-0002", "2026-11-02T12:00:00.000Z", "2026-11-02T25:00:00.000Z",
    "9999-12-31T23:59:59.999Z", "\ud800", -(2**63), [[[]]],
)  # fmt: skip
ECU = says(
    x0100="410080180001", x0101="410182076504", x010C="410C1F40", x010D="410D5A",
    x010C0D="410C1F400D5A", x0120="412000000001", x0140="414000000000", x03="43010420",
    x07="4700", x0A="4A00", x020200="7F0212", x0600="7F0612",
    x0900="490040000000", x0902="490201314D3847444D3941584B50303432373838",
)  # fmt: skip


class Failures(logging.Handler):
    """Exceptions that a loop caught and logged: here each one is a failure."""

    def __init__(self) -> None:
        super().__init__()
        self.found: list[str] = []

    def emit(self, record: logging.LogRecord) -> None:
        """Keep what carries an exception."""
        if record.exc_info:
            self.found.append(f"{record.getMessage()}: {record.exc_info[1]!r}")


@dataclass
class Tally:
    """What became of the asks."""

    asks: int = 0
    answered: int = 0
    failures: list[str] = field(default_factory=list)
    disallowed: list[str] = field(default_factory=list)
    frames: Counter[str] = field(default_factory=Counter)


def _fuzzed(dice: random.Random) -> bytes:
    """A body: good, changed in its fields or bytes, cut, deep, or noise."""
    shape = dice.randrange(12)
    if shape == 0:
        return dice.randbytes(dice.randrange(200))
    if shape == 1:
        return b"[" * dice.randrange(5000) + b"]" * dice.randrange(5000)
    ask: dict[str, object] = dict(GOOD, want="full" if dice.random() < FULL else "fresh")
    for _ in range(dice.randrange(4)):
        ask[dice.choice([*GOOD, "request", "service", "04"])] = dice.choice(STRANGE)
    body = bytearray(json.dumps(ask).encode())
    for _ in range(dice.randrange(4)):
        body[dice.randrange(len(body))] = dice.randrange(256)
    if dice.random() < 0.2:
        del body[dice.randrange(len(body)) :]
    return bytes(body)


def _ask_all(count: int, seed: int) -> Tally:
    dice, tally, failures = random.Random(seed), Tally(), Failures()
    clock = HandClock()
    outbox = Outbox(":memory:", clock.now, limit_bytes=256 * 1024)
    logger = logging.getLogger("gateway")
    logger.addHandler(failures)
    with bench({0x7E8: ECU}, guard=Guard(identified=True)) as at:
        agent = Agent(
            "gw-0001", at.link, outbox, None, clock,
            Rhythm(sample_s=1e6, parked_check_s=0.0, periodic_s=1e6),
        )  # fmt: skip
        publisher = Publisher(outbox, "gw-0001", "127.0.0.1", 1, on_ask=agent.on_ask, now=clock.now)
        at.say("123 00")  # the vehicle speaks, so it may be asked
        listener = Listener(at.channel, identifications=0)
        agent.step()
        assert agent.ignition_on
        hears = cast("Any", publisher)._client.on_message
        message = mqtt.MQTTMessage(topic=TOPIC.encode())
        before = outbox._next
        for _ in range(count):
            message.payload = _fuzzed(dice)
            hears(None, None, message)
            agent.step()
            listener.hear()
        tally.asks, tally.answered = count, outbox._next - before
        tally.failures, tally.disallowed = failures.found, listener.disallowed
        tally.frames = listener.frames
        listener.close()
    logger.removeHandler(failures)
    outbox.close()
    return tally


def test_fuzzed_asks_lead_to_reads_alone() -> None:
    tally = _ask_all(SHORT, seed=2026)
    assert tally.disallowed == []
    assert tally.failures == []
    assert tally.answered > 100
    assert tally.frames["read"] >= tally.answered
    assert set(tally.frames) == {"read", "flow control", "answer"}


@pytest.mark.long
def test_a_million_fuzzed_asks_lead_to_reads_alone() -> None:
    """Resumable by parts: a part that is written down is not run again."""
    done = json.loads(RESULTS.read_text("utf-8")) if RESULTS.exists() else {}
    frames = Counter(done.get("frames", {}))
    asks, answered = done.get("asks", 0), done.get("answered", 0)
    while asks < MILLION:
        tally = _ask_all(PART, seed=asks)
        assert tally.disallowed == []
        assert tally.failures == []
        asks, answered = asks + tally.asks, answered + tally.answered
        frames.update(tally.frames)
        result = {
            "asks": asks,
            "answered": answered,
            "disallowed_frames": 0,
            "uncaught": 0,
            "upper_bound_95_percent": 3 / asks,
            "frames": dict(sorted(frames.items())),
            "meaning": "fuzzed bodies on the ask topic; frames as an independent listener on the "
            "bus judged them; the bound is 3/n for none among n",
        }
        RESULTS.write_bytes(msgspec.json.format(msgspec.json.encode(result), indent=1) + b"\n")
