"""Fuel and GVWR of the list against the vehicle: PIDs 51 and 1C (SAE J1979; B), positions 7 and 10
of the VIN (49 CFR 565.15; A), J1939 on heavy vehicles (common practice, no source).
"""

from __future__ import annotations

import re
from typing import Any

import pytest
from msgspec import structs

from gateway.facts import Ignition
from ingest.domain import vehicle_columns
from ingest.domain.episodes import fold, start
from ingest.domain.listed_doubts import (
    FOREIGN_TYPES,
    FUEL_TYPES,
    HEAVY_TYPES,
    LIGHT_TYPES,
    OBD_TYPES,
    listed_doubts,
)
from ingest.domain.picture import EcuPicture, Picture
from tests.support.reports import ecu, report, vehicle, vin


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


@pytest.mark.parametrize(
    "obd_type, gvwr, told",
    [
        pytest.param(20, 8_500, ["gvwr"], id="HD OBD on a light vehicle"),
        pytest.param(20, 8_501, [], id="just above light duty"),
        pytest.param(20, None, [], id="no weight listed"),
        pytest.param(1, 14_000, [], id="OBD II up to 14,000 lb"),
        pytest.param(1, 14_001, ["gvwr"], id="OBD II above 14,000 lb"),
        pytest.param(34, 14_001, [], id="both"),
        pytest.param(34, 8_500, [], id="both on a light vehicle"),
        pytest.param(6, 8_500, ["obd_type"], id="EOBD alone"),
        pytest.param(7, 8_500, [], id="EOBD and OBD II"),
        pytest.param(5, None, ["obd_type"], id="no OBD"),
        pytest.param(22, 8_500, [], id="reserved"),
        pytest.param(40, 8_500, [], id="not in the table read"),
        pytest.param(None, 14_001, [], id="not answered"),
    ],
)
def test_the_rules_it_was_built_to_against_the_weight_listed(
    obd_type: int | None, gvwr: int | None, told: list[str]
) -> None:
    engine = EcuPicture(heard_at=1, obd_type=obd_type)
    assert kinds(Picture(ecus={"7E8": engine}), gvwr_lb=gvwr) == told


def test_every_type_of_the_table_is_of_one_kind_at_most() -> None:
    """Values 1-15, 17-21, 23-35 of the table as read (B); 16 and 22 are reserved."""
    assert sorted(OBD_TYPES) == [n for n in range(1, 36) if n not in (16, 22)]
    sets = (HEAVY_TYPES, FOREIGN_TYPES, LIGHT_TYPES)
    assert len(frozenset().union(*sets)) == sum(map(len, sets))
    assert all("HD" in OBD_TYPES[n] or n in (17, 18, 21) for n in HEAVY_TYPES)
    assert not any(re.search(r"\bOBD II\b", OBD_TYPES[n]) for n in FOREIGN_TYPES)


def test_the_type_is_kept_by_the_fold() -> None:
    step = fold(start(), report(1, 1, ecus={"7E8": structs.replace(ecu(), obd_type=20)}), vin(1))
    later = fold(step.state, report(1, 2), vin(1)).state.picture
    (found,) = listed_doubts(vehicle(1), later)
    assert found.text == "ECU 7E8 says that it is built to HD OBD, and 8,500 lb GVWR is listed."
