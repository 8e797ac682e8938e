"""Forecasts of a fleet whose monitors run on conditions: coverage, and scores of plain ones.

The targets are this project's own (X). The fleet of the long form has a seed that nothing was
weighed on; weights were set on seed 1. Coverage is told three times. By the moment: where in its
forecast an outcome lies, the lump of its day spread evenly (the probability integral transform for
counts: Czado, Gneiting, Held, Biometrics 65, 2009); this is held to the targets. By the date: a day
is a lump of chance, so the first day with at least 90 % has more than that, most of all for a
monitor that needs a day or two, and an interval of whole days more than 80 %. And what the
forecasts themselves said of those dates: a date may cover more than its target, by so much as was
said of it and no more.
"""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from tests.support.forecast_report import ALL, GROUPS, LIMITS, gains, outside, report
from tests.support.habit_forecasts import VEHICLE, forecasts
from tests.support.habit_world import DAYS, MONITORS, lives

RESULTS = Path(__file__).parents[2] / "bench" / "results" / "forecast.json"
BETTER = 0.05


def test_the_fleet_of_habits_flips_no_coins_for_its_monitors() -> None:
    """The same vehicle driven again completes in the same driving cycles; another seed differs."""
    first, again, other = (next(lives(1, seed, shifted=False)) for seed in (5, 5, 6))
    for one in MONITORS:
        assert np.array_equal(first.met[one], again.met[one])
    assert len(first.begin) != len(other.begin) or not np.allclose(first.begin, other.begin)
    for life in lives(60, 7, shifted=True):
        assert np.all(life.begin[1:] >= life.end[:-1] - 1e-9)  # one driving cycle at a time
        assert not len(life.begin) or life.begin.max() < DAYS + 1


@pytest.mark.parametrize("shifted", [False, True], ids=["steady", "shifted"])
def test_forecasts_hold_in_a_small_fleet(shifted: bool) -> None:
    found = report(forecasts(300, 3, shifted=shifted))
    for name in (VEHICLE, ALL):
        group = found[name]
        assert group["resolved"] >= 100
        # n of a few hundred: three standard errors of 90 % are five points (binomial; X).
        assert group["by_moment"]["below"]["0.9"] == pytest.approx(0.90, abs=0.06)
        assert group["by_moment"]["below"]["0.5"] == pytest.approx(0.50, abs=0.10)
        assert group["ready_by_90_covers"] >= LIMITS["whole"][0]
        for what in ("ready_by_90", "ready_by_50", "interval_80"):
            assert group[f"{what}_covers"] == pytest.approx(group[f"{what}_said"], abs=0.05), what
        for plain, better in gains(group).items():
            assert better["crps_days"] >= BETTER, plain


@pytest.mark.long
def test_forecasts_of_a_large_fleet() -> None:
    vehicles, seed = 2000, 20
    found: dict[str, Any] = {
        "seed": seed, "vehicles": vehicles, "days": DAYS,
        "judged": "forecasts from day 90 on, by what was learned before each",
        "world": "monitors run on soak, tank, air, engine time and steady road; invented habits",
        "not_known_to_the_plain_forecasts": "planned days off and weekdays (but: by our calendar)",
    }  # fmt: skip
    for name, shifted in (("steady", False), ("shifted", True)):
        groups = report(forecasts(vehicles, seed, shifted=shifted))
        found[name] = {
            group: {**groups[group], "better_by": gains(groups[group])} for group in GROUPS
        }
        found[f"{name}_by_whole_days_outside_the_target"] = outside(groups)
    RESULTS.write_text(json.dumps(found, indent=1) + "\n", encoding="utf-8")
    for name in ("steady", "shifted"):
        _good(found[name])


def _good(groups: dict[str, Any]) -> None:
    for name, group in groups.items():
        said = (name, group)
        assert group["forecasts"] >= 500, said
        moment = group["by_moment"]
        low, high = LIMITS["whole" if name in (VEHICLE, ALL) else "one kind"]
        assert low <= moment["below"]["0.9"] <= high, said
        assert LIMITS["interval"][0] <= moment["interval_80"] <= LIMITS["interval"][1], said
        assert group["ready_by_90_covers"] >= low, said
        # Three standard errors of 90 % with 700 forecasts (binomial; X).
        for what in ("ready_by_90", "interval_80"):
            assert group[f"{what}_covers"] == pytest.approx(group[f"{what}_said"], abs=0.035), said
        for better in group["better_by"].values():
            assert all(one >= BETTER for one in better.values()), said
