"""Sets of sequence numbers as sorted, disjoint, never touching [first, last] spans. Pure."""

from __future__ import annotations

from collections.abc import Iterable

Span = tuple[int, int]


def merge(spans: Iterable[Span]) -> list[Span]:
    """Join overlapping and touching spans."""
    joined: list[Span] = []
    for first, last in sorted(spans):
        if joined and first <= joined[-1][1] + 1:
            joined[-1] = (joined[-1][0], max(joined[-1][1], last))
        else:
            joined.append((first, last))
    return joined


def holds(spans: Iterable[Span], number: int) -> bool:
    """Whether a number lies in one of the spans."""
    return any(first <= number <= last for first, last in spans)


def through(spans: list[Span]) -> int:
    """The last number of an unbroken run from 1; 0 when 1 itself is missing."""
    return spans[0][1] if spans and spans[0][0] == 1 else 0


def gaps_below(spans: list[Span], limit: int) -> list[Span]:
    """The numbers from 1 to `limit` - 1 that no span holds."""
    gaps, expected = [], 1
    for first, last in spans:
        if first >= limit:
            break
        if first > expected:
            gaps.append((expected, first - 1))
        expected = last + 1
    if expected < limit:
        gaps.append((expected, limit - 1))
    return gaps
