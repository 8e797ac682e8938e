"""How many inspections of this month are to be expected late, as it stands."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date

from ingest.domain.foresight import Forecast
from ingest.domain.outcome import Outcome, plural


@dataclass(frozen=True, slots=True)
class LateThisMonth:
    """Of `counted` inspections due from today to the end of the month, or overdue: `expected` is
    the sum of their chances of being late, `overdue` those late already. Of `not_told` more no
    chance is known.
    """

    counted: int
    expected: float
    overdue: int
    not_told: int

    def words(self) -> str:
        """In one or two sentences."""
        if not self.counted and not self.not_told:
            return "No inspection is due this month."
        ahead = self.counted - self.overdue
        parts = [f"{self.overdue} overdue now"] if self.overdue else []
        if ahead:
            parts.append(f"{_about(self.expected - self.overdue)} of the {ahead} still due")
        text = f"Expected late this month: {' and '.join(parts) or 'not known'}."
        if self.not_told:
            text += f" Of {plural(self.not_told, 'more vehicle')} due it cannot be told."
        return text


def late_this_month(
    vehicles: Iterable[tuple[date | None, Outcome, Forecast]], today: date
) -> LateThisMonth:
    """From each vehicle's day to be tested by, expected result and forecast.

    One that would pass is taken as tested in time; one that needs a repair as repaired today.
    """
    counted = overdue = not_told = 0
    expected = 0.0
    for due, outcome, forecast in vehicles:
        if due is None or (due.year, due.month) > (today.year, today.month):
            continue
        chance = _in_time(due, outcome, forecast, today)
        if chance is None:
            not_told += 1
            continue
        counted += 1
        overdue += due < today
        expected += 1 - chance
    return LateThisMonth(counted, expected, overdue, not_told)


def _in_time(due: date, outcome: Outcome, forecast: Forecast, today: date) -> float | None:
    if due < today:
        return 0.0
    if outcome is Outcome.WOULD_PASS:
        return 1.0
    if outcome is Outcome.CANNOT_TELL:
        return None
    if due == today:  # not ready, and no day left to become so
        return 0.0
    repaired = forecast.chance_if_repaired_today
    return forecast.chance if repaired is None else repaired


def _about(number: float) -> str:
    """A count in words that claim no more than they know."""
    if number < 0.05:
        return "none"
    if number < 0.5:
        return "fewer than 1"
    return f"about {number:.0f}"
