"""From what the vehicle answered to the reports of the contract (pure)."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from typing import Any, Protocol, TypeVar

import msgspec
from msgspec import UNSET, UnsetType

from gateway import contract

MAX_PARTS = 64


T = TypeVar("T")


class Reading(Protocol):
    """What one round of requests gave: per ECU, vehicle-wide, and the bytes as evidence.

    `values` is keyed by the vehicle-wide field names of `contract.Report`.
    """

    @property
    def vin(self) -> str | None:
        """The VIN as read, None when no ECU gave it."""

    @property
    def ecus(self) -> Mapping[str, contract.EcuReading]:
        """Answers by responding CAN id."""

    @property
    def values(self) -> Mapping[str, float | int]:
        """Vehicle-wide values."""

    @property
    def live(self) -> Mapping[str, float]:
        """Further live values by name; empty where none were asked for."""

    @property
    def evidence(self) -> Sequence[contract.Evidence]:
        """Requests and answers as they stood on the bus."""


@dataclass(frozen=True, slots=True)
class NoReading:
    """The vehicle was not asked, or nothing answered."""

    vin: str | None = None
    ecus: Mapping[str, contract.EcuReading] = field(default_factory=dict)
    values: Mapping[str, float | int] = field(default_factory=dict)
    live: Mapping[str, float] = field(default_factory=dict)
    evidence: Sequence[contract.Evidence] = ()


@dataclass(frozen=True, slots=True)
class Sender:
    """Who reports: the gateway and its outbox."""

    gateway: str
    journal: str
    journal_created_at: str
    boot_no: int


@dataclass(frozen=True, slots=True)
class Moment:
    """When: `taken_at` is None exactly while the clock is unset; `uptime_ms` counts sleep."""

    taken_at: datetime | None
    clock: contract.Clock
    uptime_ms: int
    offset_ms: int | None = None


@dataclass(frozen=True, slots=True)
class Extras:
    """What only some reports carry."""

    driving_cycle: contract.DrivingCycle | None = None
    ask_id: str | None = None
    declined: bool = False
    protocol: str | None = None
    heard: contract.Heard | None = None
    quiet: contract.Quiet | None = None
    quiet_until: datetime | None = None
    implausible: Sequence[contract.Implausible] = ()
    lamp_broadcasts: Sequence[contract.LampBroadcast] = ()


def build_reports(
    sender: Sender,
    reading: Reading,
    reason: contract.Reason,
    moment: Moment,
    seq: int,
    dropped: Sequence[Sequence[int]] = (),
    extras: Extras | None = None,
) -> list[contract.Report]:
    """The reports of one moment, with consecutive seqs from `seq`.

    One report if it fits into `contract.MAX_BODY`; else one part per group of ECUs. Everything
    vehicle-wide goes into the first part. An ECU too large for one part has its test results,
    freeze frames and evidence continued in further parts. Raises ValueError above 64 parts.
    """
    base = _base(sender, reading, reason, moment, seq, dropped, extras or Extras())
    whole = _with(base, reading.ecus, reading.evidence)
    if _fits(whole):
        return [whole]
    return _numbered(base, _packed(base, _pieces(reading)))


def _base(
    sender: Sender,
    reading: Reading,
    reason: contract.Reason,
    moment: Moment,
    seq: int,
    dropped: Sequence[Sequence[int]],
    extras: Extras,
) -> contract.Report:
    fields: dict[str, Any] = {
        "vin": reading.vin,
        "clock_offset_ms": moment.offset_ms,
        "driving_cycle": extras.driving_cycle,
        "ask_id": extras.ask_id,
        "declined": "parked" if extras.declined else None,
        "protocol": extras.protocol,
        "heard": extras.heard,
        "quiet": extras.quiet,
        "quiet_until": extras.quiet_until and contract.format_time(extras.quiet_until),
        "implausible": list(extras.implausible) or None,
        "lamp_broadcasts": list(extras.lamp_broadcasts) or None,
        "live": dict(reading.live) or None,
        "dropped": [list(span) for span in dropped] or None,
        **reading.values,
    }
    return contract.Report(
        schema="report/1",
        gateway=sender.gateway,
        journal=sender.journal,
        journal_created_at=sender.journal_created_at,
        seq=seq,
        boot_no=sender.boot_no,
        taken_at=None if moment.taken_at is None else contract.format_time(moment.taken_at),
        clock=moment.clock,
        uptime_ms=moment.uptime_ms,
        reason=reason,
        ecus={},
        **{name: value for name, value in fields.items() if value is not None},
    )


@dataclass(frozen=True, slots=True)
class _Piece:
    """Some of what one ECU said: never split further."""

    ecu: str
    reading: contract.EcuReading | None
    evidence: Sequence[contract.Evidence] = ()


def _pieces(reading: Reading) -> list[_Piece]:
    pieces: list[_Piece] = []
    for ecu, answer in reading.ecus.items():
        evidence = [item for item in reading.evidence if item.ecu == ecu]
        whole = _Piece(ecu, answer, evidence)
        if _size(whole) <= contract.MAX_BODY // 2:
            pieces.append(whole)
        else:
            pieces += _broken(ecu, answer, evidence)
    strangers = [item for item in reading.evidence if item.ecu not in reading.ecus]
    return pieces + [_Piece(item.ecu, None, [item]) for item in strangers]


def _broken(
    ecu: str, answer: contract.EcuReading, evidence: Sequence[contract.Evidence]
) -> list[_Piece]:
    """The ECU's state first, then its long lists in slices, then its evidence."""
    bare = msgspec.structs.replace(answer, test_results=UNSET, freeze_frames=UNSET)
    pieces = [_Piece(ecu, bare)]
    for frames in _slices(answer.freeze_frames, 8):
        pieces.append(_Piece(ecu, contract.EcuReading(freeze_frames=frames)))
    for results in _slices(answer.test_results, 32):
        pieces.append(_Piece(ecu, contract.EcuReading(test_results=results)))
    return pieces + [_Piece(ecu, None, [item]) for item in evidence]


def _slices(items: list[T] | UnsetType, length: int) -> list[list[T]]:
    if items is UNSET:
        return []
    return [items[at : at + length] for at in range(0, len(items), length)] or [[]]


def _packed(base: contract.Report, pieces: Sequence[_Piece]) -> list[list[_Piece]]:
    """Fill parts in order, a new one when the next piece would not fit."""
    room = contract.MAX_BODY - len(contract.encode(base)) - 64  # 64: the part and a longer seq
    parts: list[list[_Piece]] = [[]]
    left = room
    for piece in pieces:
        size = _size(piece)
        same = any(p.ecu == piece.ecu and p.reading is not None for p in parts[-1])
        clash = same and piece.reading is not None
        if parts[-1] and (size > left or clash):
            parts.append([])
            left = room
        parts[-1].append(piece)
        left -= size
    return parts


def _numbered(base: contract.Report, parts: Sequence[Sequence[_Piece]]) -> list[contract.Report]:
    if len(parts) > MAX_PARTS:
        raise ValueError(f"report: {len(parts)} parts, expected at most {MAX_PARTS}")
    later = _later(base)
    reports = []
    for index, pieces in enumerate(parts):
        ecus = {p.ecu: p.reading for p in pieces if p.reading is not None}
        evidence = [item for piece in pieces for item in piece.evidence]
        part = _with(base if index == 0 else later, ecus, evidence)
        reports.append(
            msgspec.structs.replace(part, seq=base.seq + index, part=[index + 1, len(parts)])
        )
    return reports


_EVERY_PART = frozenset(
    {
        "schema", "gateway", "journal", "journal_created_at", "seq", "boot_no", "taken_at",
        "clock", "clock_offset_ms", "uptime_ms", "reason", "ecus", "vin", "protocol", "ask_id",
    }
)  # fmt: skip


def _later(base: contract.Report) -> contract.Report:
    once = [name for name in base.__struct_fields__ if name not in _EVERY_PART]
    return msgspec.structs.replace(base, **dict.fromkeys(once, UNSET))


def _with(
    base: contract.Report,
    ecus: Mapping[str, contract.EcuReading],
    evidence: Sequence[contract.Evidence],
) -> contract.Report:
    return msgspec.structs.replace(
        base, ecus=dict(ecus), evidence=list(evidence) if evidence else UNSET
    )


def _size(piece: _Piece) -> int:
    return len(msgspec.json.encode([piece.ecu, piece.reading, piece.evidence])) + 16


def _fits(report: contract.Report) -> bool:
    return len(contract.encode(report)) <= contract.MAX_BODY


def news(before: Reading, after: Reading) -> bool:
    """Whether a lamp, a code, a monitor or a clear shows between two readings.

    What an ECU left unanswered in either is no news: silence says nothing.
    """
    if any(after.values.get(name, 0) < before.values.get(name, 0) for name in _SINCE_CLEAR
           if name in after.values):  # fmt: skip
        return True
    for ecu, now in after.ecus.items():
        was = before.ecus.get(ecu)
        if was is None:
            return True
        for name in _TOLD:
            old, new = getattr(was, name), getattr(now, name)
            if UNSET not in (old, new) and old != new:
                return True
    return False


_TOLD = ("mil", "code_count", "monitors", "confirmed", "pending", "permanent")
_SINCE_CLEAR = ("distance_since_clear_km", "warm_ups_since_clear", "minutes_since_clear_min")
