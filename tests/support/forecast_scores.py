"""How good forecasts were: coverage, Brier score and CRPS with censoring, against plain ones.

Brier scores weigh by the chance of not being cut short (Graf et al., Statistics in Medicine 18,
1999); their integral over the days is the CRPS up to that day (Gneiting and Raftery, JASA 102,
2007, by thresholds). Coverage is a Kaplan-Meier estimate of the share that came by the date.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from typing import Any

import numpy as np
import numpy.typing as npt
from scipy import stats

from ingest.domain.conformal import Calibration, Score, for_group, score_of
from ingest.domain.hindsight import calibrations as learn_calibrations
from tests.support.habit_forecasts import Origin
from tests.support.habit_world import CLEAR_HOUR

Floats = npt.NDArray[np.float64]
CRPS_DAYS = 60
GRID = np.arange(CRPS_DAYS + 1.0)
AT = (7, 14, 30)
FEW = 20
BLOCK_DAYS = 10
"""Calibrations, and what the plain forecasts know, are learned anew so often."""
Waits = Mapping[tuple[int, str], list[tuple[float, bool]]]
Curve = Callable[[Floats], Floats]
"""The chance by the end of the depot's day so many days after that of the origin."""


def calibrations(origins: Sequence[Origin]) -> list[Calibration]:
    """For each forecast what could be learned from those before it, as they stood then."""
    found: list[Calibration] = []
    known: Mapping[str, Calibration] = {}
    block = -1
    for place, one in enumerate(origins):
        if int(one.at) // BLOCK_DAYS != block:
            block = int(one.at) // BLOCK_DAYS
            known = _learned(origins[:place], block * BLOCK_DAYS)
        found.append(for_group(known, one.group))
    return found


def _learned(past: Sequence[Origin], now: float) -> Mapping[str, Calibration]:
    scores: list[Score] = []
    for number, one in enumerate(past):
        if one.at >= now:
            continue
        end = min(one.took, now - one.at)
        resolved = one.resolved and one.at + one.took <= now
        day = np.floor(end + one.at % 1)
        before, by = float(one.raw(day - 1)), float(one.raw(day))
        scores.append(score_of(one.group, int(one.at * 1000), number, before, by, resolved))
    return learn_calibrations(scores)


def calibrated(one: Origin, held: Calibration) -> Curve:
    """The curve of one forecast, set right."""
    return lambda days: held.chance(one.raw(days))


# ------------------------------------------------------------------------------- the plain ones
def plug_in(one: Origin, pooled: Mapping[str, float]) -> Curve:
    """k of n, and the mean rate: as if both were known."""
    return _at_a_rate(one, one.own, pooled[one.group])


def _at_a_rate(one: Origin, own: tuple[float, float, float], pooled: float) -> Curve:
    done, cycles, per_day = own
    rate = -np.log1p(-min(done / cycles if done else pooled, 0.999)) * per_day
    return lambda days: np.asarray(1 - np.exp(-rate * one.ends(days)))


def plug_in_whole(one: Origin, pooled: Mapping[str, float]) -> Curve:
    """The same for a vehicle: all of its monitors but one, each for itself (X)."""
    curves = [_at_a_rate(one, own, pooled[name]) for name, own in one.parts.items()]

    def chance(days: Floats) -> Floats:
        done = np.array([curve(days) for curve in curves])
        others = np.array([np.delete(done, n, axis=0).prod(axis=0) for n in range(len(done))])
        return np.asarray(done.prod(axis=0) + ((1 - done) * others).sum(axis=0))

    return chance


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


def family_waits(past: Sequence[Origin], now: float) -> Waits:
    """Waits since the clear by (family, monitor), and by (-1, monitor) for all families."""
    found: dict[tuple[int, str], list[tuple[float, bool]]] = {}
    for one in past:
        end = min(one.took, now - one.at)
        resolved = one.resolved and one.at + one.took <= now
        wait = (float(np.floor(one.since + end + CLEAR_HOUR / 24)), resolved)
        for family in (one.family, -1):
            found.setdefault((family, one.group), []).append(wait)
    return found


def _survival(waits: Sequence[tuple[float, bool]]) -> Curve:
    data: stats.CensoredData[Any] = stats.CensoredData(
        uncensored=[wait for wait, done in waits if done],
        right=[wait for wait, done in waits if not done],
    )
    sf = stats.ecdf(data).sf
    return lambda days: np.asarray(sf.evaluate(days), dtype=np.float64)


def kaplan_meier(one: Origin, waits: Waits) -> Curve:
    """The family's curve of waits since the clear, given the wait so far."""
    curve = _survival(_some(one, waits))
    waited = round(one.since)  # both at the same hour of the day
    now = max(float(curve(np.array(waited))), 1e-9)
    return lambda days: 1 - np.minimum(curve(waited + days) / now, 1.0)


def family_median(one: Origin, waits: Waits) -> Curve:
    """One day for all of a family: half of those that had waited so long were done by then."""
    curve = kaplan_meier(one, waits)
    done = np.flatnonzero(curve(GRID) >= 0.5)
    day = GRID[done[0]] if len(done) else np.inf
    return lambda days: np.where(days >= day, 1.0, 0.0)


def _some(one: Origin, waits: Waits) -> list[tuple[float, bool]]:
    own = waits.get((one.family, one.group), [])
    return own if len(own) >= FEW else waits.get((-1, one.group), [])


# ---------------------------------------------------------------------------------- the scores
def still_watched(origins: Sequence[Origin]) -> Curve:
    """The chance of not having been cut short by so many days (Kaplan-Meier of the cuts)."""
    curve = _survival([(one.day, not one.resolved) for one in origins])
    return lambda days: np.maximum(curve(days), 0.05)


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
    late = [(one.day - min(day, 1e6), one.resolved) for one, day in zip(origins, said, strict=True)]
    return 1 - float(_survival(late)(np.array(-float(before))))


def lumps(origins: Sequence[Origin], curves: Sequence[Curve]) -> list[tuple[float, bool]]:
    """Where each outcome lies in its forecast, within the lump of its day spread evenly.

    Uniform when forecasts are right (Czado, Gneiting, Held, Biometrics 65, 2009).
    """
    found = []
    for number, (one, curve) in enumerate(zip(origins, curves, strict=True)):
        last = float(np.floor(one.day))
        before, by = curve(np.array([last - 1, last]))
        share = number * 0.6180339887498949 % 1.0 if one.resolved else 0.0
        found.append((float(before + share * (by - before)), one.resolved))
    return found


def below(places: Sequence[tuple[float, bool]], level: float) -> float:
    """The share of outcomes below a level of their forecasts, by Kaplan-Meier."""
    return 1 - float(_survival(places)(np.array(level)))


def day_at(curve: Curve, chance: float, horizon: int = 180) -> float:
    """The first depot day by whose end the chance is reached; inf beyond the horizon."""
    said = curve(np.arange(horizon + 1.0))
    place = int(np.searchsorted(said, chance - 1e-9))
    return float(place) if place <= horizon else float("inf")


def reliability(
    origins: Sequence[Origin], curves: Sequence[Curve], day: float, bins: int = 10
) -> list[dict[str, float]]:
    """Chances given by a day against the share that came by then, in bins of the chance."""
    kept = still_watched(origins)
    at_day = float(kept(np.array(day)))
    said = np.array([float(curve(np.array([day]))[0]) for curve in curves])
    came = np.array([one.resolved and one.day <= day for one in origins])
    known = came | np.array([one.day > day for one in origins])
    when = np.array([min(one.day - 0.75, day) for one in origins])
    weight = np.where(came, 1 / kept(when), 1 / at_day) * known
    found = []
    for low in np.arange(bins) / bins:
        mine = (said >= low) & (said < low + 1 / bins + (1e-9 if low > 0.89 else 0.0))
        if weight[mine].sum() > 0:
            share = float((weight * came)[mine].sum() / weight[mine].sum())
            mean = float((weight * said)[mine].sum() / weight[mine].sum())
            found.append({"said": round(mean, 4), "came": round(share, 4), "n": int(mine.sum())})
    return found
