"""Fuel and weight of the vehicle list against what the vehicle itself says: told, never changed.

The vehicle says its fuel by PID 51, and by PID 1C the rules it was built to (SAE J1979; B): those
of heavy vehicles are other ones (13 CCR 1968.2 light and medium duty, 1971.1 heavy duty; A*).
"""

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
OBD_TYPES: Mapping[int, str] = MappingProxyType(
    {
        1: "OBD II (California)", 2: "OBD (federal)", 3: "OBD and OBD II", 4: "OBD I",
        5: "no OBD", 6: "EOBD", 7: "EOBD and OBD II", 8: "EOBD and OBD", 9: "EOBD, OBD and OBD II",
        10: "JOBD", 11: "JOBD and OBD II", 12: "JOBD and EOBD", 13: "JOBD, EOBD and OBD II",
        14: "OBD, EOBD and KOBD", 15: "OBD, OBD II, EOBD and KOBD", 17: "EMD", 18: "EMD+",
        19: "HD OBD-C", 20: "HD OBD", 21: "WWH-OBD", 23: "HD EOBD-I", 24: "HD EOBD-I N",
        25: "HD EOBD-II", 26: "HD EOBD-II N", 27: "HD ZEV", 28: "OBDBr-1", 29: "OBDBr-2",
        30: "KOBD", 31: "IOBD I", 32: "IOBD II", 33: "HD EOBD-VI", 34: "OBD, OBD II and HD OBD",
        35: "OBDBr-3",
    }
)  # fmt: skip
"""PID 1C (SAE J1979, table; B), in the standard's own names."""
HEAVY_TYPES = frozenset({17, 18, 19, 20, 21, 23, 24, 25, 26, 27, 33})
FOREIGN_TYPES = frozenset({4, 5, 6, 10, 12, 28, 29, 30, 31, 32, 35})
"""Rules of heavy vehicles; and those among which is no United States OBD (choices of ours)."""
LIGHT_TYPES = frozenset({1, 2, 3})
LIGHT_DUTY_LB = 8500
HEAVY_DUTY_OVER_LB = 14_000
"""Health and Safety Code 44152(a): heavy duty is above it (A*)."""
_FUEL_BOX = "The fuel door or filler label, and the entry in the list."
_UNDER_HOOD = "The emission control label under the hood: it names the rules; ask the agency."
_WEIGHT_LABEL = "The certification label in the driver's door (GVWR), and the entry in the list."


def listed_doubts(vehicle: Vehicle, picture: Picture | None) -> Iterator[Doubt]:
    """What of the list's fuel, GVWR and model year does not fit the vehicle."""
    if picture is not None and picture.fuel_type is not None:
        yield from _fuel(vehicle, picture.fuel_type)
    yield from _weight(vehicle, picture)
    if picture is not None:
        yield from _rules(vehicle, picture)


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


def _rules(vehicle: Vehicle, picture: Picture) -> Iterator[Doubt]:
    """The rules the ECUs say they were built to against the list's GVWR."""
    listed = vehicle.gvwr_lb
    for ecu_id, ecu in sorted(picture.ecus.items()):
        said = OBD_TYPES.get(ecu.obd_type or 0)
        if said is None:  # reserved, or not known to us
            continue
        start = f"ECU {ecu_id} says that it is built to {said}"
        if ecu.obd_type in FOREIGN_TYPES:
            yield Doubt("obd_type", None, f"{start}: no United States OBD.", _UNDER_HOOD)
        elif listed is not None and (
            (ecu.obd_type in HEAVY_TYPES and listed <= LIGHT_DUTY_LB)
            or (ecu.obd_type in LIGHT_TYPES and listed > HEAVY_DUTY_OVER_LB)
        ):
            text = f"{start}, and {listed:,} lb GVWR is listed."
            yield Doubt("gvwr", None, text, _WEIGHT_LABEL)
