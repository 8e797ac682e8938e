"""Clear the codes or wait, for one vehicle: its own weekdays, and what its fleet taught.

Choices of this project (X); the arithmetic of both ways is checked in test_lamp_options.
"""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta
from zoneinfo import ZoneInfo

import pytest

from gateway.facts import Monitor
from ingest.domain.completion import Beta
from ingest.domain.completion_priors import PRIORS
from ingest.domain.cycles import Cycle
from ingest.domain.lamp_choice import lamp_choice
from ingest.domain.lamp_options import Advice, AfterClear
from ingest.domain.picture import EcuPicture, Picture

CHICAGO = ZoneInfo("America/Chicago")
FRIDAY = datetime(2026, 3, 6, 23, 30, tzinfo=UTC)  # 5:30 PM in Chicago, the day's driving done
CAT = Monitor.CATALYST
PICTURE = Picture(
    ecus={
        "7E8": EcuPicture(heard_at=0, mil=True, monitors={CAT: True}, confirmed=["P0420"])
    }
)  # fmt: skip


def cycles(weeks: int) -> tuple[Cycle, ...]:
    """Eight driving cycles on each weekday before the Friday and on it, the newest first."""
    found = []
    for ago in range(weeks * 7):
        day = FRIDAY - timedelta(days=ago)
        for hour in range(8 if day.weekday() < 5 else 0):
            at = int((day - timedelta(hours=1 + hour)).timestamp() * 1000)
            found.append(
                Cycle(
                    journal="j", seq=ago * 10 + hour, observed_at=at, started_at=at,
                    ended_at=at + 900_000, propulsion_on_s=900, engine_on_s=900,
                )
            )  # fmt: skip
    return tuple(found)


def advice(weeks: int = 8, priors: dict[Monitor, Beta] | None = None) -> Advice | None:
    """For an inspection three weeks ahead."""
    due, known = date(2026, 3, 27), {**PRIORS, **(priors or {})}
    return lamp_choice(PICTURE, cycles(weeks), (), 0, AfterClear(), due, CHICAGO, FRIDAY, known)


def test_a_weekend_off_is_not_driven() -> None:
    """Eight chances of 1 in 3 a day complete it within one day of driving: that is Monday."""
    found = advice()
    assert found is not None
    half = found.options[0].days_50
    assert half is not None
    assert 2.3 <= half <= 3.1  # Saturday and Sunday lie between


def test_the_chances_are_those_of_its_fleet() -> None:
    slow = advice(priors={CAT: Beta(2, 60, "the whole fleet: fitted from 40 vehicles")})
    plain = advice()
    assert slow is not None
    assert plain is not None
    assert slow.options[0].chance < plain.options[0].chance


@pytest.mark.parametrize("weeks, told", [(1, False), (2, True)])
def test_a_few_days_of_driving_are_not_enough(weeks: int, told: bool) -> None:
    assert (advice(weeks) is not None) is told
