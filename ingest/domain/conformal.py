"""Forecasts set right by how earlier ones came out: rolling, by monitor, censored ones kept.

A score is the chance that the forecast had given by the moment the monitor completed: uniform
where forecasts are right. The level that holds is the quantile of past scores (distributional
conformal prediction: Chernozhukov, Wuethrich, Zhu, PNAS 118, 2021; split conformal with its
(n + 1) / n). A wait that was cut short (codes cleared again, vehicle gone, not over yet) is a score
of at least so much: the quantiles are those of Kaplan and Meier (1958), `scipy.stats.ecdf`.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy import stats

Floats = npt.NDArray[np.float64]
LEVELS = (0.05, 0.1, 0.2, 0.3, 0.4, 0.5, 0.6, 0.7, 0.8, 0.85, 0.9, 0.95, 0.98)
ENOUGH = 100
"""Fewer resolved in a group: all groups together (X)."""
FEW = 50
"""Fewer resolved in all: forecasts stand as they are (X)."""
_GOLDEN = (5**0.5 - 1) / 2
LATEST = 500
"""A group's latest so many count, as habits shift (X)."""


@dataclass(frozen=True, slots=True)
class Score:
    """The chance given by the moment of completion, or (not `resolved`) by the last look.

    `at` orders scores by when the forecast was made (epoch ms).
    """

    group: str
    at: int
    chance: float
    resolved: bool


def score_of(group: str, at: int, number: int, before: float, by: float, resolved: bool) -> Score:
    """The score of a forecast whose day is known: somewhere in that day's share of the chance.

    `before` and `by` are the chances given by the end of the day before and of the day itself (of
    the last day looked at, when not resolved). Where in between is spread evenly by `number`
    (multiples of the golden ratio, no dice), so that the scores of right forecasts are uniform
    although a day is a lump (Czado, Gneiting, Held, Biometrics 65, 2009).
    """
    share = (number * _GOLDEN) % 1.0 if resolved else 0.0
    return Score(group, at, before + share * (by - before), resolved)


@dataclass(frozen=True, slots=True)
class Calibration:
    """For each of `LEVELS` the raw level that came true so often; `basis` says from what."""

    raw: tuple[float, ...] = LEVELS
    resolved: int = 0
    basis: str = "not checked against outcomes yet: too few forecasts have come due"

    def raw_level(self, chance: float) -> float:
        """The raw level to ask for, so that it comes true with this chance."""
        return float(np.interp(chance, (0.0, *LEVELS, 1.0), (0.0, *self.raw, 1.0)))

    def chance(self, raw: npt.ArrayLike) -> Floats:
        """The chance that a raw chance comes to. Any shape."""
        knots = np.maximum.accumulate(np.array((0.0, *self.raw, 1.0)))
        knots = knots + np.arange(len(knots)) * 1e-12  # where the map is flat, its right end
        said = np.interp(np.asarray(raw, dtype=np.float64), knots, (0.0, *LEVELS, 1.0))
        return np.asarray(said, dtype=np.float64)


AS_IT_IS = Calibration()


def quantile_levels(scores: Sequence[Score]) -> tuple[float, ...]:
    """The Kaplan-Meier quantiles of scores at `LEVELS`, each with (n + 1) / n; 1.0 if not reached.

    Raises ValueError without a resolved score.
    """
    exact = [one.chance for one in scores if one.resolved]
    if not exact:
        raise ValueError("scores: none resolved, expected at least one")
    lower = [one.chance for one in scores if not one.resolved]
    curve = stats.ecdf(stats.CensoredData(uncensored=exact, right=lower)).cdf
    n = len(exact)
    wanted = np.minimum(np.array(LEVELS) * (n + 1) / n, 1.0)
    place = np.searchsorted(curve.probabilities, wanted - 1e-12, side="left")
    known = np.append(curve.quantiles, 1.0)
    return tuple(float(one) for one in known[np.minimum(place, len(known) - 1)])


def calibrate(scores: Sequence[Score]) -> Mapping[str, Calibration]:
    """A calibration for each group; the key "" holds that of all groups together."""
    groups: dict[str, list[Score]] = {"": []}
    for one in sorted(scores, key=lambda score: score.at):
        groups.setdefault(one.group, []).append(one)
        groups[""].append(one)
    return {
        name: _fitted(found[-LATEST:], name.replace("_", " ") or "all monitors together")
        for name, found in groups.items()
        if sum(one.resolved for one in found[-LATEST:]) >= (ENOUGH if name else FEW)
    }


def for_group(known: Mapping[str, Calibration], group: str) -> Calibration:
    """The group's own, else that of all together, else none."""
    return known.get(group) or known.get("") or AS_IT_IS


def _fitted(scores: Sequence[Score], name: str) -> Calibration:
    resolved = sum(one.resolved for one in scores)
    cut = len(scores) - resolved
    basis = f"checked against {resolved} forecasts that came due and {cut} cut short ({name})"
    return Calibration(quantile_levels(scores), resolved, basis)
