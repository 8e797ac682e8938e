"""What ingest does with messages: read them, store a batch in one transaction, say what is kept.

Commit, then acknowledge: the caller acknowledges only what `store_batch` returned. Poison goes
aside into the dead letters; trouble of the database raises `DatabaseTrouble` and stores nothing.
"""

from __future__ import annotations

import logging
from collections.abc import Iterable, Mapping, Sequence, Set
from dataclasses import dataclass
from datetime import datetime
from typing import TYPE_CHECKING, Literal

import msgspec

from gateway import contract
from ingest.arrival import Arrival
from ingest.faults import report_faults
from ingest.store import dead_letters, folding, history
from ingest.store.database import DatabaseTrouble, is_trouble, read, write
from ingest.store.dead_letters import DeadLetter
from ingest.store.fold_memory import FoldMemory
from ingest.store.history import NOWHERE, Place, Received
from ingest.store.rebuilding import RebuildResult, bring_up_to_date, rebuild
from ingest.store.report_keys import Key
from ingest.store.report_order import Placed, position_of
from ingest.store.sweeping import SweepResult, sweep
from ingest.store.times import to_ms
from ingest.store.vehicles import Fitting, fittings_of, owner

if TYPE_CHECKING:
    from sqlalchemy import Connection, Engine

__all__ = [
    "FoldMemory",
    "Outcome",
    "RebuildResult",
    "Replayed",
    "SweepResult",
    "bring_up_to_date",
    "rebuild",
    "receipts_for",
    "replay_dead_letters",
    "store_batch",
    "sweep",
]

log = logging.getLogger(__name__)

NO_JOURNAL = "00000000-0000-0000-0000-000000000000"
"""Stands in a receipt for the journal of a gateway that never sent a readable report."""
Status = Literal["stored", "not in the vehicle list", "duplicate", "presence", "ignored", "aside"]


class Outcome(msgspec.Struct, gc=False, frozen=True):
    """What became of one message, with reasons where it is ignored or set aside.

    `gateway` is None when even the topic could not be read.
    """

    status: Status
    gateway: str | None
    reasons: tuple[str, ...] = ()


class _Refused(Exception):
    """A message that goes to the dead letters; `security` names the event if it is one."""

    def __init__(
        self, gateway: str | None, reasons: tuple[str, ...], security: str | None = None
    ) -> None:
        super().__init__("; ".join(reasons))
        self.gateway, self.reasons, self.security = gateway, reasons, security


def store_batch(
    engine: Engine, items: Sequence[Arrival], memory: FoldMemory | None = None
) -> list[Outcome]:
    """Store messages in one transaction and return what became of each, in order.

    When the batch fails for a reason of its data, each message is tried alone, and the one that
    fails again is set aside with its exception. Raises `DatabaseTrouble` when nothing was stored.
    `memory` spares reading again what the batches before wrote; it never changes what is stored.
    """
    if not items:
        return []
    memory = FoldMemory() if memory is None else memory
    try:
        return _attempt(engine, items, memory)
    except Exception as error:
        _raise_trouble(error)
        log.warning("a batch of %d failed, each is tried alone: %r", len(items), error)
    return [_store_alone(engine, item, memory) for item in items]


def _store_alone(engine: Engine, item: Arrival, memory: FoldMemory) -> Outcome:
    try:
        return _attempt(engine, [item], memory)[0]
    except Exception as error:
        _raise_trouble(error)
        log.exception("a message could not be stored and is set aside")
        reason = f"{type(error).__name__}: {str(error)[:500]}"
    gateway = _gateway_of(item.topic)
    try:
        with write(engine) as connection:
            _set_aside(connection, item, _Refused(gateway, (reason,)))
    except Exception as error:
        _raise_trouble(error)
        raise
    return Outcome("aside", gateway, (reason,))


def _raise_trouble(error: Exception) -> None:
    if isinstance(error, DatabaseTrouble):
        raise error
    if is_trouble(error):
        raise DatabaseTrouble(f"database: {error}") from error


def _attempt(engine: Engine, items: Sequence[Arrival], memory: FoldMemory) -> list[Outcome]:
    readings = [_read(item) for item in items]
    with write(engine) as connection:
        outcomes, written = _store(connection, items, readings, memory)
    if written is not None:  # only what is committed may be remembered
        memory.keep(written.stamp, written.states)
    return outcomes


Reading = Received | contract.Presence | _Refused | Outcome


def _read(item: Arrival) -> Reading:
    """Decode one message; nothing here touches the database."""
    try:
        address = contract.parse_topic(item.topic)
    except contract.ContractError as error:
        gateway = _gateway_of(item.topic)
        return _Refused(gateway, error.faults, "wrong shard" if gateway else None)
    try:
        if address.kind == "report":
            return _read_report(item, address.gateway)
        if address.kind == "presence":
            return _read_presence(item, address.gateway)
    except _Refused as refused:
        return refused
    return _Refused(address.gateway, (f"topic: {address.kind!r} is not for ingest",))


def _gateway_of(topic: str) -> str | None:
    """The gateway a topic names, even in a shard that is not its own."""
    parts = topic.split("/")
    if len(parts) != 5:
        return None
    try:
        return contract.parse_topic(contract.topic(parts[3], "report")).gateway
    except (contract.ContractError, UnicodeEncodeError):
        return None


def _read_report(item: Arrival, gateway: str) -> Received:
    try:
        report = contract.decode_report(item.body)
    except contract.ContractError as error:
        reasons = tuple(report_faults(item.body)) or error.faults
        raise _Refused(gateway, reasons) from error
    _same_gateway(gateway, report.gateway)
    key = (gateway, report.journal, report.seq)
    return Received(report, item.body, to_ms(item.received_at), key)


def _read_presence(item: Arrival, gateway: str) -> contract.Presence | Outcome:
    if not item.body:
        return Outcome("ignored", gateway, ("an empty message only clears the one retained",))
    if len(item.body) > contract.MAX_BODY:
        reason = f"body: {len(item.body)} bytes, expected at most {contract.MAX_BODY}"
        raise _Refused(gateway, (reason,))
    try:
        message = contract.decode_presence(item.body)
    except contract.ContractError as error:
        raise _Refused(gateway, (str(error),)) from error
    _same_gateway(gateway, message.gateway)
    return message


def _same_gateway(topic: str, payload: str) -> None:
    if topic != payload:
        reason = f"gateway: {payload!r}, expected {topic!r} as in the topic"
        raise _Refused(topic, (reason,), "wrong gateway")


def _store(
    connection: Connection,
    items: Sequence[Arrival],
    readings: Sequence[Reading],
    memory: FoldMemory,
) -> tuple[list[Outcome], folding.Written | None]:
    first: dict[Key, Received] = {}
    for reading in readings:
        if isinstance(reading, Received):
            first.setdefault(reading.key, reading)
    journals = history.journals_of(connection, first.values())
    known = history.known_bodies(connection, first.values(), journals)
    fresh = [one for key, one in first.items() if key not in known]
    unlisted, written = set[str](), None
    if fresh:
        unlisted, written = _store_reports(connection, fresh, journals, memory)
    outcomes: list[Outcome] = []
    for item, reading in zip(items, readings, strict=True):
        if isinstance(reading, Received):
            key, gateway = reading.key, reading.report.gateway
            if first[key] is reading and key not in known:
                status: Status = "not in the vehicle list" if gateway in unlisted else "stored"
                outcomes.append(Outcome(status, gateway))
                continue
            if reading.body == known.get(key, first[key].body):
                outcomes.append(Outcome("duplicate", gateway))
                continue
            reading = _conflict(reading)
        outcomes.append(_settle(connection, item, reading))
    return outcomes, written


def _conflict(item: Received) -> _Refused:
    message = item.report
    reason = f"key conflict: seq {message.seq} of journal {message.journal} has another body"
    return _Refused(message.gateway, (reason,), "key conflict")


def _settle(
    connection: Connection, item: Arrival, reading: contract.Presence | _Refused | Outcome
) -> Outcome:
    """Store what is not a report."""
    if isinstance(reading, Outcome):
        return reading
    if isinstance(reading, contract.Presence):
        if history.store_presence(connection, reading, to_ms(item.received_at)):
            return Outcome("presence", reading.gateway)
        return Outcome("ignored", reading.gateway, ("presence: of a connection that is over",))
    _set_aside(connection, item, reading)
    return Outcome("aside", reading.gateway, reading.reasons)


def _set_aside(connection: Connection, item: Arrival, refused: _Refused) -> None:
    at = to_ms(item.received_at)
    letter = DeadLetter(item.topic, item.body, refused.gateway, refused.reasons, at)
    new = dead_letters.set_aside(connection, letter)
    if new and refused.security:
        detail = "; ".join(refused.reasons).removeprefix(f"{refused.security}: ")
        log.warning(
            "security event of gateway %s: %s: %s", refused.gateway, refused.security, detail
        )
        dead_letters.note_security(connection, at, refused.security, refused.gateway, detail)


def _store_reports(
    connection: Connection,
    items: Sequence[Received],
    journals: history.Journals,
    memory: FoldMemory,
) -> tuple[set[str], folding.Written]:
    """Store and fold new reports; return the gateways that no vehicle of the list carries."""
    now = max(item.received_at for item in items)
    fittings = fittings_of(connection, {item.report.gateway for item in items})
    owners = [owner(item.report, fittings.get(item.report.gateway, ())) for item in items]
    placed: dict[int, list[Placed]] = {}
    names: dict[int, str] = {}
    for item, fit in zip(items, owners, strict=True):
        if fit is not None:
            position = position_of(item.report, fit.fitted_from)
            placed.setdefault(fit.vehicle_id, []).append(Placed(position, item.report))
            names[fit.vehicle_id] = fit.vin

    def insert_reports(observed: Mapping[Key, int]) -> None:
        places = [
            _place(fit, observed.get(item.key)) for item, fit in zip(items, owners, strict=True)
        ]
        history.add_reports(connection, items, places)
        history.add_to_journals(connection, items, journals, now)

    written = folding.fold_new(
        connection, placed, names, memory, insert_reports=insert_reports, now=now
    )
    unlisted = {item.report.gateway for item, fit in zip(items, owners, strict=True) if fit is None}
    return unlisted, written


def _place(fit: Fitting | None, observed_at: int | None) -> Place:
    return NOWHERE if fit is None else Place(fit.vehicle_id, fit.fitted_from, observed_at)


def receipts_for(
    engine: Engine, gateways: Iterable[str], now: datetime, name_asides: Set[str] | None = None
) -> list[contract.Receipt]:
    """What is committed of each gateway, ready to publish; cumulative, so safe to repeat.

    The payloads set aside of the gateways in `name_asides` are named (None: of all). One that is
    not named is sent again, and named then.
    """
    wanted = sorted(set(gateways))
    if not wanted:
        return []
    with read(engine) as connection:
        stands = history.latest_stands(connection, wanted)
        naming = wanted if name_asides is None else [one for one in wanted if one in name_asides]
        asides = {one: dead_letters.asides(connection, one) for one in naming}
    known = [gateway for gateway in wanted if gateway in stands or asides.get(gateway)]
    at = contract.format_time(now)
    return [
        _receipt(gateway, stands.get(gateway, _NOTHING), asides.get(gateway, []), at)
        for gateway in known
    ]


_NOTHING = history.JournalStand(NO_JOURNAL, 0, [])


def _receipt(
    gateway: str, stand: history.JournalStand, aside: list[contract.SetAside], at: str
) -> contract.Receipt:
    return contract.Receipt(
        schema="receipt/1",
        gateway=gateway,
        journal=stand.journal,
        through=stand.through,
        also=[list(span) for span in stand.also],
        aside=aside,
        at=at,
    )


@dataclass(frozen=True, slots=True)
class Replayed:
    """What a second reading of the dead letters found."""

    tried: int
    read_now: int


def replay_dead_letters(engine: Engine, now: datetime) -> Replayed:
    """Read every dead letter again, as after a mended program; those that pass leave the list."""
    with read(engine) as connection:
        letters = dead_letters.waiting(connection)
    read_now = 0
    for letter_id, topic, body in letters:
        item = Arrival(topic, body, now)
        if isinstance(_read(item), _Refused):
            continue
        outcome = store_batch(engine, [item])[0]
        if outcome.status != "aside":
            read_now += 1
            with write(engine) as connection:
                dead_letters.mark_replayed(connection, [letter_id], to_ms(now))
    return Replayed(len(letters), read_now)
