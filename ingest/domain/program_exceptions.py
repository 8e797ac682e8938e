"""Vehicles that a program treats otherwise, as its lists or the fleet's own rows say.

Model and engine do not stand in a vehicle list; the first eight characters of a VIN tell them
(49 CFR 565.15; A), so a row names them by `vin_starts`. A row that names a model or an engine
without it can only be shown, and never changes a verdict.
"""

from __future__ import annotations

from typing import Annotated, Literal, Self

from pydantic import Field, StringConstraints, model_validator

from gateway.facts import Monitor
from ingest.domain.citation import Cited, ModelYear, Text
from ingest.domain.vehicles import Vehicle

VinStart = Annotated[str, StringConstraints(pattern=r"^[A-HJ-NPR-Z0-9]{3,11}$")]
COMMUNICATION: Literal["communication"] = "communication"
About = Annotated[Monitor, Field(strict=False)] | Literal["communication"]


class VehicleException(Cited):
    """One row. `about` is a monitor, or communication with the vehicle.

    `treated`: not_counted leaves the monitor out of the count; other_test means that the program
    tests such vehicles in another way; told only says something. `own` marks a fleet's row.
    """

    make: Text
    model: Text | None = None
    engine: Text | None = None
    vin_starts: list[VinStart] | None = None
    from_model_year: ModelYear
    to_model_year: ModelYear | None = None
    about: About
    treated: Literal["not_counted", "other_test", "told"]
    text: Text
    own: bool = False

    @model_validator(mode="after")
    def _fits(self) -> Self:
        if self.treated == "not_counted" and self.about == COMMUNICATION:
            raise ValueError("not_counted: expected a monitor in about, not communication")
        return self

    @property
    def certain(self) -> bool:
        """Whether the vehicle list can tell that a row is about a vehicle."""
        return self.vin_starts is not None or (self.model is None and self.engine is None)

    def covers(self, vehicle: Vehicle) -> bool:
        """Whether a row is, or (not `certain`) may be, about a vehicle."""
        if vehicle.make is None or vehicle.make.casefold() != self.make.casefold():
            return False
        if (
            not self.from_model_year
            <= vehicle.model_year
            <= (self.to_model_year or vehicle.model_year)
        ):
            return False
        starts = self.vin_starts
        return starts is None or vehicle.vin.startswith(tuple(starts))
