"""Which vehicles a program covers, and which of them need no test at some age."""

from __future__ import annotations

from enum import StrEnum
from types import MappingProxyType
from typing import Annotated, Literal, NamedTuple

from pydantic import Field

from gateway.facts import Ignition
from ingest.domain.citation import Cited, Count, ModelYear, Pounds, Text
from ingest.domain.vehicles import Vehicle


class Fuel(StrEnum):
    """What rules tell apart. Hybrids belong to the fuel of their engine."""

    GASOLINE = "gasoline"
    DIESEL = "diesel"
    ALTERNATIVE = "alternative"
    ELECTRIC = "electric"


_FUELS = MappingProxyType(
    {
        "gasoline": Fuel.GASOLINE,
        "gasoline hybrid": Fuel.GASOLINE,
        "diesel": Fuel.DIESEL,
        "diesel hybrid": Fuel.DIESEL,
        "electric": Fuel.ELECTRIC,
    }
)
FuelName = Annotated[Fuel, Field(strict=False)]


def fuel_of(vehicle: Vehicle) -> Fuel:
    """The fuel by the vehicle list, or by its ignition where the list says none.

    Ethanol, gases and bi-fuel count as alternative fuels (modelling choice).
    """
    if vehicle.fuel is not None:
        return _FUELS.get(vehicle.fuel, Fuel.ALTERNATIVE)
    return Fuel.GASOLINE if vehicle.ignition is Ignition.SPARK else Fuel.DIESEL


class Scope(Cited):
    """A group of vehicles that a program covers: all bounds count as in it.

    `gvwr_over_lb` is the one bound that lies outside: 14000 covers 14,001 lb and more.
    """

    fuels: Annotated[list[FuelName], Field(min_length=1)]
    from_model_year: ModelYear
    to_model_year: ModelYear | None = None
    gvwr_over_lb: Pounds | None = None
    gvwr_up_to_lb: Pounds | None = None

    def years(self, model_year: int) -> bool:
        """Whether a model year is in the group."""
        return self.from_model_year <= model_year <= (self.to_model_year or model_year)

    def weight(self, gvwr_lb: int | None) -> bool:
        """Whether a GVWR is in the group; one that is not known may be."""
        if gvwr_lb is None:
            return True
        low, high = self.gvwr_over_lb, self.gvwr_up_to_lb
        return (low is None or gvwr_lb > low) and (high is None or gvwr_lb <= high)

    @property
    def weighs(self) -> bool:
        """Whether the group has a bound of GVWR."""
        return self.gvwr_over_lb is not None or self.gvwr_up_to_lb is not None


class Exemption(Cited):
    """Vehicles that need no test for their age: `of` the whole program, or of the periodic test.

    A vehicle exempt of the periodic test is judged all the same: other tests may be asked of it.
    Age is the calendar year less the model year (modelling choice: rules count model years).
    `unless_odometer_over_mi`: a vehicle that has run more is not exempt. Without an age, all of
    `fuels` are.
    """

    what: Text
    of: Literal["program", "periodic"]
    fuels: list[FuelName] | None = None
    age_under: Count | None = None
    age_over: Count | None = None
    unless_odometer_over_mi: Count | None = None

    def covers(self, vehicle: Vehicle, fuel: Fuel, year: int, run_mi: float | None) -> bool:
        """Whether a vehicle is exempt in a calendar year; `run_mi`: miles run, None if not known.

        One whose miles are not known is not exempt.
        """
        if self.fuels is not None and fuel not in self.fuels:
            return False
        limit = self.unless_odometer_over_mi
        if limit is not None and (run_mi is None or run_mi > limit):
            return False
        if self.age_under is None and self.age_over is None:
            return self.fuels is not None
        age = year - vehicle.model_year
        young = self.age_under is not None and age < self.age_under
        return young or (self.age_over is not None and age > self.age_over)


class Covered(NamedTuple):
    """The group a vehicle is in. `outside` is the nearest rule that leaves it out.

    `why` says which bound it was: fuel, year or weight.
    """

    scope: Scope | None
    outside: Cited | None = None
    why: Literal["fuel", "year", "weight", ""] = ""


def covered(groups: list[Scope], vehicle: Vehicle, fuel: Fuel) -> Covered:
    """Find the group of a vehicle, or the bound that leaves it out (the last one it met)."""
    by_year: Scope | None = None
    by_weight: Scope | None = None
    for group in groups:
        if fuel not in group.fuels:
            continue
        if not group.years(vehicle.model_year):
            by_year = by_year or group
        elif not group.weight(vehicle.gvwr_lb):
            by_weight = by_weight or group
        else:
            return Covered(group)
    if by_weight is not None:
        return Covered(None, by_weight, "weight")
    if by_year is not None:
        return Covered(None, by_year, "year")
    return Covered(None, groups[0], "fuel")
