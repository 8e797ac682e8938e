"""The rows that some readings began or brought, read by stretches of their journals. Pure."""

from __future__ import annotations

from collections.abc import Iterable, Iterator

Key = tuple[str, int]
"""A reading: its journal and its number there."""
Stretch = tuple[str, int, int]
"""A journal, and the first and last number of a part of it."""
NEAR = 500
"""Numbers so close are read at once: rows between them cost less than another statement (X)."""


def stretches(keys: Iterable[Key]) -> Iterator[Stretch]:
    """The few stretches that hold all these readings, in order; others may lie in them too."""
    begun: Stretch | None = None
    for journal, seq in sorted(set(keys)):
        if begun is not None and begun[0] == journal and seq - begun[2] <= NEAR:
            begun = (journal, begun[1], seq)
            continue
        if begun is not None:
            yield begun
        begun = (journal, seq, seq)
    if begun is not None:
        yield begun
