"""A refold is a diff: which stored episodes are still so, under the id they have. Pure."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from ingest.domain.episodes import Episode


@dataclass(frozen=True, slots=True)
class Reconciled:
    """Stored episodes kept under their id, new ones, and ids that the facts no longer bear out."""

    kept: list[tuple[int, Episode]]
    new: list[Episode]
    withdrawn: list[int]


def reconcile(stored: Sequence[tuple[int, Episode]], fresh: Sequence[Episode]) -> Reconciled:
    """Match by kind and subject: the identical episode first, then the first that overlaps."""
    left: dict[tuple[str, str], list[tuple[int, Episode]]] = {}
    for pair in sorted(stored, key=lambda pair: (pair[1].started_at, pair[0])):
        left.setdefault((pair[1].kind, pair[1].subject), []).append(pair)
    kept: list[tuple[int, Episode]] = []
    unmatched: list[Episode] = []
    for episode in fresh:
        if not _keep(left, kept, episode, exactly=True):
            unmatched.append(episode)
    new = [episode for episode in unmatched if not _keep(left, kept, episode, exactly=False)]
    withdrawn = sorted(identity for pairs in left.values() for identity, _ in pairs)
    return Reconciled(kept, new, withdrawn)


def _keep(
    left: dict[tuple[str, str], list[tuple[int, Episode]]],
    kept: list[tuple[int, Episode]],
    episode: Episode,
    exactly: bool,
) -> bool:
    pairs = left.get((episode.kind, episode.subject), [])
    for number, (identity, old) in enumerate(pairs):
        if old.natural == episode.natural if exactly else overlap(old, episode):
            del pairs[number]
            kept.append((identity, episode))
            return True
    return False


def overlap(one: Episode, other: Episode) -> bool:
    """Whether two episodes of one kind and subject can be the same one.

    What happened between two readings (a clear, other software, a counter that fell) is found at
    the later one, and a reading that comes late may find it earlier: there the stretches between
    the readings are compared. Two that only touch lie on either side of a reading.
    """
    if _is_between_readings(one) and _is_between_readings(other):
        same = one.started_at == other.started_at
        return same or (_begin(one) < other.started_at and _begin(other) < one.started_at)
    starts_in = other.ended_at is None or one.started_at <= other.ended_at
    return starts_in and (one.ended_at is None or other.started_at <= one.ended_at)


def _is_between_readings(episode: Episode) -> bool:
    return episode.started_at == episode.ended_at and "not_before" in episode.details


def _begin(episode: Episode) -> int:
    """When the last reading before it was, by the clock of that time; 0 where there was none."""
    return min(episode.started_at, episode.details["not_before"] or 0)
