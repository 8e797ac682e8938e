"""Fuel and GVWR of the list against the vehicle: PID 51 (SAE J1979; B), positions 7 and 10 of the
VIN (49 CFR 565.15; A), J1939 on heavy vehicles (common practice, no source).
"""

from __future__ import annotations

from typing import Any

import pytest

from gateway.facts import Ignition
from ingest.domain import vehicle_columns
from ingest.domain.episodes import fold, start
from ingest.domain.listed_doubts import FUEL_TYPES, listed_doubts
from ingest.domain.picture import Picture
from tests.support.reports import report, vehicle


def kinds(picture: Picture | None = None, **changes: Any) -> list[str]:
    return [one.kind for one in listed_doubts(vehicle(1, **changes), picture)]


@pytest.mark.parametrize(
    "listed, reported, told",
    [
        ("gasoline", 1, False),
        ("gasoline", 4, True),
        ("diesel", 4, False),
        ("diesel", 1, True),
        ("gasoline hybrid", 17, False),
        ("diesel hybrid", 17, True),
        ("ethanol", 1, False),  # a flexible-fuel vehicle reports what it runs on
        ("CNG", 13, False),
        ("CNG", 5, True),
        ("diesel", 0, False),  # not available
        ("diesel", 77, False),  # reserved
        (None, 1, False),
        (None, 4, True),  # spark ignition listed
    ],
)
def test_the_fuel_listed_against_the_fuel_reported(
    listed: str | None, reported: int, told: bool
) -> None:
    assert kinds(Picture(fuel_type=reported), fuel=listed) == ["fuel"] * told


def test_compression_ignition_listed_and_gasoline_reported() -> None:
    assert kinds(Picture(fuel_type=1), ignition=Ignition.COMPRESSION) == ["fuel"]


def test_every_fuel_of_the_table_has_a_word_of_the_vehicle_list() -> None:
    assert sorted(FUEL_TYPES) == list(range(1, 24))
    for _, fitting in FUEL_TYPES.values():
        assert fitting
        assert fitting <= set(vehicle_columns.FUELS)


def test_the_fuel_is_kept_by_the_fold_and_the_list_stays_as_it_was() -> None:
    one = vehicle(1, fuel="diesel")
    step = fold(start(), report(1, 1, fuel_type=1), one.vin)
    found = list(listed_doubts(one, step.state.picture))
    assert [doubt.text for doubt in found] == [
        "The vehicle list says diesel, the ECUs report gasoline."
    ]
    assert one.fuel == "diesel"


@pytest.mark.parametrize(
    "vin, gvwr, year, told",
    [
        # Position 7 a digit: of 1980-2009 up to 10,000 lb; position 10 C: 1982 or 2012.
        ("1ZZZZ21A0CM000001", 10_000, 2012, True),
        ("1ZZZZ21A0CM000001", 10_001, 2012, False),  # heavier: position 7 says nothing
        ("1ZZZZ21A0CM000001", 10_000, 1982, False),
        ("1ZZZZ2AA0CM000001", 10_000, 2012, False),  # a letter: of 2010 on
        ("WZZZZ21A0CM000001", 10_000, 2012, False),  # no North American number
        ("1ZZZZ21A0CM000001", None, 2012, False),
    ],
)
def test_a_weight_that_the_vin_makes_unlikely(
    vin: str, gvwr: int | None, year: int, told: bool
) -> None:
    assert kinds(vin=vin, gvwr_lb=gvwr, model_year=year) == ["gvwr"] * told


@pytest.mark.parametrize("gvwr, told", [(8_500, True), (8_501, False), (None, False)])
def test_a_light_vehicle_that_speaks_j1939(gvwr: int | None, told: bool) -> None:
    assert kinds(Picture(heard="j1939"), gvwr_lb=gvwr) == ["gvwr"] * told
