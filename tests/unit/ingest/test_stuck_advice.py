"""Advice, the depot's line, the allowance, the season (choices of this project; X)."""

from __future__ import annotations

from datetime import UTC, date, datetime
from zoneinfo import ZoneInfo

import pytest

from gateway.facts import Monitor
from ingest.domain.cycles import Cycle
from ingest.domain.evap_season import cold_starts, mild_share, season_begins, season_words
from ingest.domain.stuck_advice import ADVICE, CAUTION, allowance_advice, depot_line
from ingest.domain.stuck_causes import Cause, Found

CAT, EVAP = Monitor.CATALYST, Monitor.EVAPORATIVE_SYSTEM


def test_every_cause_has_its_advice_and_the_cautions_stand() -> None:
    assert set(ADVICE) == set(Cause)
    assert "flashing lamp" in CAUTION
    assert "traffic law" in CAUTION


@pytest.mark.parametrize(
    "fuel, others, told",
    [
        pytest.param(9, 5, True, id="9 of 14"),
        pytest.param(3, 6, True, id="a third"),
        pytest.param(3, 7, False, id="just less than a third"),
        pytest.param(2, 0, False, id="two are no habit of a depot"),
    ],
)
def test_one_line_for_a_depot(fuel: int, others: int, told: bool) -> None:
    found: list[Found | None] = [Found(Cause.FUEL, 0.9, "x")] * fuel
    line = depot_line("Harbor", found + [None] * others)
    assert (line is not None) is told
    if line is not None:
        assert f"{fuel} of {fuel + others} vehicles" in line
        assert "change the fueling time" in line


def test_the_allowance_is_spent_on_evap() -> None:
    assert allowance_advice([EVAP], 1) == (
        "The evaporative system may stay not complete: the program allows it."
    )
    assert "complete catalyst" in (allowance_advice([CAT, EVAP], 1) or "")
    assert allowance_advice([CAT, EVAP], 0) is None
    assert allowance_advice([CAT], 1) is None


def _starts(month: int, ambient: float, count: int = 20) -> list[Cycle]:
    at = int(datetime(2026, month, 10, 12, tzinfo=UTC).timestamp() * 1000)
    return [
        Cycle(
            journal="j", seq=n + 1, observed_at=at, started_at=at, ended_at=at,
            propulsion_on_s=9, engine_on_s=9, ambient_c=ambient, soak_s=8 * 3600,
        )
        for n in range(count)
    ]  # fmt: skip


def test_not_before_about_april() -> None:
    cycles = [*_starts(10, 12), *_starts(11, 1), *_starts(12, -5), *_starts(1, -8, count=25)]
    shares = mild_share(cold_starts(cycles, ZoneInfo("America/Chicago")))
    assert shares == {10: 1.0, 11: 0.0, 12: 0.0, 1: 0.0}
    assert "Not before about April" in (season_words(shares, date(2026, 12, 2)) or "")
    assert season_begins(shares, date(2026, 12, 2)) == date(2027, 4, 1)
    assert season_begins(shares, date(2027, 1, 31)) == date(2027, 4, 1)
    assert season_words(shares, date(2026, 10, 9)) is None
    assert season_begins(shares, date(2026, 10, 9)) is None
    assert season_begins({}, date(2026, 10, 9)) is None
    assert "Not enough" in (season_words({}, date(2026, 10, 9)) or "")
    assert mild_share(cold_starts(_starts(3, 9, count=19), ZoneInfo("America/Chicago"))) == {}
