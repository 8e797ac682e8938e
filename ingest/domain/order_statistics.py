"""When enough monitors are complete: with `allowed` incomplete, the order statistic, not the max.

With m required monitors and `allowed` of them allowed to be incomplete, the vehicle is ready at
the (m - allowed)-th smallest of their waits (David and Nagaraja, Order Statistics, 2.1).
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]


def enough(waits: Floats, allowed: int) -> Floats:
    """The wait until all but `allowed` are complete. `waits`: (draws, monitors) -> (draws,)."""
    if allowed < 0:
        raise ValueError(f"allowed={allowed!r}: expected 0 or more")
    draws, monitors = waits.shape
    if allowed >= monitors:
        return np.zeros(draws)
    place = monitors - allowed - 1
    return np.asarray(np.partition(waits, place, axis=1)[:, place], dtype=np.float64)


def chance_of_enough(chances: Sequence[float], allowed: int) -> float:
    """The same in closed form for independent monitors: at most `allowed` of them incomplete.

    `chances[i]` is the chance that monitor i is complete by then (a Poisson-binomial sum).
    """
    incomplete = np.ones(1)
    for chance in chances:
        incomplete = np.convolve(incomplete, [chance, 1 - chance])
    return float(np.sum(incomplete[: allowed + 1]))
