"""The reliability of forecasts as a picture, from the figures of their long form.

    python -m tests.bench.plot_reliability

Reads results/forecast.json and writes results/reliability.png. On the left the chance given that a
monitor (or the vehicle) is complete within 14 days, against the share that was; on the right how
often the outcome came before the moment at each level. On the line, forecasts hold.
"""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import matplotlib as mpl

mpl.use("Agg")
from matplotlib import pyplot as plt

RESULTS = Path(__file__).parent / "results"
WORLDS = (("steady", "habits stay"), ("shifted", "habits shift half-way"))
GROUPS = (("vehicle", "vehicle ready", "o"), ("all monitors", "monitor complete", "s"))
FEW = 20
"""A bin of fewer forecasts is drawn hollow: it says little."""


def draw(found: dict[str, Any], to: Path) -> None:
    """Draw both worlds, one row each, into a file."""
    figure, axes = plt.subplots(2, 2, figsize=(10, 9.5), layout="constrained")
    for row, (world, words) in zip(axes, WORLDS, strict=True):
        _by_chance(row[0], found[world])
        _by_level(row[1], found[world])
        row[0].set_title(f"{words}: chance given for 14 days ahead")
        row[1].set_title(f"{words}: moments at each level")
    figure.suptitle(
        f"{found['vehicles']:,} simulated vehicles, {found['days']} days, seed {found['seed']}; "
        f"{found['judged']}"
    )
    figure.savefig(to, dpi=110)
    plt.close(figure)


def _by_chance(axis: Any, groups: dict[str, Any]) -> None:
    for name, label, mark in GROUPS:
        bins = groups[name]["reliability_14_days"]
        line = axis.plot([b["said"] for b in bins], [b["came"] for b in bins], lw=1)[0]
        for one in bins:
            fill = line.get_color() if one["n"] >= FEW else "white"
            axis.plot(
                one["said"], one["came"], mark, mfc=fill, mec=line.get_color(),
                ms=4 + min(one["n"], 2000) ** 0.5 / 5,
            )  # fmt: skip
        axis.plot([], [], mark, color=line.get_color(), label=label)
    _frame(axis, "chance given", "share that came (weighed for waits cut short)")


def _by_level(axis: Any, groups: dict[str, Any]) -> None:
    for name, label, mark in GROUPS:
        levels = groups[name]["by_moment"]["below"]
        said, came = [float(one) for one in levels], list(levels.values())
        axis.plot(said, came, mark + "-", lw=1, label=f"{label}, by the moment")
        days = [0.5, 0.9]
        held = [groups[name][f"ready_by_{round(100 * one)}_covers"] for one in days]
        axis.plot(days, held, mark, mfc="none", ms=10, color="black", label=f"{label}, by the day")
    _frame(axis, "level of the forecast", "share that came by then (Kaplan-Meier)")


def _frame(axis: Any, across: str, up: str) -> None:
    axis.plot([0, 1], [0, 1], color="gray", ls=":", lw=1, zorder=0)
    axis.set(xlim=(-0.02, 1.02), ylim=(-0.02, 1.02), xlabel=across, ylabel=up, aspect="equal")
    axis.legend(loc="upper left", fontsize=8)


def main() -> None:
    """Read the figures and draw them."""
    found = json.loads((RESULTS / "forecast.json").read_text(encoding="utf-8"))
    draw(found, RESULTS / "reliability.png")
    print(RESULTS / "reliability.png")


if __name__ == "__main__":
    main()
