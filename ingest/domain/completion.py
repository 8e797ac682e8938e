"""How many driving cycles a monitor still needs: beta-geometric waiting.

A monitor completes on a driving cycle with a chance p of its own; p is not known, and its
uncertainty is a Beta distribution. The wait is then beta-geometric: with N the cycle on which it
completes, P(N > n) = B(a, b + n) / B(a, b). A wait so far of c cycles without completion is
evidence like any other: Beta(a, b + c), so that a forecast moves out while nothing happens.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy import optimize, special, stats

Floats = npt.NDArray[np.float64]
MIN_VEHICLES = 30  # below it the fleet's own prior is not fitted (method note; X)
MAX_CYCLES = 2048  # a wait beyond is "not within the horizon"


@dataclass(frozen=True, slots=True)
class Beta:
    """What is known of a completion chance per driving cycle. `a`, `b` > 0; `basis` says why."""

    a: float
    b: float
    basis: str = ""

    def __post_init__(self) -> None:
        if not (self.a > 0 and self.b > 0):
            raise ValueError(f"a={self.a!r}, b={self.b!r}: expected both above 0")

    @property
    def mean(self) -> float:
        """The expected chance per driving cycle."""
        return self.a / (self.a + self.b)

    def after(self, completed: float, cycles: float) -> Beta:
        """Having seen `completed` completions in `cycles` driving cycles (weights may be < 1)."""
        if not 0 <= completed <= cycles:
            raise ValueError(f"completed={completed!r} of cycles={cycles!r}: expected 0 to cycles")
        return Beta(self.a + completed, self.b + cycles - completed, self.basis)

    def survival(self, cycles: npt.ArrayLike) -> Floats:
        """Chance of still being incomplete after so many cycles. Any shape; cycles >= 0."""
        n = np.asarray(cycles, dtype=np.float64)
        log = special.betaln(self.a, self.b + n) - special.betaln(self.a, self.b)
        return np.asarray(np.exp(log), dtype=np.float64)

    def cycles_until(self, chance: float) -> int:
        """The fewest driving cycles after which it is complete with at least this chance."""
        if not 0 < chance < 1:
            raise ValueError(f"chance={chance!r}: expected above 0 and below 1")
        low, high = 0, 1
        while self.survival(high) > 1 - chance:
            low, high = high, high * 2
        while high - low > 1:
            middle = (low + high) // 2
            low, high = (middle, high) if self.survival(middle) > 1 - chance else (low, middle)
        return high

    def wait(self, u: Floats) -> Floats:
        """The wait in driving cycles (1, 2, ...) at uniform numbers `u`; inf past MAX_CYCLES."""
        steps = np.arange(MAX_CYCLES, dtype=np.float64)
        done = 1.0 - np.cumprod((self.b + steps) / (self.a + self.b + steps))
        place = np.searchsorted(done, u, side="left")
        return np.where(place < MAX_CYCLES, place + 1.0, np.inf)


def fit_prior(
    completed: Sequence[float] | Floats, cycles: Sequence[float] | Floats, basis: str
) -> Beta | None:
    """The Beta that a fleet's vehicles were drawn from, by beta-binomial maximum likelihood.

    `completed[i]` of `cycles[i]` for vehicle i. None below `MIN_VEHICLES` vehicles with cycles.
    """
    k, n = np.asarray(completed, dtype=np.float64), np.asarray(cycles, dtype=np.float64)
    k, n = np.floor(k[n >= 1]), np.floor(n[n >= 1])
    if len(n) < MIN_VEHICLES:
        return None

    def loss(theta: Floats) -> float:
        mean, strength = special.expit(theta[0]), np.exp(theta[1])
        a, b = mean * strength, (1 - mean) * strength
        return float(-np.sum(stats.betabinom.logpmf(k, n, a, b)))

    share = min(max(float(k.sum() / n.sum()), 1e-3), 1 - 1e-3)
    start = np.array([special.logit(share), np.log(4.0)])
    span = [(-8.0, 8.0), (np.log(0.3), np.log(500.0))]
    found = optimize.minimize(loss, start, method="L-BFGS-B", bounds=span)
    mean, strength = float(special.expit(found.x[0])), float(np.exp(found.x[1]))
    words = f"{basis}: fitted from {len(n)} vehicles"
    return Beta(mean * strength, (1 - mean) * strength, words)
