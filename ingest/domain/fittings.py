"""Which gateway sat in which vehicle from when to when: no overlap, and so no mixed histories.

Times are epoch milliseconds; a span counts its start and not its end. None as end: still fitted.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from itertools import pairwise
from typing import TypeVar

K = TypeVar("K")
EVER = 0
"""The start of a first fitting of which the list says nothing."""


@dataclass(frozen=True, slots=True)
class Span:
    """A gateway in a vehicle. `id` is None until stored."""

    vehicle_id: int
    gateway: str
    start: int
    end: int | None = None
    id: int | None = None


@dataclass(frozen=True, slots=True)
class Wanted:
    """What the list says of one vehicle: its gateway (None: it has none), from when until when."""

    vehicle_id: int
    gateway: str | None
    start: int | None = None
    end: int | None = None


@dataclass(slots=True)
class Changes:
    """What has to be written. `taken_from`: vehicles the list was silent of that lost theirs."""

    new: list[Span] = field(default_factory=list)
    altered: list[Span] = field(default_factory=list)
    removed: list[Span] = field(default_factory=list)
    taken_from: set[int] = field(default_factory=set)
    gateways: set[str] = field(default_factory=set)
    overlaps: list[tuple[Span, Span]] = field(default_factory=list)


def refit(stored: Sequence[Span], wanted: Iterable[Wanted], now: int) -> Changes:
    """Make the fittings what the list says; whatever would overlap is named and not decided.

    A start that the list leaves out is that of the standing fitting, else `now`, and for a first
    fitting `EVER`. A gateway that comes into another vehicle leaves the one it still sat in.
    """
    asked = {one.vehicle_id: one for one in wanted}
    by_vehicle = _grouped(stored, lambda span: span.vehicle_id)
    by_gateway = _grouped(stored, lambda span: span.gateway)
    after: dict[int, Span | None] = {}  # what becomes of a stored span, by its id
    fresh: list[Span] = []
    for one in asked.values():
        before = by_vehicle.get(one.vehicle_id, [])
        fresh += _own(one, before, by_gateway.get(one.gateway or "", []), after, now)
    standing = {span.vehicle_id: span for span in after.values() if span is not None}
    standing |= {span.vehicle_id: span for span in fresh}
    changes = Changes()
    for one in asked.values():
        mine = standing.get(one.vehicle_id)
        if one.gateway is not None and mine is not None:
            for span in by_gateway.get(one.gateway, []):
                _give_up(span, mine, asked, after, changes)
    _collect(stored, after, fresh, changes)
    _find_overlaps(stored, after, fresh, changes)
    return changes


def _own(
    one: Wanted, before: list[Span], of_gateway: list[Span], after: dict[int, Span | None], now: int
) -> list[Span]:
    """Settle the spans of one vehicle; return the one it needs besides those stored."""
    still = next((span for span in before if span.end is None), None)
    last = max(before, key=lambda span: span.start, default=None)
    if one.gateway is None:
        if still is not None:
            _keep(after, _ended(still, now))
        return []
    same = last if last is not None and last.gateway == one.gateway else None
    start = one.start
    if start is None:
        if same is not None and (same.end is None or one.end is not None):
            start = same.start
        else:
            start = now if before or of_gateway else EVER
    if same is not None and (same.end is None or same.start == start):
        _keep(after, (same, replace(same, start=start, end=one.end)))
        return []
    if still is not None:
        _keep(after, _ended(still, start))
    # An earlier fitting said again as it was: it goes on, and what came after was a wrong entry.
    again = next(
        (span for span in before if (span.gateway, span.start) == (one.gateway, start)), None
    )
    if again is not None:
        _keep(after, (again, replace(again, end=one.end)))
        return []
    return [Span(one.vehicle_id, one.gateway, start, one.end)]


def _ended(span: Span, at: int) -> tuple[Span, Span | None]:
    """A fitting that ends; one that would end before it began was a wrong entry and goes."""
    return span, replace(span, end=at) if at > span.start else None


def _keep(after: dict[int, Span | None], pair: tuple[Span, Span | None]) -> None:
    before, now = pair
    after[_id(before)] = now


def _give_up(
    span: Span,
    mine: Span,
    asked: Mapping[int, Wanted],
    after: dict[int, Span | None],
    changes: Changes,
) -> None:
    """End the open span of a gateway in a vehicle that the list no longer gives it to."""
    holder = asked.get(span.vehicle_id)
    if span.end is not None or (holder is not None and holder.gateway == span.gateway):
        return
    now = after.get(_id(span), span)
    ends_before = now is None or (now.end is not None and now.end <= mine.start)
    if ends_before or (mine.end is not None and mine.end <= span.start):
        return
    _keep(after, _ended(span, mine.start))
    if holder is None:
        changes.taken_from.add(span.vehicle_id)


def _id(span: Span) -> int:
    """The id of a stored span."""
    assert span.id is not None
    return span.id


def _collect(
    stored: Sequence[Span], after: Mapping[int, Span | None], fresh: list[Span], changes: Changes
) -> None:
    changes.new = fresh
    changes.gateways |= {span.gateway for span in fresh}
    for span in stored:
        now = after.get(_id(span), span)
        if now == span:
            continue
        changes.gateways.add(span.gateway)
        if now is None:
            changes.removed.append(span)
        else:
            changes.altered.append(now)


def _find_overlaps(
    stored: Sequence[Span], after: Mapping[int, Span | None], fresh: list[Span], changes: Changes
) -> None:
    """Of what would be stored: two spans of one gateway, or of one vehicle, at one time."""
    if not (changes.new or changes.altered):
        return
    kept = [now for span in stored if (now := after.get(_id(span), span)) is not None]
    everything = [*kept, *fresh]
    found: set[tuple[Span, Span]] = set()
    for groups in (
        _grouped(everything, lambda span: span.gateway),
        _grouped(everything, lambda span: span.vehicle_id),
    ):
        for spans in groups.values():
            for one, other in pairwise(sorted(spans, key=lambda span: span.start)):
                if one.end is None or one.end > other.start:
                    found.add((one, other))
    changes.overlaps = sorted(found, key=lambda pair: (pair[0].gateway, pair[0].start))


def _grouped(spans: Iterable[Span], key: Callable[[Span], K]) -> dict[K, list[Span]]:
    found: dict[K, list[Span]] = {}
    for span in spans:
        found.setdefault(key(span), []).append(span)
    return found
