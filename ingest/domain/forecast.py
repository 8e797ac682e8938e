"""When the monitors of a vehicle will be complete: a distribution over an amount of driving.

Each monitor's wait is beta-geometric in driving cycles (`completion`), conditioned on the wait so
far. Monitors share their driving cycles: the same path of cycles and the same level of driving, and
a Gaussian copula for what else makes a driving cycle good for several at once. What the program
needs is an order statistic of the waits, not their maximum. The calendar enters last, by the
vehicle's own weekdays and its plan (`driving_rate.Outlook`).
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy import special

from gateway.facts import Monitor
from ingest.domain.completion import Beta
from ingest.domain.draws import Draws
from ingest.domain.driving_rate import Outlook
from ingest.domain.order_statistics import enough

Floats = npt.NDArray[np.float64]
TOGETHER = 0.2
"""Normal correlation of two waits beyond the driving they share (assumption, no source)."""


@dataclass(frozen=True, slots=True)
class Rule:
    """What a program needs. `must`: to be complete in any case (a retest). `may`: the only ones
    that may be incomplete, where the program names them; else any `allowed` of them.
    """

    allowed: int = 0
    must: frozenset[Monitor] = frozenset()
    may: frozenset[Monitor] | None = None


@dataclass(frozen=True, slots=True)
class Ready:
    """When one thing will be so: `driving` (points,), sorted, in expected cycles from now."""

    driving: Floats

    def raw_chance(self, cycles: npt.ArrayLike) -> Floats:
        """Chance that it is so by so many expected driving cycles; any shape, uncalibrated."""
        found = np.searchsorted(self.driving, np.asarray(cycles, dtype=np.float64), side="right")
        return np.asarray(found / len(self.driving), dtype=np.float64)

    def driving_for(self, level: float) -> float:
        """The least expected driving cycles by which the raw chance is `level`; inf if none."""
        place = int(np.ceil(level * len(self.driving) - 1e-9)) - 1
        return float(self.driving[min(max(place, 0), len(self.driving) - 1)])

    def day(self, level: float, outlook: Outlook) -> float:
        """Days from now by which the raw chance is `level`; inf beyond the outlook."""
        return float(outlook.moment(np.array([self.driving_for(level)]))[0])


def chance_words(chance: float) -> str:
    """The chance in percent; never 0 or 100 % of what is not so yet."""
    if chance > 0.99:
        return "over 99%"
    return "under 1%" if chance < 0.01 else f"{chance:.0%}"


def driving_needed(
    waiting: Mapping[Monitor, Beta], shape: float, draws: Draws, together: float = TOGETHER
) -> dict[Monitor, Floats]:
    """Expected driving cycles until each monitor is complete, point by point: (points,) each.

    `waiting` holds the chance per driving cycle after the wait so far; `shape` is that of the
    Gamma level of driving.
    """
    level = special.gammaincinv(shape, draws.level) / shape
    return {
        one: draws.driving(chance.wait(draws.uniform(one, together))) / level
        for one, chance in waiting.items()
    }


def whole(needed: Mapping[Monitor, Floats], rule: Rule) -> Floats | None:
    """Driving until the program has what it needs, point by point; None when it has it now.

    `needed` holds the monitors that count and are not complete. One that cannot complete stands
    in it with inf.
    """
    waits: list[Floats] = [needed[one] for one in rule.must if one in needed]
    if rule.may is None:
        if len(needed) > rule.allowed:
            waits.append(enough(np.column_stack(list(needed.values())), rule.allowed))
    else:
        waits += [each for one, each in needed.items() if one not in rule.may]
    return np.max(np.column_stack(waits), axis=1) if waits else None


def ready(driving: Floats) -> Ready:
    """A distribution from its points."""
    return Ready(np.sort(driving))


def blocked(monitors: Iterable[Monitor], draws: Draws) -> dict[Monitor, Floats]:
    """Monitors that will not complete by driving on."""
    return {one: np.full(len(draws.level), np.inf) for one in monitors}
