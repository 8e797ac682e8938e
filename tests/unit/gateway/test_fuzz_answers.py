"""Garbage in: facts that the contract takes, or a `FrameError`, and never anything else.

The short form reads 20,000 answers with a fixed seed. The long form reads 1,000,000, goes on
where it was stopped, and writes its count and bound to `tests/bench/results/`.
"""

from __future__ import annotations

import json
import random
from collections.abc import Callable
from pathlib import Path

import msgspec
import pytest

from gateway import contract
from gateway.messages import Name, Number
from gateway.protocol.broadcast import LampListener, decode_dm1
from gateway.protocol.counters import COUNTERS, decode_counters
from gateway.protocol.decode import (
    FrameError,
    decode_bitmap,
    decode_calibrations,
    decode_codes,
    decode_pid,
    decode_readiness,
    decode_this_cycle,
    decode_vin,
)
from gateway.protocol.freeze import decode_cause, decode_frame_value
from gateway.protocol.live import all_rows_for
from gateway.protocol.plausibility import implausible
from gateway.protocol.results import decode_results
from gateway.protocol.session import read_vehicle

SHORT, LONG, STEP = 20_000, 1_000_000, 20_000
RESULT = Path(__file__).parents[2] / "bench" / "results" / "fuzzed_answers.json"

# Well-formed answers of SAE J1979 (B, C), which garbage is made from by one or two bad bytes.
SEEDS = tuple(
    bytes.fromhex(text)
    for text in (
        "4100BE1FA813",
        "410182076504",
        "410C1F40",
        "430601000200030043008200C100",
        "490201314D3847444D3941584B50303432373838",
        "4904014A4D422A33363736313530300000000000",
        "4906011791BC82",
        "490810" + "0001" * 16,
        "4202000143",
        "420C001F40",
        "4601010A0BB00BB00BB001051000480000 0060",
        "460080000001",
        "7F0378",
        "44FFB30C0203FFFF",
        "200A0002FFCAFE00",
        "0144FFB30C020364",
    )
)
ROWS = tuple(all_rows_for(frozenset(range(1, 256))).values())
KNOWN = decode_readiness(b"\x00\x07\xff\xff")
IDS = (0x18FECA00, 0x18ECFF00, 0x18EBFF00, 0x18ECFF21, 0x18EBFF21, 0x18DAF110)


def garbage(dice: random.Random) -> bytes:
    """An answer: pure noise, or a good one cut, lengthened, or with bytes changed."""
    if dice.random() < 0.25:
        return dice.randbytes(dice.randrange(0, 80))
    answer = bytearray(dice.choice(SEEDS))
    for _ in range(dice.randrange(0, 3)):
        answer[dice.randrange(len(answer))] = dice.randrange(256)
    if dice.random() < 0.3:
        del answer[dice.randrange(len(answer)) :]
    if dice.random() < 0.3:
        answer += dice.randbytes(dice.randrange(1, 20))
    return bytes(answer)


def readers(answer: bytes, number: int) -> tuple[Callable[[], object], ...]:
    """Every decoder, on one answer."""
    row = ROWS[number % len(ROWS)]
    return (
        lambda: decode_pid(answer, number, 2),
        lambda: decode_bitmap(number, answer),
        lambda: decode_readiness(answer),
        lambda: decode_this_cycle(answer, KNOWN),
        lambda: decode_codes(answer, 3),
        lambda: decode_vin(answer),
        lambda: decode_calibrations(answer, answer),
        lambda: decode_cause(answer),
        lambda: decode_frame_value(answer, row),
        lambda: decode_results(answer, answer[1] if len(answer) > 1 else number),
        lambda: [decode_counters(answer, kind) for kind in COUNTERS],
        lambda: decode_dm1(answer, number),
    )


def read_garbage(first: int, count: int) -> None:
    """Feed `count` answers to every decoder; each batch of ten also makes a whole reading."""
    listener = LampListener()
    for place in range(first, first + count):
        dice = random.Random(place)
        answer = garbage(dice)
        for reader in readers(answer, dice.randrange(256)):
            try:
                reader()
            except FrameError:
                pass
            except Exception as error:
                pytest.fail(f"{answer.hex()}: {error!r}")
        listener.feed(dice.choice(IDS), answer[:8], place / 10)
        if place % 10 == 0:
            read_a_vehicle(dice)
    body = msgspec.json.encode(list(listener.latest.values()))
    msgspec.json.decode(body, type=list[contract.LampBroadcast])


def read_a_vehicle(dice: random.Random) -> None:
    """A full reading of ECUs that lie: what it finds must fit a report."""
    budget = 60  # answers; a vehicle that claims every id would be asked for hundreds

    def ask(request: bytes) -> dict[str, bytes]:
        nonlocal budget
        budget -= 1
        if budget < 0:
            return {}
        head = bytes((request[0] + 0x40, *request[1:]))
        return {
            ecu: head + dice.randbytes(dice.choice((2, 4, 4, 9, 17)))
            if dice.random() < 0.7
            else garbage(dice)
            for ecu in ("7E8", "7E9")
            if dice.random() < 0.8
        }

    result = read_vehicle(ask, want_evidence=dice.random() < 0.2, depth="full")
    body = msgspec.json.encode(result.ecus)
    assert msgspec.json.decode(body, type=dict[str, contract.EcuReading]) == result.ecus
    values = {**result.values, **result.live}
    text = msgspec.json.encode({"live": result.live, "odd": implausible(values, [values] * 20)})
    msgspec.json.decode(text, type=Found)


class Found(msgspec.Struct):
    """The two fields of a report that a full reading fills beside its ECUs."""

    live: dict[Name, Number]
    odd: list[contract.Implausible]


def test_twenty_thousand_bad_answers_raise_nothing_else():
    read_garbage(0, SHORT)


@pytest.mark.long
def test_a_million_bad_answers_raise_nothing_else():
    done = json.loads(RESULT.read_text("utf-8"))["answers"] if RESULT.exists() else 0
    done = 0 if done >= LONG else done
    while done < LONG:
        read_garbage(done, STEP)
        done += STEP
        RESULT.parent.mkdir(parents=True, exist_ok=True)
        found = {"answers": done, "uncaught": 0, "bound_95": 3 / done}
        RESULT.write_text(json.dumps(found, indent=1, sort_keys=True) + "\n", "utf-8")
