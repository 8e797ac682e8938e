"""The figures of a fleet's forecasts: out of time, by kind of monitor, against plain forecasts."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np

from ingest.domain.conformal import Calibration
from tests.support import forecast_scores as scores
from tests.support.forecast_scores import AT, BLOCK_DAYS, Curve, Waits
from tests.support.habit_forecasts import VEHICLE, Origin
from tests.support.habit_world import MONITORS

FROM_DAY = 90
"""Forecasts from this day on are judged, by what was learned before each."""
ALL = "all monitors"
GROUPS = (VEHICLE, ALL, *(one.value for one in MONITORS))
Plain = Mapping[int, tuple[Mapping[str, float], Waits]]


def report(origins: Sequence[Origin]) -> dict[str, Any]:
    """Every figure, by group."""
    held = scores.calibrations(origins)
    late = [place for place, one in enumerate(origins) if one.at >= FROM_DAY]
    plain = _plain(origins, late)
    found = {}
    for group in GROUPS:
        chosen = [
            (origins[place], held[place])
            for place in late
            if (origins[place].group == group) or (group == ALL and origins[place].group != VEHICLE)
        ]
        found[group] = _group(group, [one for one, _ in chosen], [two for _, two in chosen], plain)
    return found


def _plain(origins: Sequence[Origin], late: Sequence[int]) -> Plain:
    found = {}
    for place in late:
        block = int(origins[place].at) // BLOCK_DAYS
        if block not in found:
            past = [one for one in origins[:place] if one.at < block * BLOCK_DAYS]
            waits = scores.family_waits(past, block * BLOCK_DAYS)
            found[block] = (scores.pooled_rates(past), waits)
    return found


def _group(
    group: str, origins: Sequence[Origin], held: Sequence[Calibration], plain: Plain
) -> dict[str, Any]:
    curves = [scores.calibrated(one, two) for one, two in zip(origins, held, strict=True)]
    day = {level: [scores.day_at(curve, level) for curve in curves] for level in (0.1, 0.5, 0.9)}
    at_90, at_10 = (scores.by_the_day(origins, day[level]) for level in (0.9, 0.1))
    under = scores.by_the_day(origins, day[0.1], before=1)
    places = scores.lumps(origins, curves)
    levels = {str(level): round(scores.below(places, level), 4) for level in _LEVELS}
    width = np.minimum(day[0.9], 180.0) - np.minimum(day[0.1], 180.0)
    return {
        "forecasts": len(origins),
        "resolved": sum(one.resolved for one in origins),
        "ready_by_90_covers": round(at_90, 4),
        "ready_by_50_covers": round(scores.by_the_day(origins, day[0.5]), 4),
        "first_day_of_80_interval_covers": round(at_10, 4),
        "interval_80_covers": round(at_90 - under, 4),
        "interval_80_median_days": float(np.median(width)),
        "by_moment": {
            "below": levels,
            "interval_80": round(levels["0.9"] - levels["0.1"], 4),
        },
        "scores": _scores(group, origins, curves, plain),
        "reliability_14_days": scores.reliability(origins, curves, 14.0),
    }


_LEVELS = (0.05, 0.1, 0.25, 0.5, 0.75, 0.9, 0.95)


def _scores(
    group: str, origins: Sequence[Origin], curves: Sequence[Curve], plain: Plain
) -> dict[str, Any]:
    at = [plain[int(one.at) // BLOCK_DAYS] for one in origins]
    models: dict[str, list[Curve]] = {
        "ours": list(curves),
        "ours, not calibrated": [one.raw for one in origins],
        "family Kaplan-Meier": [
            scores.kaplan_meier(one, known[1]) for one, known in zip(origins, at, strict=True)
        ],
        "family median": [
            scores.family_median(one, known[1]) for one, known in zip(origins, at, strict=True)
        ],
    }
    if group != VEHICLE:  # a plug-in rate is one monitor's
        models["plug-in rate"] = [
            scores.plug_in(one, known[0]) for one, known in zip(origins, at, strict=True)
        ]
        models["plug-in rate by our calendar"] = [
            scores.plug_in_by_calendar(one, known[0])
            for one, known in zip(origins, at, strict=True)
        ]
    found: dict[str, Any] = {}
    for name, said in models.items():
        each = scores.brier(origins, said)
        found[name] = {
            "crps_days": round(float(each.sum()), 4),
            **{f"brier_{days}": round(float(each[days]), 5) for days in AT},
        }
    return found


def gains(group: Mapping[str, Any]) -> dict[str, dict[str, float]]:
    """How much better ours is than each plain one: 0.05 is 5 %; scores near nothing left out."""
    ours = group["scores"]["ours"]
    return {
        name: {
            what: round(1 - ours[what] / value, 4)
            for what, value in score.items()
            if value >= _NOTHING
        }
        for name, score in group["scores"].items()
        if name in ("family Kaplan-Meier", "family median", "plug-in rate")
    }


_NOTHING = 0.005
"""A Brier score this small is nearly all zeros: no ratio of it says anything."""
