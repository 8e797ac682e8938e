"""The wire contract between gateways and ingest: topics, messages, limits (version 1).

MQTT 3.1.1 (ISO/IEC 20922). JSON in UTF-8. A missing field means "not answered"; an empty list
means "asked, none". Adding a field is free; changing a meaning needs a new `schema`.
"""

from __future__ import annotations

import hashlib
import re
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from functools import cache, lru_cache
from typing import Any, TypeVar

import msgspec
from msgspec import UNSET

from gateway.messages import (
    MAX_SEQ,
    Ask,
    Calibration,
    Clock,
    DrivingCycle,
    EcuReading,
    Evidence,
    FreezeFrame,
    Heard,
    Implausible,
    Kind,
    LampBroadcast,
    LampState,
    Message,
    MonitorResult,
    Presence,
    Quiet,
    Reason,
    Receipt,
    Report,
    SetAside,
    State,
    SuspectCode,
)

__all__ = [
    "ASK_LIFE_S",
    "BROKER_LIMIT",
    "MAX_BODY",
    "MAX_SEQ",
    "MAX_SLEEP_S",
    "ROOT",
    "SCHEMAS",
    "SHARDS",
    "Address",
    "AnyMessage",
    "Ask",
    "Calibration",
    "Clock",
    "ContractError",
    "DrivingCycle",
    "EcuReading",
    "Evidence",
    "FreezeFrame",
    "Heard",
    "Implausible",
    "Kind",
    "LampBroadcast",
    "LampState",
    "Message",
    "MonitorResult",
    "Presence",
    "Quiet",
    "Reason",
    "Receipt",
    "Report",
    "SetAside",
    "State",
    "SuspectCode",
    "decode_ask",
    "decode_presence",
    "decode_receipt",
    "decode_report",
    "digest",
    "encode",
    "epoch_ms",
    "filters",
    "format_time",
    "json_schema",
    "meaning_faults",
    "parse_time",
    "parse_topic",
    "shard",
    "topic",
]

MAX_BODY = 32 * 1024
"""Bytes of one report; a larger one is split by ECU before it enters the outbox."""
BROKER_LIMIT = 256 * 1024
"""Bytes every broker must accept, so that an oversized report becomes a dead letter."""
ASK_LIFE_S = 300
MAX_SLEEP_S = 26 * 3600
SHARDS = 64
ROOT = "fleet/v1"
TIMES = (
    "taken_at", "journal_created_at", "quiet_until", "started_at", "ended_at", "at", "wake_by",
    "expires_at",
)  # fmt: skip
"""Every field of a message that holds a time."""
KNOWN_GATEWAYS = 16_384
"""Topics remembered: a gateway's are read and written again and again."""
KNOWN_TIMES = 8_192
"""Times remembered: a report's is read at each step of its way, a journal's in each report."""

M = TypeVar("M", bound=msgspec.Struct)
AnyMessage = Report | Presence | Receipt | Ask
SCHEMAS: dict[str, type[Report] | type[Presence] | type[Receipt] | type[Ask]] = {
    "report": Report,
    "presence": Presence,
    "receipt": Receipt,
    "ask": Ask,
}

_EPOCH, _MS = datetime(1970, 1, 1, tzinfo=UTC), timedelta(milliseconds=1)
_report = msgspec.json.Decoder(Report)
_presence = msgspec.json.Decoder(Presence)
_receipt = msgspec.json.Decoder(Receipt)
_ask = msgspec.json.Decoder(Ask)
_encoder = msgspec.json.Encoder()


class ContractError(ValueError):
    """A message breaks the contract: the sender must act. `faults` names every fault found."""

    def __init__(self, *faults: str) -> None:
        super().__init__("; ".join(faults))
        self.faults = faults


def encode(message: AnyMessage) -> bytes:
    """Return the JSON bytes of a message."""
    return _encoder.encode(message)


def decode_report(body: bytes) -> Report:
    """Read a report, or raise `ContractError` with the first fault."""
    if len(body) > MAX_BODY:
        raise ContractError(f"body: {len(body)} bytes, expected at most {MAX_BODY}")
    try:
        report = _report.decode(body)
    except (msgspec.DecodeError, UnicodeDecodeError, RecursionError) as error:
        raise ContractError(str(error)) from error
    faults = meaning_faults(report)
    if faults:
        raise ContractError(*faults)
    return report


def decode_presence(body: bytes) -> Presence:
    """Read a presence message, or raise `ContractError`."""
    return _decoded(_presence, body)


def decode_receipt(body: bytes) -> Receipt:
    """Read a receipt, or raise `ContractError`."""
    return _decoded(_receipt, body)


def decode_ask(body: bytes) -> Ask:
    """Read an ask, or raise `ContractError`."""
    return _decoded(_ask, body)


def _decoded(decoder: msgspec.json.Decoder[M], body: bytes) -> M:
    try:
        message = decoder.decode(body)
    except (msgspec.DecodeError, UnicodeDecodeError, RecursionError) as error:
        raise ContractError(str(error)) from error
    if faults := _time_faults(message):
        raise ContractError(*faults)
    return message


def meaning_faults(report: Report) -> list[str]:
    """Name the faults a schema cannot see: impossible dates, ranges and parts."""
    faults = _time_faults(report)
    if report.driving_cycle is not UNSET:
        faults += [f"driving_cycle.{fault}" for fault in _time_faults(report.driving_cycle)]
    if (report.taken_at is None) != (report.clock == "unset"):
        faults.append("taken_at: expected null exactly when clock is 'unset'")
    if report.part is not UNSET and not 1 <= report.part[0] <= report.part[1] <= 64:
        faults.append(f"part: {report.part}, expected [i, n] with 1 <= i <= n <= 64")
    if report.dropped is not UNSET:
        faults += [
            f"dropped: {span}, expected [first, last] with first <= last"
            for span in report.dropped
            if span[0] > span[1]
        ]
    return faults


def _time_faults(message: msgspec.Struct) -> list[str]:
    """Times that have the right form and do not exist, such as 25 o'clock."""
    faults: list[str] = []
    for name in _times_of(type(message)):
        value = getattr(message, name)
        if isinstance(value, str):
            try:
                epoch_ms(value)
            except ValueError:
                faults.append(f"{name}: {value!r}, expected a date and time that exist")
    return faults


@cache
def _times_of(kind: type[msgspec.Struct]) -> tuple[str, ...]:
    return tuple(name for name in TIMES if name in kind.__struct_fields__)


@lru_cache(maxsize=KNOWN_TIMES)
def epoch_ms(text: str) -> int:
    """Milliseconds since the epoch of a time of the contract; `ValueError` if there is no such."""
    return (parse_time(text) - _EPOCH) // _MS


def parse_time(text: str) -> datetime:
    """Read an RFC 3339 time of the contract (UTC, milliseconds, `Z`) as an aware datetime."""
    return datetime.fromisoformat(text)


def format_time(moment: datetime) -> str:
    """Write an aware datetime as the contract does: UTC, milliseconds, `Z`."""
    utc = moment.astimezone(UTC)
    return utc.strftime("%Y-%m-%dT%H:%M:%S.") + f"{utc.microsecond // 1000:03d}Z"


@lru_cache(maxsize=KNOWN_GATEWAYS)
def shard(gateway: str) -> str:
    """Two hex digits 00-3f: the last byte of SHA-256 of the gateway id, AND 0x3f."""
    return f"{hashlib.sha256(gateway.encode('ascii')).digest()[-1] & (SHARDS - 1):02x}"


def topic(gateway: str, kind: Kind) -> str:
    """The topic of one gateway's messages of one kind."""
    return f"{ROOT}/{shard(gateway)}/{gateway}/{kind}"


def filters(kind: Kind, lane: int = 0, lanes: int = 1) -> list[str]:
    """The subscription filters of one ingest lane (`lanes` a power of two up to 64)."""
    if lanes == 1:
        return [f"{ROOT}/+/+/{kind}"]
    return [f"{ROOT}/{number:02x}/+/{kind}" for number in range(SHARDS) if number % lanes == lane]


@dataclass(frozen=True, slots=True)
class Address:
    """Where a message came from, as its topic says."""

    shard: str
    gateway: str
    kind: str


_TOPIC = re.compile(
    r"fleet/v1/([0-3][0-9a-f])/([a-z0-9][a-z0-9-]{0,31})/(report|presence|receipt|ask)"
)


@lru_cache(maxsize=KNOWN_GATEWAYS)
def parse_topic(text: str) -> Address:
    """Read a topic, or raise `ContractError`; a shard that is not the gateway's is refused."""
    match = _TOPIC.fullmatch(text)
    if match is None:
        raise ContractError(f"topic: {text!r}, expected {ROOT}/{{shard}}/{{gateway}}/{{kind}}")
    address = Address(*match.groups())
    if address.shard != shard(address.gateway):
        raise ContractError(
            f"topic: shard {address.shard!r} is not that of {address.gateway!r}, "
            f"expected {shard(address.gateway)!r}"
        )
    return address


def digest(body: bytes) -> str:
    """SHA-256 of the bytes of a body, in hex: the identity of a payload."""
    return hashlib.sha256(body).hexdigest()


def json_schema(kind: Kind) -> dict[str, Any]:
    """The JSON Schema (2020-12) of one kind of message, generated from its type."""
    return msgspec.json.schema(SCHEMAS[kind])
