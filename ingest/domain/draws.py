"""The fixed points at which a forecast is worked out: the same for every vehicle and every day.

Scrambled Sobol points (Owen 1998; scipy.stats.qmc) with a seed of their own: the same facts give
the same dates, and two vehicles or two days are compared by common numbers. One point holds how
much the vehicle drives, what its monitors share, what each has of its own, and one path of driving
cycles: unit-rate Poisson arrivals, by which a number of cycles becomes an amount of driving.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache

import numpy as np
import numpy.typing as npt
from scipy import special
from scipy.stats import qmc

from gateway.facts import CONTINUOUS, Monitor

Floats = npt.NDArray[np.float64]
POINTS = 512  # a power of two, as Sobol points want it
SEED = 1
PATH_CYCLES = 256
"""Past it a path goes on at its mean: by then its own scatter is 1 in 16."""
WAITING_MONITORS = tuple(one for one in Monitor if one not in CONTINUOUS)


@dataclass(frozen=True, slots=True)
class Draws:
    """`level` (points,) uniform; `shared` (points,) and `own` (monitor -> points,) standard normal;
    `path` (points, cycles + 1): arrival of the n-th driving cycle in expected cycles, 0 first.
    """

    level: Floats
    shared: Floats
    own: Mapping[Monitor, Floats]
    path: Floats

    def uniform(self, monitor: Monitor, together: float) -> Floats:
        """Uniform numbers of one monitor; two of them have the normal correlation `together`."""
        mixed = np.sqrt(together) * self.shared + np.sqrt(1 - together) * self.own[monitor]
        return np.asarray(special.ndtr(mixed), dtype=np.float64)

    def driving(self, cycles: Floats) -> Floats:
        """Driving by the end of so many cycles (points,), in expected cycles; inf stays inf."""
        inside = np.minimum(cycles, PATH_CYCLES).astype(np.intp)
        along = self.path[np.arange(len(cycles)), inside]
        return np.asarray(along + np.maximum(cycles - PATH_CYCLES, 0.0), dtype=np.float64)


@cache
def fixed_draws(points: int = POINTS, seed: int = SEED) -> Draws:
    """The points; `points` is a power of two."""
    heads = 2 + len(WAITING_MONITORS)
    u = qmc.Sobol(d=heads + PATH_CYCLES, scramble=True, rng=seed).random(points)
    u = np.clip(u, 1e-9, 1 - 1e-9)
    normal = special.ndtri(u[:, 1:heads])
    arrivals = np.cumsum(-np.log1p(-u[:, heads:]), axis=1)
    return Draws(
        level=u[:, 0],
        shared=normal[:, 0],
        own={one: normal[:, place + 1] for place, one in enumerate(WAITING_MONITORS)},
        path=np.concatenate([np.zeros((points, 1)), arrivals], axis=1),
    )
