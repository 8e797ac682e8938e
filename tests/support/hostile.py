"""Messages that nobody should send: noise, spoilt golden messages, and values at every edge.

Message `n` is drawn from its own number, so that a failure is found again by it alone.
"""

from __future__ import annotations

import copy
import json
import random
from collections.abc import Callable
from functools import cache
from pathlib import Path
from typing import Any

import msgspec

from gateway import contract
from gateway.facts import Monitor
from tests.support.reports import ecu, gateway_name, report

GOLDEN = Path(__file__).parents[1] / "golden" / "contract" / "v1"
GATEWAYS = 4
NASTY: tuple[Any, ...] = (
    None, True, False, 0, -1, 1, 0.5, -0.0, 1e-320, 255, 256, 2**31, 2**53, 2**53 + 1, 2**63 - 1,
    2**63, 2**64, 10**400, -(10**30), 1e10, 1e11, "", " ", "0", "7E8", "P0420", "p0420", "ﬀ", "٣",
    "\0", "a\0b", "\ud800", "\udfff\ud800", "\u202e\u200b", "😀" * 20, "x" * 65, "y" * 9000,
    "0001-01-01T00:00:00.000Z", "9999-12-31T23:59:59.999Z", "2026-02-30T00:00:00.000Z",
    "2026-10-01T06:00:60.000Z", "2026-10-01T24:00:00.000Z", "1969-12-31T23:59:59.999Z",
    "2036-10-01T06:00:00.000Z", "2016-10-01T06:00:00.000Z", "2026-10-01T06:00:00Z", [], {},
    [None], [[]], [1, 2], [2, 1], [1, 2**63 - 1], {"": ""}, {"7E8": {}}, {"7E8": None},
    {"x" * 3000: 1}, ["P0420"] * 300, list(range(700)), {"7E8": {"monitors": {"catalyst": 1}}},
)  # fmt: skip
"""Values that stand where others are expected; some of them fit."""
LITERALS = (
    b"NaN", b"Infinity", b"-Infinity", b"1e999", b"-1e999", b"01", b"+1", b"1.", b".5", b"0x10",
    b"1E400", b"'a'", b"\"\\ud800\"", b"\"\\u0000\"", b"\"\\x41\"", b"\"\xff\xfe\"", b"\"\xc0\"",
    b"\"\xed\xa0\x80\"", b"undefined", b"", b"9" * 5000, b"1" + b"0" * 400, b"[" * 3000,
    b"{\"a\":" * 3000, b"[" * 900 + b"]" * 900, b"\"" + b"z" * 40_000 + b"\"", b"\xf4\x90\x80\x80",
)  # fmt: skip
"""Pieces of text that no encoder of ours would write."""
TIMES = tuple(one for one in NASTY if isinstance(one, str) and len(one) == 24 and one[-1] == "Z")


@cache
def _golden() -> tuple[tuple[str, bytes], ...]:
    files = sorted(GOLDEN.glob("*.json"))
    return tuple((one.name, one.read_bytes()) for one in files if "schema." not in one.name)


def message(number: int) -> tuple[str, bytes]:
    """Hostile message `number`: its topic and its bytes."""
    dice = random.Random(number)
    gateway = gateway_name(dice.randint(1, GATEWAYS))
    make = dice.choice(MAKERS)
    return _topic(dice, gateway, make is _presence), make(dice, gateway)


def _topic(dice: random.Random, gateway: str, presence: bool) -> str:
    roll = dice.random()
    if roll < 0.92:
        return contract.topic(gateway, "presence" if presence is (roll < 0.9) else "report")
    return dice.choice(
        (
            f"fleet/v1/{dice.randrange(64):02x}/{gateway}/report",
            f"fleet/v1/3e/{gateway.upper()}/report",
            contract.topic(gateway, "receipt"),
            f"fleet/v2/3e/{gateway}/report",
            f"fleet/v1/3e/{'a' * dice.randint(1, 300)}/report",
            "fleet/v1/ff/\u202e/report",
            "fleet/v1/\ufffd\x01/gw-0001/report",
            "",
            "/" * 20,
        )
    )


def _noise(dice: random.Random, _gateway: str) -> bytes:
    return dice.randbytes(dice.choice((0, 1, 7, 60, 400)))


def _oversized(dice: random.Random, gateway: str) -> bytes:
    """Around 32 KiB, and far above; otherwise good."""
    good = contract.encode(report(int(gateway[3:]), _seq(dice)))
    wanted = dice.choice((contract.MAX_BODY, contract.MAX_BODY + 1, 40_000, 200_000))
    return good[:-1] + b" " * (wanted - len(good)) + b"}"


def _spoilt_bytes(dice: random.Random, _gateway: str) -> bytes:
    """A golden message with bytes changed, cut, put in or said twice."""
    body = bytearray(dice.choice(_golden())[1])
    for _ in range(dice.randint(1, 4)):
        at = dice.randrange(len(body) + 1)
        match dice.randrange(5):
            case 0:
                body[at : at + 1] = dice.randbytes(1)
            case 1:
                del body[at:]
            case 2:
                del body[at : at + dice.randint(1, 20)]
            case 3:
                body[at:at] = dice.choice(LITERALS)
            case 4:
                body[at:at] = body[at : at + dice.randint(1, 60)]
        if not body:
            break
    return bytes(body)


def _spoilt_values(dice: random.Random, gateway: str) -> bytes:
    """A golden message whose values are others, lacking, or more than expected."""
    document = json.loads(dice.choice(_good_golden()))
    document["gateway"] = gateway if dice.random() < 0.9 else copy.deepcopy(dice.choice(NASTY))
    for _ in range(dice.randint(1, 3)):
        _spoil(dice, document)
    text = json.dumps(document, ensure_ascii=dice.random() < 0.5, allow_nan=True)
    return text.encode(dice.choice(("utf-8",) * 8 + ("utf-16", "utf-8-sig")), "surrogatepass")


@cache
def _good_golden() -> tuple[bytes, ...]:
    return tuple(body for name, body in _golden() if name != "bad-report.not-json.json")


def _spoil(dice: random.Random, value: Any) -> None:
    """Change one value somewhere inside."""
    while isinstance(value, (dict, list)) and value:
        keys = list(value) if isinstance(value, dict) else list(range(len(value)))
        key = dice.choice(keys)
        inner = value[key]
        if isinstance(inner, (dict, list)) and inner and dice.random() < 0.7:
            value = inner
            continue
        roll = dice.random()
        if roll < 0.7:
            value[key] = copy.deepcopy(dice.choice(NASTY))
        elif roll < 0.85 or not isinstance(value, dict):
            del value[key]
        else:
            value[str(dice.choice(NASTY))[:3000]] = inner
        return


def _spoilt_text(dice: random.Random, gateway: str) -> bytes:
    """A good report with a piece of text in the place of a value, or a key said twice."""
    body = contract.encode(report(int(gateway[3:]), _seq(dice)))
    place = dice.choice([i for i, byte in enumerate(body) if byte == ord(":")]) + 1
    if dice.random() < 0.3:
        key = dice.choice((b"seq", b"gateway", b"ecus", b"clock", b"schema"))
        return b'{"' + key + b'":' + dice.choice(LITERALS[:16]) + b"," + body[1:]
    end = min(at for at in (body.find(b",", place), body.find(b"}", place)) if at > 0)
    return body[:place] + dice.choice(LITERALS) + body[end:]


def _edges(dice: random.Random, gateway: str) -> bytes:
    """A report that fits the contract, with values that nothing in a vehicle would give."""
    number = int(gateway[3:])
    unset = dice.random() < 0.3
    changes: dict[str, Any] = {
        "clock": "unset" if unset else dice.choice(("synced", "held")),
        "taken_at": None if unset else dice.choice(_real_times()),
        "journal_created_at": dice.choice(_real_times()),
        "uptime_ms": dice.choice((0, 1, 2**40, 2**53)),
        "boot_no": dice.choice((0, 1, 2**53)),
        "odometer_km": dice.choice((-1e9, 0.0, 1e10, 5.0)),
        "distance_since_clear_km": dice.choice((-1e9, 0.0, 65535.0, 1e10)),
        "warm_ups_since_clear": dice.choice((0, 255, 2**53)),
        "vin": dice.choice(("", "\0", "x" * 32, "\u202e", f"1FLEET00000{number:06d}")),
        "ecus": {
            "7E8": ecu(mil=dice.random() < 0.5, confirmed=["P0420"] * dice.choice((0, 1, 127)))
        },
    }
    if dice.random() < 0.3:
        first = dice.choice((1, 5, 2**62))
        changes["dropped"] = [[first, dice.choice((first, 2**63 - 1))]]
    if dice.random() < 0.3:
        changes["part"] = dice.choice(([1, 2], [2, 2], [1, 64], [64, 64], [1, 1]))
    if dice.random() < 0.3:
        changes["driving_cycle"] = contract.DrivingCycle(
            started_at=dice.choice(_real_times()), ended_at=dice.choice(_real_times()),
            propulsion_on_s=dice.choice((-1e9, 0.0, 1e10)), engine_on_s=dice.choice((-1e9, 1e10)),
            monitors_completed=[Monitor.CATALYST] * dice.randint(0, 16),
        )  # fmt: skip
    if dice.random() < 0.2:
        changes["quiet_until"] = dice.choice(_real_times())
    seq = dice.choice((1, 2, _seq(dice), 2**63 - 1))
    return contract.encode(msgspec.structs.replace(report(number, 1, **changes), seq=seq))


@cache
def _real_times() -> tuple[str, ...]:
    real = []
    for text in TIMES:
        try:
            contract.parse_time(text)
        except ValueError:
            continue
        real.append(text)
    return tuple(real)


def _seq(dice: random.Random) -> int:
    return dice.randint(1, 3000)


def _presence(dice: random.Random, gateway: str) -> bytes:
    """A presence, good but for what it says."""
    message = {
        "schema": "presence/1", "gateway": gateway, "state": "online",
        "journal": f"6f1c2a7e-58b1-4e0d-9a43-{int(gateway[3:]):012x}", "boot_no": 1,
        "connection_no": dice.choice((0, 1, 2**53)), "oldest_kept": dice.choice((1, 9, 2**63 - 1)),
        "at": dice.choice(TIMES),
    }  # fmt: skip
    if dice.random() < 0.6:
        message[dice.choice(list(message))] = dice.choice(NASTY)
    return json.dumps(message).encode()


MAKERS: tuple[Callable[[random.Random, str], bytes], ...] = (
    _noise,
    _oversized,
    _spoilt_bytes,
    _spoilt_bytes,
    _spoilt_values,
    _spoilt_values,
    _spoilt_values,
    _spoilt_text,
    _spoilt_text,
    _edges,
    _edges,
    _edges,
    _edges,
    _presence,
)
