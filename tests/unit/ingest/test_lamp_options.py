"""Clear, or let the MIL go out: three good driving cycles (13 CCR 1968.2 (d)(2.3); B / M)."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from scipy import stats

from gateway.facts import Monitor
from ingest.domain.completion import Beta
from ingest.domain.driving_rate import Outlook
from ingest.domain.lamp_options import Advice, Situation, choose

CAT, EVAP, O2 = Monitor.CATALYST, Monitor.EVAPORATIVE_SYSTEM, Monitor.OXYGEN_SENSOR
ROAD = Outlook(np.array([0.0, 60.0]), np.array([0.0, 240.0]))
CERTAIN_LEVEL = 1e7
SURE = 1e7


def known(p: float) -> Beta:
    return Beta(p * SURE, (1 - p) * SURE)


def weigh(due: float = 10.0, **changes: Any) -> Advice:
    values: dict[str, Any] = {
        "chances": {CAT: known(0.5), EVAP: known(0.05), O2: known(0.6)},
        "all_monitors": [CAT, EVAP, O2], "waiting": [], "allowed": 0, "code_monitor": O2,
        "repaired": True, "frame_saved": True,
    }  # fmt: skip
    return choose(Situation(**(values | changes)), ROAD, CERTAIN_LEVEL, due)


def test_the_lamp_goes_out_after_three_good_cycles_negative_binomially() -> None:
    """With p known: P(third success by cycle n) = scipy's nbinom, cycles by the date Poisson."""
    wait = weigh(due=2.0).options[1]
    cycles = np.arange(0, 60)
    third = np.where(cycles >= 3, stats.nbinom.cdf(cycles - 3, 3, 0.6), 0.0)
    wanted = float(np.sum(stats.poisson.pmf(cycles, 8.0) * third))
    assert wait.chance == pytest.approx(wanted, abs=1e-4)


def test_clearing_waits_for_every_monitor_again() -> None:
    clear = weigh(due=2.0).options[0]
    cycles = np.arange(0, 80)
    done = np.ones(80)
    for p in (0.5, 0.05, 0.6):
        done = done * stats.geom.cdf(cycles, p)
    wanted = float(np.sum(stats.poisson.pmf(cycles, 8.0) * done))
    assert clear.chance == pytest.approx(wanted, abs=1e-4)
    assert clear.days_50 is not None
    assert clear.days_90 is not None
    assert clear.days_50 < clear.days_90


@pytest.mark.parametrize(
    "changes, recommended, words",
    [
        pytest.param({}, "wait", "Do not clear", id="what is complete is kept"),
        pytest.param({"repaired": False}, None, "No repair is recorded", id="never unrepaired"),
        pytest.param({"due": 0.2}, None, "Neither way", id="both miss the due date"),
        pytest.param(
            {"chances": {CAT: known(0.9), EVAP: known(0.9), O2: known(0.05)}, "allowed": 1},
            "clear", "Clear after the repair", id="a code whose monitor seldom runs",
        ),
        pytest.param(
            {"chances": {CAT: known(0.9), EVAP: known(0.9), O2: known(0.05)}, "allowed": 1,
             "frame_saved": False}, None, "no freeze frame", id="never without the freeze frame",
        ),
    ],
)  # fmt: skip
def test_the_recommendation(changes: dict[str, Any], recommended: str | None, words: str) -> None:
    advice = weigh(**changes)
    assert advice.recommended == recommended
    assert words in advice.reason


def test_a_monitor_without_a_chance_is_refused() -> None:
    with pytest.raises(ValueError, match="chances: none of catalyst"):
        weigh(chances={EVAP: known(0.5), O2: known(0.5)})
