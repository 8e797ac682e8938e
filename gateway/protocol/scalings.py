"""How service 06 numbers are scaled: one row for each unit-and-scaling id, with its source.

Ids 80-FE hold two's complement numbers, the others do not (SAE J1979; from memory). Rows are the
same numbers for every maker: tables that renumber them (02 as per cent, 03 as mV) are wrong.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from fractions import Fraction
from types import MappingProxyType

MAKER = "General Motors, Mode $06 data definitions (CAN), editions to 2018-19 (C)"
TWO_MAKERS = "General Motors, Mode $06 data definitions, and Subaru 2007 workshop manual (B)"
MEMORY = "SAE J1979 (from memory)"


@dataclass(frozen=True, slots=True)
class Scaling:
    """value = raw * step + plus, in `unit`."""

    step: Fraction
    unit: str
    source: str
    plus: Fraction = Fraction(0)

    def apply(self, raw: int) -> float:
        """Return the value in `unit`; worked in fractions, so that no rounding adds up."""
        return float(raw * self.step + self.plus)


def is_signed(scaling_id: int) -> bool:
    """Whether value and limits under this id are two's complement (from memory)."""
    return 0x80 <= scaling_id <= 0xFE


def _rows(source: str, *rows: tuple[int, str, str]) -> dict[int, Scaling]:
    return {number: Scaling(Fraction(step), unit, source) for number, step, unit in rows}


_RAW, _RATIO, _COUNT = "raw number", "ratio", "count"

SCALINGS: Mapping[int, Scaling] = MappingProxyType(
    _rows(
        MAKER,
        (0x05, "0.0000305", _RAW),
        (0x06, "0.000305", _RAW),
        (0x0A, "0.000122", "V"),
        (0x10, "0.001", "s"),
        (0x11, "0.1", "s"),
        (0x20, "0.0039062", _RATIO),
        (0x2B, "1", "switches"),
        (0x31, "0.001", "L"),
        (0x32, "0.0000305", "in"),
        (0x41, "0.01", "uA"),
        (0x90, "0.001", "s"),
        (0x9C, "0.01", "deg"),
        (0xB0, "0.003052", "%"),
        (0xB1, "0.002", "V/s"),
        (0xFD, "0.001", "kPa"),
    )
    | {0x16: Scaling(Fraction("0.1"), "degC", MAKER, Fraction(-40))}
    | _rows(TWO_MAKERS, (0x24, "1", _COUNT))
    | _rows(
        MEMORY,
        (0x01, "1", _RAW),
        (0x02, "0.1", _RAW),
        (0x03, "0.01", _RAW),
        (0x04, "0.001", _RAW),
        (0x07, "0.25", "rpm"),
        (0x08, "0.01", "km/h"),
        (0x09, "1", "km/h"),
        (0x0B, "0.001", "V"),
        (0x0C, "0.01", "V"),
        (0x0D, "0.00390625", "mA"),
        (0x0E, "0.001", "A"),
        (0x0F, "0.01", "A"),
        (0x12, "1", "s"),
        (0x13, "0.001", "Ohm"),
        (0x14, "1", "Ohm"),
        (0x15, "1", "kOhm"),
        (0x17, "0.01", "kPa"),
        (0x18, "0.0117", "kPa"),
        (0x19, "0.079", "kPa"),
        (0x1A, "1", "kPa"),
        (0x1B, "10", "kPa"),
        (0x1C, "0.01", "deg"),
        (0x1D, "0.5", "deg"),
        (0x1E, "0.0000305", "lambda"),
        (0x1F, "0.05", "air to fuel"),
        (0x21, "0.001", "Hz"),
        (0x22, "1", "Hz"),
        (0x23, "1", "kHz"),
        (0x25, "1", "km"),
        (0x26, "0.1", "V/s"),
        (0x27, "0.01", "g/s"),
        (0x28, "1", "g/s"),
        (0x29, "0.25", "Pa/s"),
        (0x2A, "0.001", "kg/h"),
        (0x2C, "0.01", "g/cylinder"),
        (0x2D, "0.01", "mg/stroke"),
        (0x2E, "1", "false or true"),
        (0x2F, "0.01", "%"),
        (0x30, "0.001526", "%"),
        (0x33, "0.00024414", "lambda"),
        (0x34, "1", "min"),
        (0x35, "0.01", "s"),
        (0x36, "0.01", "g"),
        (0x37, "0.1", "g"),
        (0x38, "1", "g"),
        (0x3A, "0.001", "g"),
        (0x3B, "0.0001", "g"),
        (0x3C, "0.1", "us"),
        (0x3D, "0.01", "mA"),
        (0x3F, "0.01", "L"),
        (0x40, "1", "ppm"),
        (0x81, "1", _RAW),
        (0x82, "0.1", _RAW),
        (0x83, "0.01", _RAW),
        (0x84, "0.001", _RAW),
        (0x85, "0.0000305", _RAW),
        (0x86, "0.000305", _RAW),
        (0x87, "1", "ppm"),
        (0x8A, "0.000122", "V"),
        (0x8B, "0.001", "V"),
        (0x8C, "0.01", "V"),
        (0x8D, "0.00390625", "mA"),
        (0x8E, "0.001", "A"),
        (0x96, "0.1", "degC"),
        (0x99, "0.1", "kPa"),
        (0x9D, "0.5", "deg"),
        (0xA8, "1", "g/s"),
        (0xA9, "0.25", "Pa/s"),
        (0xAD, "0.01", "mg/stroke"),
        (0xAE, "0.1", "mg/stroke"),
        (0xAF, "0.01", "%"),
        (0xFC, "0.01", "kPa"),
        (0xFE, "0.25", "Pa"),
    )
    | {0x39: Scaling(Fraction("0.01"), "%", MEMORY, Fraction("-327.68"))}
)
"""Ids that are missing here are unknown: their numbers stay raw, and are judged all the same."""
