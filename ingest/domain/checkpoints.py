"""Which states of a fold are kept, so that a late report is folded in without starting afresh.

A state is kept after every `EVERY` reports, and thinned out with age: close together where late
reports are likely, ever further apart the older they are. Of n reports at most
4 log2(n / EVERY) + 4 are kept, and what comes a reports late never costs more than
5/3 a + `EVERY` reports folded again (arithmetic; a choice of ours, X).
"""

from __future__ import annotations

EVERY = 50
"""Reports from one checkpoint to the next: about five days of a vehicle in use."""
_SPANS = 4
"""A checkpoint stays while it is younger than so many of the distance it stands for."""


def is_due(reports: int) -> bool:
    """Whether the state after so many reports becomes a checkpoint."""
    return reports > 0 and reports % EVERY == 0


def is_kept(checkpoint: int, reports: int) -> bool:
    """Whether a checkpoint after `checkpoint` reports is still kept when there are `reports`."""
    return is_due(checkpoint) and 0 <= reports - checkpoint < _SPANS * _distance(checkpoint)


def expired(reports: int) -> list[int]:
    """The checkpoints that end with the one made after `reports`, where each end is met once."""
    found = []
    distance = EVERY
    while (checkpoint := reports - _SPANS * distance) > 0:
        if is_due(checkpoint) and _distance(checkpoint) == distance:
            found.append(checkpoint)
        distance *= 2
    return found


def _distance(checkpoint: int) -> int:
    """The largest doubling of `EVERY` that divides the checkpoint."""
    number = checkpoint // EVERY
    return EVERY * (number & -number)
