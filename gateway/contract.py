"""The wire contract between gateways and ingest: topics, messages, limits (version 1).

MQTT 3.1.1 (ISO/IEC 20922). JSON in UTF-8. A missing field means "not answered"; an empty list
means "asked, none". Adding a field is free; changing a meaning needs a new `schema`.
"""

from __future__ import annotations

import hashlib
import re
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Annotated, Any, Literal, TypeVar

import msgspec
from msgspec import UNSET, Meta, UnsetType

from gateway.facts import CycleStatus, Ignition, Monitor

MAX_BODY = 32 * 1024
"""Bytes of one report; a larger one is split by ECU before it enters the outbox."""
BROKER_LIMIT = 256 * 1024
"""Bytes every broker must accept, so that an oversized report becomes a dead letter."""
MAX_SEQ = 2**63 - 1
ASK_LIFE_S = 300
MAX_SLEEP_S = 26 * 3600
SHARDS = 64
ROOT = "fleet/v1"

_GATEWAY = r"^[a-z0-9][a-z0-9-]{0,31}$"
_TIME = r"^\d{4}-\d{2}-\d{2}T\d{2}:\d{2}:\d{2}\.\d{3}Z$"
_UUID = r"^[0-9a-f]{8}-[0-9a-f]{4}-[0-9a-f]{4}-[0-9a-f]{4}-[0-9a-f]{12}$"

GatewayId = Annotated[str, Meta(pattern=_GATEWAY, max_length=32)]
Time = Annotated[str, Meta(pattern=_TIME, max_length=24)]
Journal = Annotated[str, Meta(pattern=_UUID, max_length=36)]
Seq = Annotated[int, Meta(ge=1, le=MAX_SEQ)]
Count = Annotated[int, Meta(ge=0, le=2**53)]
Code = Annotated[str, Meta(pattern=r"^[PCBU][0-3][0-9A-F]{3}$", max_length=5)]
Codes = Annotated[list[Code], Meta(max_length=255)]
EcuId = Annotated[str, Meta(pattern=r"^(7E[8-F]|18DAF1[0-9A-F]{2})$", max_length=8)]
Hex = Annotated[str, Meta(pattern=r"^([0-9A-F]{2})*$", max_length=8192)]
Text = Annotated[str, Meta(max_length=64)]
Number = Annotated[float, Meta(ge=-1e9, le=1e10)]
Range = Annotated[list[Seq], Meta(min_length=2, max_length=2)]

Clock = Literal["synced", "held", "unset"]
Reason = Literal["key_on", "key_off", "periodic", "change", "ask", "full"]
State = Literal["online", "asleep", "offline"]
Kind = Literal["report", "presence", "receipt", "ask"]


class Message(msgspec.Struct, frozen=True, kw_only=True, omit_defaults=True):
    """Base of every wire message: unknown fields are ignored, defaults are left out."""


class Calibration(Message, frozen=True, kw_only=True, omit_defaults=True):
    """One calibration id of an ECU with its verification number (service 09, types 04 and 06)."""

    id: Text
    cvn: Annotated[str, Meta(pattern=r"^[0-9A-F]{8}$")] | UnsetType = UNSET


class EcuReading(Message, frozen=True, kw_only=True, omit_defaults=True):
    """What one ECU answered. Lists are absent when it stayed silent, empty when it said none."""

    mil: bool | UnsetType = UNSET
    code_count: Annotated[int, Meta(ge=0, le=127)] | UnsetType = UNSET
    ignition: Ignition | UnsetType = UNSET
    monitors: dict[Monitor, bool] | UnsetType = UNSET
    monitors_this_cycle: dict[Monitor, CycleStatus] | UnsetType = UNSET
    confirmed: Codes | UnsetType = UNSET
    pending: Codes | UnsetType = UNSET
    permanent: Codes | UnsetType = UNSET
    freeze_frames: Annotated[list[dict[str, Any]], Meta(max_length=64)] | UnsetType = UNSET
    test_results: Annotated[list[dict[str, Any]], Meta(max_length=512)] | UnsetType = UNSET
    in_use_counters: dict[str, Count] | UnsetType = UNSET
    calibrations: Annotated[list[Calibration], Meta(max_length=16)] | UnsetType = UNSET
    obd_type: Annotated[int, Meta(ge=0, le=255)] | UnsetType = UNSET


class DrivingCycle(Message, frozen=True, kw_only=True, omit_defaults=True):
    """One driving cycle as the gateway summarised it at its end. Lengths in s, km, degC, V."""

    started_at: Time
    ended_at: Time
    propulsion_on_s: Number
    engine_on_s: Number
    distance_km: Number | UnsetType = UNSET
    seconds_at_or_above_40_kmh: Number | UnsetType = UNSET
    longest_idle_s: Number | UnsetType = UNSET
    coolant_start_c: Number | UnsetType = UNSET
    coolant_peak_c: Number | UnsetType = UNSET
    warm_up: bool | UnsetType = UNSET
    soak_s: Number | UnsetType = UNSET
    ambient_c: Number | UnsetType = UNSET
    barometric_kpa: Number | UnsetType = UNSET
    fuel_start_pct: Number | UnsetType = UNSET
    fuel_end_pct: Number | UnsetType = UNSET
    lowest_v: Number | UnsetType = UNSET


class Evidence(Message, frozen=True, kw_only=True, omit_defaults=True):
    """One request and its answer as they stood on the bus, in upper-case hex."""

    ecu: EcuId
    request: Hex
    answer: Hex


class Report(Message, frozen=True, kw_only=True, omit_defaults=True):
    """One reading of one vehicle at one moment.

    `taken_at` is null while the gateway's clock is unset; `uptime_ms` counts sleep.
    """

    schema: Literal["report/1"] = msgspec.field()
    gateway: GatewayId
    journal: Journal
    journal_created_at: Time
    seq: Seq
    boot_no: Count
    taken_at: Time | None
    clock: Clock
    uptime_ms: Count
    reason: Reason
    ecus: dict[EcuId, EcuReading]
    clock_offset_ms: int | UnsetType = UNSET
    part: Annotated[list[int], Meta(min_length=2, max_length=2)] | UnsetType = UNSET
    vin: Annotated[str, Meta(max_length=32)] | UnsetType = UNSET
    protocol: Text | UnsetType = UNSET
    distance_since_clear_km: Number | UnsetType = UNSET
    warm_ups_since_clear: Count | UnsetType = UNSET
    minutes_since_clear_min: Count | UnsetType = UNSET
    distance_with_mil_km: Number | UnsetType = UNSET
    minutes_with_mil_min: Count | UnsetType = UNSET
    odometer_km: Number | UnsetType = UNSET
    fuel_type: Annotated[int, Meta(ge=0, le=255)] | UnsetType = UNSET
    fuel_level_pct: Number | UnsetType = UNSET
    module_v: Number | UnsetType = UNSET
    coolant_c: Number | UnsetType = UNSET
    intake_air_c: Number | UnsetType = UNSET
    ambient_c: Number | UnsetType = UNSET
    barometric_kpa: Number | UnsetType = UNSET
    engine_speed_rpm: Number | UnsetType = UNSET
    vehicle_speed_kmh: Number | UnsetType = UNSET
    engine_run_s: Number | UnsetType = UNSET
    driving_cycle: DrivingCycle | UnsetType = UNSET
    dropped: Annotated[list[Range], Meta(max_length=1024)] | UnsetType = UNSET
    declined: Literal["parked"] | UnsetType = UNSET
    ask_id: Text | UnsetType = UNSET
    evidence: Annotated[list[Evidence], Meta(max_length=512)] | UnsetType = UNSET


class Presence(Message, frozen=True, kw_only=True, omit_defaults=True):
    """Whether a gateway is there; `offline` comes only from its last will."""

    schema: Literal["presence/1"] = msgspec.field()
    gateway: GatewayId
    state: State
    journal: Journal
    boot_no: Count
    connection_no: Count
    oldest_kept: Seq
    at: Time | None
    wake_by: Time | UnsetType = UNSET


class SetAside(Message, frozen=True, kw_only=True, omit_defaults=True):
    """A payload that ingest keeps in its dead letters: the gateway may forget it too."""

    digest: Annotated[str, Meta(pattern=r"^[0-9a-f]{64}$")]
    reason: str


class Receipt(Message, frozen=True, kw_only=True, omit_defaults=True):
    """What ingest has committed: everything to `through`, the ranges in `also`, and `aside`."""

    schema: Literal["receipt/1"] = msgspec.field()
    gateway: GatewayId
    journal: Journal
    through: Annotated[int, Meta(ge=0, le=MAX_SEQ)]
    also: Annotated[list[Range], Meta(max_length=256)]
    aside: Annotated[list[SetAside], Meta(max_length=256)]
    at: Time


class Ask(Message, frozen=True, kw_only=True, omit_defaults=True):
    """A request for a fresh or full reading; void after `expires_at`."""

    schema: Literal["ask/1"] = msgspec.field()
    gateway: GatewayId
    ask_id: Text
    want: Literal["fresh", "full"]
    expires_at: Time


M = TypeVar("M")
AnyMessage = Report | Presence | Receipt | Ask
SCHEMAS: dict[str, type[Report] | type[Presence] | type[Receipt] | type[Ask]] = {
    "report": Report,
    "presence": Presence,
    "receipt": Receipt,
    "ask": Ask,
}

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
        return decoder.decode(body)
    except (msgspec.DecodeError, UnicodeDecodeError, RecursionError) as error:
        raise ContractError(str(error)) from error


def meaning_faults(report: Report) -> list[str]:
    """Name the faults a schema cannot see: impossible dates, ranges and parts."""
    times: list[tuple[str, str | UnsetType | None]] = [
        ("taken_at", report.taken_at),
        ("journal_created_at", report.journal_created_at),
    ]
    if report.driving_cycle is not UNSET:
        cycle = report.driving_cycle
        times += [
            ("driving_cycle.started_at", cycle.started_at),
            ("driving_cycle.ended_at", cycle.ended_at),
        ]
    faults = [
        f"{name}: {value!r}, expected a date and time that exist"
        for name, value in times
        if isinstance(value, str) and not _exists(value)
    ]
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


def _exists(text: str) -> bool:
    try:
        parse_time(text)
    except ValueError:
        return False
    return True


def parse_time(text: str) -> datetime:
    """Read an RFC 3339 time of the contract (UTC, milliseconds, `Z`) as an aware datetime."""
    return datetime.fromisoformat(text)


def format_time(moment: datetime) -> str:
    """Write an aware datetime as the contract does: UTC, milliseconds, `Z`."""
    utc = moment.astimezone(UTC)
    return utc.strftime("%Y-%m-%dT%H:%M:%S.") + f"{utc.microsecond // 1000:03d}Z"


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
