"""Clear, or let the MIL go out: three good driving cycles (13 CCR 1968.2 (d)(2.3); B / M)."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from scipy import stats

from gateway.facts import Monitor
from ingest.domain.completion import Beta
from ingest.domain.driving_rate import Outlook
from ingest.domain.lamp_choice import after_clear
from ingest.domain.lamp_options import Advice, AfterClear, Situation, choose
from ingest.program_files import load_programs

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


def test_a_permanent_code_that_counts_asks_for_its_own_monitor_even_where_one_is_allowed() -> None:
    """Two monitors, one allowed: either suffices; with the permanent code, the code's own must run.

    Closed form over scipy's geometric waits; cycles by the date Poisson.
    """
    cycles = np.arange(0, 80)
    cat, o2 = stats.geom.cdf(cycles, 0.5), stats.geom.cdf(cycles, 0.05)
    weights = stats.poisson.pmf(cycles, 8.0)
    two: dict[str, Any] = {
        "chances": {CAT: known(0.5), O2: known(0.05)}, "all_monitors": [CAT, O2], "allowed": 1,
        "code_monitor": O2, "due": 2.0,
    }  # fmt: skip
    free = weigh(**two).options[0]
    assert free.chance == pytest.approx(float(weights @ (1 - (1 - cat) * (1 - o2))), abs=1e-4)
    bound = weigh(**two, after_clear=AfterClear(permanent_counts=True, words=("Why.",))).options[0]
    assert bound.chance == pytest.approx(float(weights @ o2), abs=1e-4)
    assert "Why." in bound.brings


def test_the_least_warm_ups_since_a_clear_are_waited_for() -> None:
    sure: dict[str, Any] = {"chances": {CAT: known(0.999999)}, "all_monitors": [CAT], "due": 2.0}
    clear = weigh(**sure, code_monitor=CAT, after_clear=AfterClear(warm_ups=5)).options[0]
    assert clear.chance == pytest.approx(float(stats.poisson.sf(4, 8.0)), abs=1e-4)


def test_what_clearing_costs_comes_from_the_program() -> None:
    """California, light duty: permanent codes from model year 2010, waived after 15 warm-ups and
    200 miles (16 CCR 3340.42.2; as in the facts file); heavy duty: 5 warm-ups since the clear.
    """
    programs = load_programs()
    light = programs["california-light-duty"]
    assert not after_clear(light, 2009).permanent_counts
    cost = after_clear(light, 2010)
    assert cost.permanent_counts
    assert "15 warm-ups and 200 miles" in cost.words[0]
    assert after_clear(programs["california-heavy-duty"], 2020).warm_ups == 5
    assert after_clear(programs["us-federal"], 2020) == AfterClear()


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
