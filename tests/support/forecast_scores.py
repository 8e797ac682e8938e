"""How good forecasts were: coverage, Brier score and CRPS with censoring, against plain ones.

Brier scores weigh by the chance of not being cut short (Graf et al., Statistics in Medicine 18,
1999); their integral over the days is the CRPS up to that day (Gneiting and Raftery, JASA 102,
2007, by thresholds). Coverage is a Kaplan-Meier estimate of the share that came by the date.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence

import numpy as np
import numpy.typing as npt
from scipy import stats

from ingest.domain.conformal import Calibration, Score, calibrate, for_group, score_of
from tests.support.habit_forecasts import BLOCK_DAYS, VEHICLE, Origin
from tests.support.habit_world import CLEAR_HOUR

Floats = npt.NDArray[np.float64]
CRPS_DAYS = 60
GRID = np.arange(CRPS_DAYS + 1.0)
AT = (7, 14, 30)
FEW = 20
Curve = Callable[[Floats], Floats]
"""The chance by the end of the depot's day so many days after that of the origin."""


def calibrations(origins: Sequence[Origin]) -> list[Mapping[str, Calibration]]:
    """For each forecast what could be learned from those before it, as they stood then."""
    found: list[Mapping[str, Calibration]] = []
    known: Mapping[str, Calibration] = {}
    block = -1
    for place, one in enumerate(origins):
        if int(one.at) // BLOCK_DAYS != block:
            block = int(one.at) // BLOCK_DAYS
            known = _learned(origins[:place], block * BLOCK_DAYS)
        found.append(known)
    return found


def _learned(past: Sequence[Origin], now: float) -> Mapping[str, Calibration]:
    scores: dict[bool, list[Score]] = {True: [], False: []}
    for number, one in enumerate(past):
        if one.at >= now:
            continue
        end = min(one.took, now - one.at)
        resolved = one.resolved and one.at + one.took <= now
        day = np.floor(end + one.at % 1)
        before, by = float(one.raw(day - 1)), float(one.raw(day))
        score = score_of(one.group, int(one.at * 1000), number, before, by, resolved)
        scores[one.group == VEHICLE].append(score)
    return {**calibrate(scores[False]), **{
        name: one for name, one in calibrate(scores[True]).items() if name
    }}  # fmt: skip


def calibrated(one: Origin, known: Mapping[str, Calibration]) -> tuple[Curve, Callable[[float], float]]:
    """The curve of one forecast and its day at a chance."""
    held = for_group(known, one.group)
    return (
        lambda days: held.chance(one.raw(days)),
        lambda chance: one.day_of(held.raw_level(chance)),
    )


# ------------------------------------------------------------------------------- the plain ones
def plug_in(one: Origin, pooled: Mapping[str, float]) -> Curve:
    """k of n, and the mean rate: as if both were known."""
    done, cycles, per_day = one.own
    chance = done / cycles if done else pooled[one.group]
    rate = -np.log1p(-min(chance, 0.999)) * per_day
    return lambda days: np.asarray(1 - np.exp(-rate * one.ends(days)))


def plug_in_by_calendar(one: Origin, pooled: Mapping[str, float]) -> Curve:
    """The same with our own outlook of weekdays and days off: what is left is the uncertainty."""
    done, cycles, _ = one.own
    chance = min(done / cycles if done else pooled[one.group], 0.999)
    return lambda days: np.asarray(1 - (1 - chance) ** one.ahead.done(one.ends(days)))


def pooled_rates(past: Sequence[Origin]) -> dict[str, float]:
    """Completions over driving cycles of all vehicles, by monitor."""
    sums: dict[str, Floats] = {}
    for one in past:
        sums[one.group] = sums.get(one.group, np.zeros(2)) + np.array(one.own[:2])
    return {name: float((k + 0.5) / (n + 1.0)) for name, (k, n) in sums.items()}


def family_waits(past: Sequence[Origin], now: float) -> dict[tuple[int, str], list[tuple[float, bool]]]:
    """Waits since the clear by (family, monitor), and by (-1, monitor) for all families."""
    found: dict[tuple[int, str], list[tuple[float, bool]]] = {}
    for one in past:
        end = min(one.took, now - one.at)
        resolved = one.resolved and one.at + one.took <= now
        wait = (float(np.floor(one.since + end + CLEAR_HOUR / 24)), resolved)
        for family in (one.family, -1):
            found.setdefault((family, one.group), []).append(wait)
    return found


def _curve(waits: Sequence[tuple[float, bool]]) -> stats._survival.EmpiricalDistributionFunction:
    data = stats.CensoredData(
        uncensored=[wait for wait, done in waits if done],
        right=[wait for wait, done in waits if not done],
    )
    return stats.ecdf(data).sf


def kaplan_meier(one: Origin, waits: Mapping[tuple[int, str], list[tuple[float, bool]]]) -> Curve:
    """The family's curve of waits since the clear, given the wait so far."""
    curve = _curve(_some(one, waits))
    waited = round(one.since)  # both at the same hour of the day
    now = max(float(curve.evaluate(waited)), 1e-9)
    return lambda days: 1 - np.minimum(np.asarray(curve.evaluate(waited + days)) / now, 1.0)


def family_median(one: Origin, waits: Mapping[tuple[int, str], list[tuple[float, bool]]]) -> Curve:
    """One day for all of a family: half of those that had waited so long were done by then."""
    curve = kaplan_meier(one, waits)
    done = np.flatnonzero(curve(GRID) >= 0.5)
    day = GRID[done[0]] if len(done) else np.inf
    return lambda days: np.where(days >= day, 1.0, 0.0)


def _some(
    one: Origin, waits: Mapping[tuple[int, str], list[tuple[float, bool]]]
) -> list[tuple[float, bool]]:
    own = waits.get((one.family, one.group), [])
    return own if len(own) >= FEW else waits.get((-1, one.group), [])


# ---------------------------------------------------------------------------------- the scores
def still_watched(origins: Sequence[Origin]) -> Curve:
    """The chance of not having been cut short by so many days (Kaplan-Meier of the cuts)."""
    curve = _curve([(one.day, not one.resolved) for one in origins])
    return lambda days: np.maximum(np.asarray(curve.evaluate(days)), 0.05)


def brier(origins: Sequence[Origin], curves: Sequence[Curve]) -> Floats:
    """The mean Brier score by the end of each of `GRID`, with weights for what was cut short."""
    kept = still_watched(origins)
    total = np.zeros(len(GRID))
    weights = kept(GRID)
    for one, curve in zip(origins, curves, strict=True):
        said = curve(GRID)
        if one.resolved:
            own = kept(np.array([one.day - 0.75]))[0]
            total += np.where(one.day <= GRID, (1 - said) ** 2 / own, 0.0)
        total += np.where(one.day > GRID, said**2 / weights, 0.0)
    return np.asarray(total / len(origins))


def by_the_day(origins: Sequence[Origin], said: Sequence[float], before: int = 0) -> float:
    """The share that came by its day (or so many days before it), by Kaplan-Meier."""
    late = [
        (one.day - min(day, 1e6), one.resolved) for one, day in zip(origins, said, strict=True)
    ]
    return 1 - float(_curve(late).evaluate(-before))
