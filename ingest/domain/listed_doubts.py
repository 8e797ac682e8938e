"""Fuel and weight of the vehicle list against what the vehicle itself says: told, never changed."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from types import MappingProxyType

from gateway.facts import Ignition
from ingest.domain.doubts import Doubt
from ingest.domain.picture import Picture
from ingest.domain.vehicles import Vehicle
from ingest.domain.vin import LIGHT_LB, form_fault, model_years

_GAS, _OIL = "gasoline hybrid", "diesel hybrid"
FUEL_TYPES: Mapping[int, tuple[str, frozenset[str]]] = MappingProxyType(
    {
        1: ("gasoline", frozenset({"gasoline", "ethanol", "bi-fuel", _GAS})),
        2: ("methanol", frozenset({"methanol", "gasoline"})),
        3: ("ethanol", frozenset({"ethanol", "gasoline"})),
        4: ("diesel", frozenset({"diesel", _OIL})),
        5: ("LPG", frozenset({"LPG", "propane", "bi-fuel"})),
        6: ("CNG", frozenset({"CNG", "bi-fuel"})),
        7: ("propane", frozenset({"propane", "LPG", "bi-fuel"})),
        8: ("electric", frozenset({"electric"})),
        9: ("bi-fuel, running on gasoline", frozenset({"bi-fuel", "gasoline"})),
        10: ("bi-fuel, running on methanol", frozenset({"bi-fuel", "methanol"})),
        11: ("bi-fuel, running on ethanol", frozenset({"bi-fuel", "ethanol"})),
        12: ("bi-fuel, running on LPG", frozenset({"bi-fuel", "LPG", "propane"})),
        13: ("bi-fuel, running on CNG", frozenset({"bi-fuel", "CNG"})),
        14: ("bi-fuel, running on propane", frozenset({"bi-fuel", "propane", "LPG"})),
        15: ("bi-fuel, running on electricity", frozenset({"bi-fuel", _GAS, _OIL})),
        16: ("bi-fuel, electric and combustion", frozenset({"bi-fuel", _GAS, _OIL})),
        17: ("gasoline hybrid", frozenset({_GAS})),
        18: ("ethanol hybrid", frozenset({_GAS, "ethanol"})),
        19: ("diesel hybrid", frozenset({_OIL})),
        20: ("hybrid on electricity", frozenset({_GAS, _OIL})),
        21: ("hybrid, electric and combustion", frozenset({_GAS, _OIL})),
        22: ("hybrid, regenerative", frozenset({_GAS, _OIL})),
        23: ("bi-fuel, running on diesel", frozenset({"bi-fuel", "diesel"})),
    }
)
"""PID 51 (SAE J1979; B) with the words of the vehicle list that fit it (a choice of this project).

A vehicle that takes gasoline and ethanol reports either; LPG is mostly propane.
"""
COMPRESSION = frozenset({4, 19, 23})
LIGHT_DUTY_LB = 8500
_FUEL_BOX = "The fuel door or filler label, and the entry in the list."
_WEIGHT_LABEL = "The certification label in the driver's door (GVWR), and the entry in the list."


def listed_doubts(vehicle: Vehicle, picture: Picture | None) -> Iterator[Doubt]:
    """What of the list's fuel and GVWR does not fit the vehicle."""
    if picture is not None and picture.fuel_type is not None:
        yield from _fuel(vehicle, picture.fuel_type)
    yield from _weight(vehicle, picture)


def _fuel(vehicle: Vehicle, reported: int) -> Iterator[Doubt]:
    known = FUEL_TYPES.get(reported)
    if known is None:  # 0: not available; others are reserved
        return
    words, fitting = known
    if vehicle.fuel is not None and vehicle.fuel not in fitting:
        text = f"The vehicle list says {vehicle.fuel}, the ECUs report {words}."
        yield Doubt("fuel", None, text, _FUEL_BOX)
    elif vehicle.fuel is None and (reported in COMPRESSION) != (
        vehicle.ignition is Ignition.COMPRESSION
    ):
        text = (
            f"The vehicle list says {vehicle.ignition.value} ignition and no fuel, the ECUs "
            f"report {words}."
        )
        yield Doubt("fuel", None, text, _FUEL_BOX)


def _weight(vehicle: Vehicle, picture: Picture | None) -> Iterator[Doubt]:
    """A GVWR that the VIN, or the language the vehicle speaks, makes unlikely."""
    listed = vehicle.gvwr_lb
    if listed is None:
        return
    if listed <= LIGHT_LB and form_fault(vehicle.vin) is None:
        light, any_weight = model_years(vehicle.vin, listed), model_years(vehicle.vin, None)
        if vehicle.model_year in any_weight and vehicle.model_year not in light:
            yield Doubt(
                "gvwr",
                None,
                f"{listed:,} lb GVWR and model year {vehicle.model_year} do not go with the VIN: "
                f"up to {LIGHT_LB:,} lb its positions 7 and 10 stand for "
                f"{' or '.join(map(str, light))} (49 CFR 565.15).",
                _WEIGHT_LABEL,
            )
    if listed <= LIGHT_DUTY_LB and picture is not None and picture.heard == "j1939":
        yield Doubt(
            "gvwr",
            None,
            f"{listed:,} lb GVWR is listed, and the vehicle speaks J1939 as heavy vehicles do "
            "(common practice, no source).",
            _WEIGHT_LABEL,
        )
