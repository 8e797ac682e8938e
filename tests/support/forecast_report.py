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
    group: str, origins: Sequence[Origin], set_right: Sequence[Calibration], plain: Plain
) -> dict[str, Any]:
    """`said` beside `covers`: the chance that the forecasts themselves gave for their day. The
    first day with at least 90 % has more, since a day is a lump of chance.
    """
    curves = [scores.calibrated(one, two) for one, two in zip(origins, set_right, strict=True)]
    day = {level: [scores.day_at(curve, level) for curve in curves] for level in (0.1, 0.5, 0.9)}
    dated = np.flatnonzero(np.isfinite(day[0.9]))  # no date is given beyond the horizon
    some = [origins[int(place)] for place in dated]
    held = {level: [day[level][place] for place in dated] for level in day}
    at_90, at_10 = (scores.by_the_day(some, held[level]) for level in (0.9, 0.1))
    under = scores.by_the_day(some, held[0.1], before=1)
    said_90 = np.mean([curves[p](np.array([day[0.9][p]]))[0] for p in dated])
    said_50 = np.mean([curves[p](np.array([day[0.5][p]]))[0] for p in dated])
    said_under = np.mean([curves[p](np.array([day[0.1][p] - 1.0]))[0] for p in dated])
    places = scores.lumps(origins, curves)
    levels = {str(level): round(scores.below(places, level), 4) for level in _LEVELS}
    width = np.array(held[0.9]) - np.array(held[0.1])
    return {
        "forecasts": len(origins),
        "resolved": sum(one.resolved for one in origins),
        "without_a_90_date": len(origins) - len(some),
        "ready_by_90_covers": round(at_90, 4),
        "ready_by_90_said": round(float(said_90), 4),
        "ready_by_50_covers": round(scores.by_the_day(some, held[0.5]), 4),
        "ready_by_50_said": round(float(said_50), 4),
        "first_day_of_80_interval_covers": round(at_10, 4),
        "interval_80_covers": round(at_90 - under, 4),
        "interval_80_said": round(float(said_90 - said_under), 4),
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
    plug_in = scores.plug_in_whole if group == VEHICLE else scores.plug_in
    models["plug-in rate"] = [
        plug_in(one, known[0]) for one, known in zip(origins, at, strict=True)
    ]
    if group != VEHICLE:
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


LIMITS: Mapping[str, tuple[float, float]] = {
    "whole": (0.87, 0.93), "one kind": (0.84, 0.96), "interval": (0.75, 0.88)
}  # fmt: skip
"""What the 90 % day is to cover over all and for one kind of monitor, and the 80 % interval (X)."""


def outside(groups: Mapping[str, Any]) -> dict[str, dict[str, float]]:
    """The figures by whole days that lie outside of `LIMITS`, and what was said of those days.

    Where both are alike, it is the day that is coarse and not the forecast that is wrong.
    """
    found = {}
    for name, group in groups.items():
        whole = LIMITS["whole" if name in (VEHICLE, ALL) else "one kind"]
        for what, (low, high) in (("ready_by_90", whole), ("interval_80", LIMITS["interval"])):
            covers = group[f"{what}_covers"]
            if not low <= covers <= high:
                found[f"{name}: {what}"] = {
                    "covers": covers,
                    "said": group[f"{what}_said"],
                    "limit": high if covers > high else low,
                }
    return found
