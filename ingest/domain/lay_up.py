"""Seasonal lay-up: the days on which a vehicle is parked and nothing is expected of it.

A season is written `12-01 to 03-31` (every year, over the new year if need be) or
`2026-12-01 to 2027-03-31` (once). Both days are laid up. Several seasons stand with `;` between.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from datetime import date, timedelta

from ingest.domain.days import parse_day

EXPECTED = "MM-DD to MM-DD (every year) or YYYY-MM-DD to YYYY-MM-DD, with ; between several"
LEAP_YEAR = 2000
"""Month and day are kept in a leap year, so that 02-29 can be written."""
_DAY = timedelta(days=1)
_EVERY_YEAR = re.compile(r"(\d\d-\d\d) to (\d\d-\d\d)")
_ONCE = re.compile(r"(\d{4}-\d\d-\d\d) to (\d{4}-\d\d-\d\d)")


@dataclass(frozen=True, slots=True)
class Season:
    """One lay-up from `first` to `last`, both counted; of a yearly one only month and day count."""

    first: date
    last: date
    yearly: bool

    def __str__(self) -> str:
        cut = 5 if self.yearly else 0
        return f"{self.first.isoformat()[cut:]} to {self.last.isoformat()[cut:]}"

    def spans(self, around: date) -> Iterator[tuple[date, date]]:
        """The spans that may hold a day or come next after it, in order."""
        if not self.yearly:
            yield self.first, self.last
            return
        for year in (around.year - 1, around.year, around.year + 1):
            ends = year if self.first <= self.last else year + 1
            yield _in_year(self.first, year), _in_year(self.last, ends)


Seasons = tuple[Season, ...]


def _in_year(day: date, year: int) -> date:
    """The day in another year; 29 February becomes 28 where there is none."""
    try:
        return day.replace(year=year)
    except ValueError:
        return date(year, 2, 28)


def parse_seasons(text: str) -> Seasons:
    """Read seasons, or raise ValueError."""
    return tuple(_season(part.strip()) for part in text.split(";") if part.strip())


def _season(text: str) -> Season:
    if match := _EVERY_YEAR.fullmatch(text):
        first, last = (date.fromisoformat(f"{LEAP_YEAR}-{part}") for part in match.groups())
        return Season(first, last, yearly=True)
    if match := _ONCE.fullmatch(text):
        first, last = (parse_day(part) for part in match.groups())
        if first > last:
            raise ValueError(f"{text!r}: ends before it begins")
        return Season(first, last, yearly=False)
    raise ValueError(f"{text!r}, expected {EXPECTED}")


def show_seasons(seasons: Iterable[Season]) -> str:
    """The text that `parse_seasons` reads back."""
    return "; ".join(map(str, seasons))


def laid_up(seasons: Iterable[Season], day: date) -> bool:
    """Whether a vehicle is laid up on a day."""
    return span_of(seasons, day) is not None


def span_of(seasons: Iterable[Season], day: date) -> tuple[date, date] | None:
    """The first and last day of the lay-up that holds a day; None when none does."""
    for season in seasons:
        for first, last in season.spans(day):
            if first <= day <= last:
                return first, last
    return None


def latest_test_day(seasons: Iterable[Season], due: date) -> date:
    """The last day to be tested for an inspection due on `due`.

    One that falls due while the vehicle is laid up is tested before the lay-up begins.
    """
    known = tuple(seasons)
    for _ in known:  # one season may begin as another ends
        span = span_of(known, due)
        if span is None:
            break
        due = span[0] - _DAY
    return due
