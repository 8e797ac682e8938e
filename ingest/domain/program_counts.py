"""How many monitors a program lets be not complete, by number or by name, and on a retest."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Annotated, Self

from pydantic import Field, model_validator

from gateway.facts import Monitor
from ingest.domain.citation import Cited, CodeText, ModelYear
from ingest.domain.program_scope import Fuel, FuelName

MonitorName = Annotated[Monitor, Field(strict=False)]


class OtherReading(Cited):
    """Another way to read the same rule: where the two differ, nothing can be told."""

    value: Annotated[int, Field(ge=0, le=16)]


class Allowance(Cited):
    """What may be not complete for a span of model years: a number (`value`), or these monitors.

    Both ends of the span count. `fuels` left out means all.
    """

    from_model_year: ModelYear
    to_model_year: ModelYear | None = None
    fuels: list[FuelName] | None = None
    value: Annotated[int, Field(ge=0, le=16)] | None = None
    monitors: Annotated[list[MonitorName], Field(min_length=1)] | None = None
    other_reading: OtherReading | None = None

    @model_validator(mode="after")
    def _one_of_two(self) -> Self:
        if (self.value is None) == (self.monitors is None):
            raise ValueError("expected either value or monitors")
        if self.other_reading is not None and self.value is None:
            raise ValueError("expected value beside other_reading")
        return self

    def covers(self, model_year: int, fuel: Fuel) -> bool:
        """Whether a model year and fuel are in the span."""
        if self.fuels is not None and fuel not in self.fuels:
            return False
        return self.from_model_year <= model_year <= (self.to_model_year or model_year)


class Retest(Cited):
    """A monitor that must be complete at a retest after a failure for these codes."""

    monitor: MonitorName
    first_code: CodeText
    last_code: CodeText

    def names(self, codes: Sequence[str]) -> list[str]:
        """The codes among those given that call this rule up."""
        return [code for code in codes if self.first_code <= code <= self.last_code]
