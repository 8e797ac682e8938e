"""When a program wants its test: period, window, deadlines and what may move them.

Only data; `None` means that nothing was found in the rule, not that there is no such thing.
"""

from __future__ import annotations

from typing import Annotated, Literal, Self

from pydantic import Field, model_validator

from ingest.domain.citation import Cited, Count, Days, Strict, Text, Value

DueBy = Literal["registration", "certificate", "agency_account"]
"""What sets the date: the registration's expiry, the last certificate, or an agency's account."""


class Extension(Cited):
    """More time. It is offered only when `current` and the text itself was read (tag A)."""

    days: Days
    condition: Text
    current: bool

    @property
    def offered(self) -> bool:
        """Whether it may be offered; otherwise 'ask the agency'."""
        return self.current and self.tag == "A"


Month = Annotated[int, Field(ge=1, le=12)]
DIGITS = "0123456789"


class DigitMonths(Cited):
    """The months by whose last day a test is due each year, by the last digit of plate or VIN."""

    of: Literal["plate", "vin"]
    months: dict[str, Annotated[list[Month], Field(min_length=1)]]

    @model_validator(mode="after")
    def _every_digit(self) -> Self:
        if sorted(self.months) != list(DIGITS):
            raise ValueError(f"months: {', '.join(sorted(self.months))}, expected every digit 0-9")
        return self


class Dates(Strict):
    """All that a program says of time.

    `window_days` before the due date a test counts at the earliest; `certificate_days` a passed
    test stays good; `retest_within_days` after a failure; `first_due_age` in model years;
    `digit_months` goes before `due_by`.
    """

    period_months: Value[Annotated[int, Field(ge=1, le=60)]] | None = None
    due_by: Value[DueBy] | None = None
    first_due_age: Value[Count] | None = None
    window_days: Value[Days] | None = None
    certificate_days: Value[Days] | None = None
    retest_within_days: Value[Days] | None = None
    digit_months: DigitMonths | None = None
    extension: Extension | None = None
