"""The read-only proof on a bus: whatever is asked, a listener hears nothing but reads."""

from __future__ import annotations

import contextlib
import json
import random
from collections import Counter
from pathlib import Path

import can
import pytest

from gateway.link import CanLink
from gateway.protocol.guard import Guard, Refused
from tests.support.bus_listener import Listener
from tests.support.can_bench import frame, new_channel

RESULTS = Path(__file__).resolve().parents[1] / "bench" / "results" / "guard.json"
PART, MILLION = 50_000, 1_000_000


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
