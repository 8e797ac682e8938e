"""Service 09, types 08 and 0B: how often each monitor could run, and how often it did.

`<monitor>_completions` counts the times a fault would have been found, `<monitor>_conditions`
the driving that counts for it. The first counter that moves while the other stands still shows a
monitor that does not run (SAE J1979; B for order and meaning of the first 16).
"""

from __future__ import annotations

from collections.abc import Mapping
from types import MappingProxyType

from gateway.protocol.tables import FrameError

SPARK_COUNTERS, COMPRESSION_COUNTERS = 0x08, 0x0B
"""Info types of service 09 (SAE J1979; B)."""


def _names(*monitors: str) -> tuple[str, ...]:
    pairs = ((f"{monitor}_completions", f"{monitor}_conditions") for monitor in monitors)
    return ("obd_conditions", "ignition_cycles", *(name for pair in pairs for name in pair))


COUNTERS: Mapping[int, tuple[str, ...]] = MappingProxyType(
    {
        SPARK_COUNTERS: _names(
            "catalyst_bank_1",
            "catalyst_bank_2",
            "oxygen_sensor_bank_1",
            "oxygen_sensor_bank_2",
            # variable valve timing shares this place; the lower ratio is shown (C)
            "egr_vvt",
            "secondary_air",
            "evaporative_system",
            # from model year 2010 (Ford 2017-18 workshop manual; C)
            "secondary_oxygen_sensor_bank_1",
            "secondary_oxygen_sensor_bank_2",
            # later editions (from memory)
            "air_fuel_imbalance_bank_1",
            "air_fuel_imbalance_bank_2",
            "particulate_filter_bank_1",
            "particulate_filter_bank_2",
        ),
        COMPRESSION_COUNTERS: _names(
            "nmhc_catalyst",
            "nox_catalyst",
            "nox_adsorber",
            "pm_filter",
            "exhaust_gas_sensor",
            "egr_vvt",
            "boost_pressure",
            "fuel_system",
        ),
    }
)
"""Names in the order of the answer."""


def decode_counters(answer: bytes, info_type: int) -> dict[str, int]:
    """Read `49 <type> n` and n counters of two bytes, or raise `FrameError`.

    Counters beyond the ones we can name belong to a later edition and are left out.
    """
    if answer[:2] != bytes((0x49, info_type)) or len(answer) < 3 or info_type not in COUNTERS:
        raise FrameError(
            f"info type {info_type:02X}: {answer[:8].hex(' ').upper() or 'nothing'}, "
            f"expected 49 {info_type:02X} and a count"
        )
    count = answer[2]
    if count < 2 or count % 2 or len(answer) != 3 + 2 * count:
        raise FrameError(
            f"info type {info_type:02X}: {count} counters in {len(answer) - 3} bytes, "
            "expected pairs of counters of two bytes"
        )
    values = (
        int.from_bytes(answer[place : place + 2], "big") for place in range(3, 3 + 2 * count, 2)
    )
    return dict(zip(COUNTERS[info_type], values, strict=False))
