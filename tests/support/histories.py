"""One life stored twice or more: as it was lived, and shuffled, repeated and up to 30 days late.

What is compared is everything the reports, the vehicle list and a moment decide; what was said of
it (acknowledgements, the wording of an alert when it was raised) may differ.
"""

from __future__ import annotations

import json
import random
from collections import Counter
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from typing import Any

from sqlalchemy import Connection, Engine, select

from gateway import contract
from gateway.contract import Report
from ingest import handlers, queries
from ingest.arrival import Arrival
from ingest.domain import alerts as rules
from ingest.domain.vehicles import Vehicle
from ingest.handlers import FoldMemory
from ingest.store.database import read
from ingest.store.rebuilding import snapshot
from ingest.store.schema import episode, gateway_journal, lost_reports, report
from tests.support import lives
from tests.support.lives import Sent
from tests.support.reports import START, load, opened

LATEST = timedelta(days=30)
SWEEP_EVERY = timedelta(days=6)
FEW = 4
BETWEEN_READINGS = {"clear", "software_changed", "counter_fell"}
"""What was done between two readings and is found at the later of them."""
JUDGED = (timedelta(days=31), timedelta(days=45), timedelta(days=120))
"""How long after the last reading was taken conditions are compared."""


@dataclass(slots=True)
class Step:
    """Something that happens to a store at a moment: a batch, a list, or a look over the fleet."""

    at: datetime
    do: Callable[[Engine, FoldMemory], object]


@dataclass(slots=True)
class Kept:
    """How identities fared over a run; `broken` says where one was not kept."""

    standing: dict[int, Any] = field(default_factory=dict)
    withdrawn: int = 0
    moved: int = 0
    broken: list[str] = field(default_factory=list)

    def look(self, engine: Engine) -> None:
        """Compare the episodes of now with those of the last look."""
        with read(engine) as connection:
            rows = {row.id: row for row in connection.execute(select(episode))}
        now = {one: row for one, row in rows.items() if row.withdrawn_reason is None}
        fresh = [row for one, row in now.items() if one not in self.standing]
        for one, before in self.standing.items():
            after = rows.get(one)
            if after is None:
                self.broken.append(f"event {one} was deleted")
            elif (after.vehicle_id, after.kind, after.subject) != (
                before.vehicle_id, before.kind, before.subject,
            ):  # fmt: skip
                self.broken.append(f"event {one} became {after.kind} {after.subject}")
            elif after.withdrawn_reason is not None:
                self.withdrawn += 1
                self.broken += [
                    f"event {one} ({before.natural}) was withdrawn, {row.id} ({row.natural}) is new"
                    for row in fresh
                    if _overlap(before, row)
                ]
            else:
                self.moved += after.natural != before.natural
        self.standing = now


def _overlap(one: Any, other: Any) -> bool:
    """Whether one event took the place of another that it could have been."""
    same = (one.vehicle_id, one.kind, one.subject) == (other.vehicle_id, other.kind, other.subject)
    begins = [
        json.loads(row.details).get("not_before", row.started_at) or 0 for row in (one, other)
    ]
    if all(row.kind in BETWEEN_READINGS for row in (one, other)):
        return same and begins[0] < other.started_at and begins[1] < one.started_at
    ends = [float("inf") if row.ended_at is None else row.ended_at for row in (one, other)]
    return same and one.started_at <= ends[1] and other.started_at <= ends[0]


def end_of(sent: Iterable[Sent]) -> datetime:
    """When the last message of a life was sent."""
    return max(one.at for one in sent)


def lived(number: int, sent: list[Sent]) -> list[Step]:
    """Every message when it was sent, a few at a time; the list changes when the gateways do."""
    steps = [
        Step(few[-1].at, _store([(one, one.at) for one in few]))
        for few in (sent[start : start + FEW] for start in range(0, len(sent), FEW))
    ]
    steps += [
        Step(START, _load(lives.list_before(number), "1")),
        Step(lives.SWAP, _load(lives.list_after(number), "2")),
    ]
    return _with_sweeps(steps, end_of(sent))


def shuffled(number: int, sent: list[Sent]) -> list[Step]:
    """The same messages late, some twice, in batches, with the list at any moment.

    A presence is never resent, and so comes when it was sent.
    """
    dice = random.Random(f"arrival {number}")
    arrivals: list[tuple[datetime, int, Sent]] = []
    for place, one in enumerate(sent):
        late = isinstance(one.message, Report) and dice.random() < 0.7
        arrivals.append(
            (one.at + (dice.random() ** 2 * LATEST if late else timedelta(0)), place, one)
        )
        if isinstance(one.message, Report) and dice.random() < 0.2:
            arrivals.append((one.at + dice.random() * LATEST, place, one))
    arrivals.sort()
    steps = []
    while arrivals:
        size = dice.choice((1, 1, 3, 10, 30))
        batch, arrivals = arrivals[:size], arrivals[size:]
        steps.append(Step(batch[-1][0], _store([(one, at) for at, _, one in batch])))
    last = end_of(sent) + LATEST
    first_list = START + dice.random() * LATEST
    second_list = first_list + dice.random() * (last - first_list)
    steps += [
        Step(first_list, _load(lives.list_before(number), "1")),
        Step(second_list, _load(lives.list_after(number), "2")),
    ]
    return _with_sweeps(steps, end_of(sent))


def _with_sweeps(steps: list[Step], end: datetime) -> list[Step]:
    at = START + SWEEP_EVERY
    while at < end + LATEST:
        steps.append(Step(at, _sweep(at)))
        at += SWEEP_EVERY
    return sorted(steps, key=lambda step: step.at)


def _store(batch: list[tuple[Sent, datetime]]) -> Callable[[Engine, FoldMemory], object]:
    items = [
        Arrival(
            contract.topic(
                one.message.gateway, "report" if isinstance(one.message, Report) else "presence"
            ),
            contract.encode(one.message),
            at,
        )
        for one, at in batch
    ]
    return lambda engine, memory: handlers.store_batch(engine, items, memory)


def _load(vehicles: list[Vehicle], request_id: str) -> Callable[[Engine, FoldMemory], object]:
    return lambda engine, _: load(engine, *vehicles, request_id=request_id)


def _sweep(at: datetime) -> Callable[[Engine, FoldMemory], object]:
    return lambda engine, _: handlers.sweep(engine, at)


def run(url: str, steps: Iterable[Step], end: datetime) -> tuple[dict[str, Any], Kept]:
    """Do the steps on an empty store; return what is so at the end, and how identities fared."""
    kept, memory = Kept(), FoldMemory()
    with opened(url) as engine:
        for step in steps:
            step.do(engine, memory)
            kept.look(engine)
        last = end + JUDGED[0]
        handlers.sweep(engine, last)
        return so_at_the_end(engine, last, end), kept


def so_at_the_end(engine: Engine, last: datetime, end: datetime) -> dict[str, Any]:
    """All that the set of reports, the list and a moment decide; equal for equal sets."""
    found = snapshot(engine)
    for facts in found.values():
        state = facts["state"]
        facts["conditions"] = (
            [rules.conditions(state, end + later) for later in JUDGED] if state else []
        )
    found["alerts"] = sorted(
        _alert(one) for one in queries.alerts(engine, last) if not one.ended_at
    )
    with read(engine) as connection:
        found["lost"] = _rows(
            connection, lost_reports, ("gateway", "journal", "first_seq", "last_seq")
        )
        found["journals"] = _rows(connection, gateway_journal, ("gateway", "journal", "spans"))
        found["owners"] = _rows(connection, report, ("gateway", "journal", "seq", "vehicle_id"))
    return found


def _alert(one: queries.Alert) -> tuple[str, ...]:
    said = one.text if one.kind == rules.LAMP else ""
    return (one.unit, one.kind, one.subject, one.priority, one.since.isoformat(), said)


def _rows(connection: Connection, table: Any, names: tuple[str, ...]) -> list[tuple[Any, ...]]:
    columns = [table.c[name] for name in names]
    return sorted(tuple(row) for row in connection.execute(select(*columns)))


def differences(one: Mapping[str, Any], other: Mapping[str, Any]) -> list[str]:
    """Where two ends of the same life are not the same."""
    return [
        f"{name}: {one.get(name)!r} is not {other.get(name)!r}"[:2000]
        for name in sorted({*one, *other})
        if one.get(name) != other.get(name)
    ]


def keys(found: Mapping[str, Any]) -> list[tuple[str, str, int]]:
    """What is stored of reports, by (gateway, journal, seq), each as often as it stands there."""
    return [(gateway, journal, seq) for gateway, journal, seq, _ in found["owners"]]


def sent_keys(sent: Iterable[Sent]) -> list[tuple[str, str, int]]:
    """What was sent of reports, each once, sorted."""
    messages = (one.message for one in sent)
    return sorted((m.gateway, m.journal, m.seq) for m in messages if isinstance(m, Report))


def kinds(found: Mapping[str, Any]) -> Counter[str]:
    """How many events of each kind a life had, and alerts: a thin life proves nothing."""
    alerts = Counter(f"alert {kind}" for _, kind, *_ in found["alerts"])
    return alerts + Counter(
        one.kind
        for facts in found.values()
        if isinstance(facts, dict)
        for one in facts["events"].values()
    )
