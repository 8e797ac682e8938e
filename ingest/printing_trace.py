"""What became of one report, in words and as plain data."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import asdict
from datetime import datetime

from ingest.printing import Answer, time
from ingest.store.times import from_ms
from ingest.store.tracing import Traced

_WORDS = {
    "stored": "stored",
    "declared dropped": "declared dropped by the gateway (its disk was full): it will not come",
    "lost": "lost: the gateway no longer keeps it and did not declare it dropped",
    "still coming": "not here yet; it is still coming",
    "set aside": "set aside in the dead letters",
    "held back": "here, above the gateway's allowance: it waits for its turn",
    "not heard of": "not heard of",
}
_TIMES = ("received_at", "taken_at", "observed_at")


def traces(gateway: str, seq: int, found: Sequence[Traced]) -> Answer:
    """One item for each trace."""
    items = []
    lines = []
    for one in found:
        plain = asdict(one) | {name: time(_moment(getattr(one, name))) for name in _TIMES}
        items.append({"gateway": gateway, "seq": seq, **plain})
        where = f", journal {one.journal}" if one.journal else ""
        lines.append(f"{gateway} {seq}{where}: {_WORDS[one.outcome]}")
        lines += [f"{'':>4}{line}" for line in _details(one)]
    return Answer(items, lines)


def _moment(value: int | None) -> datetime | None:
    return None if value is None else from_ms(value)


def _details(one: Traced) -> Iterator[str]:
    if one.received_at is not None:
        times = f", {one.times_seen} times" if one.times_seen > 1 else ""
        yield f"received {time(from_ms(one.received_at))}{times}"
    if one.outcome == "stored":
        taken = time(_moment(one.taken_at)) or "by a clock that was not set"
        observed = time(_moment(one.observed_at)) or "not known yet"
        yield f"reason {one.reason}, taken {taken}, observed {observed}"
        yield _belongs(one)
    yield from one.faults
    if one.outcome in ("stored", "set aside", "lost", "declared dropped"):
        yield "named in the receipts" if one.receipted else "not named in the receipts"
    for event in one.events:
        did = "began" if event.began else "ended"
        gone = f", withdrawn: {event.withdrawn}" if event.withdrawn else ""
        yield f"{did} event {event.kind} {event.subject}".rstrip() + gone
        if event.alert_id is not None:
            yield f"  alert {event.alert_id}: {event.alert_state}"


def _belongs(one: Traced) -> str:
    if one.unit is None:
        return "of no vehicle in the vehicle list"
    if one.vin_differs is not None:
        return f"of unit {one.unit}; read VIN {one.vin_differs}, so flagged and not folded"
    return f"of unit {one.unit}, " + ("folded" if one.folded else "not folded yet")
