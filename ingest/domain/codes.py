"""What a trouble code means: our own table, paraphrased from memory of SAE J2012.

Labour hours and severity are common practice without a source; the vehicle maker's text wins.
"""

from __future__ import annotations

import csv
import io
import re
from dataclasses import dataclass
from enum import StrEnum
from functools import cache
from importlib import resources
from types import MappingProxyType

FLASH_LAMP = "flash_lamp"
"""Severity of codes that can damage the catalyst; the lamp flashes at such a misfire rate."""


_CODE = re.compile(r"[PCBU][0-3][0-9A-F]{3}")


class CodeKind(StrEnum):
    """Who gives a code its meaning, and whether we know it. The value is the text on screen."""

    KNOWN = "standard code"
    UNKNOWN = "standard range, meaning unknown"
    MAKER = "the vehicle maker's own code"
    RESERVED = "reserved by the standard"


@dataclass(frozen=True, slots=True)
class CodeInfo:
    """One code. Labour in hours with diagnosis, low to high; `tags` say how far to trust it."""

    code: str
    definition: str
    family: str
    severity: str
    labour_low: float
    labour_high: float
    blocked_monitors: tuple[str, ...]
    tags: tuple[str, ...]
    blocks: str = "no"
    """Whether those monitors cannot run while it stands: yes, sometimes, no."""


def parse_codes(text: str) -> MappingProxyType[str, CodeInfo]:
    """Read the table from its CSV text."""
    return MappingProxyType({row["code"]: _info(row) for row in csv.DictReader(io.StringIO(text))})


def _info(row: dict[str, str]) -> CodeInfo:
    return CodeInfo(
        code=row["code"],
        definition=row["definition"],
        family=row["monitor_family"],
        severity=row["severity_class"],
        labour_low=float(row["labour_hours_low"]),
        labour_high=float(row["labour_hours_high"]),
        blocked_monitors=tuple(row["blocked_monitors"].replace(";", " ").split()),
        tags=(row["labour_basis"], row["definition_basis"]),
        blocks=row["blocks_other_monitors"],
    )


@cache
def table() -> MappingProxyType[str, CodeInfo]:
    """The table that comes with the package; read once, when first asked."""
    entry = resources.files("ingest.domain").joinpath("codes.csv")
    return parse_codes(entry.read_text(encoding="utf-8"))


def meaning(code: str) -> CodeInfo | None:
    """What a code means, or None for one that is not in the table (a maker's own, mostly)."""
    return table().get(code)


def kind(code: str) -> CodeKind:
    """Which range a code lies in, or `ValueError` for what is no code.

    SAE J2012 ranges as audited by two public notes (B): P0, P2, P3400 and up, B0, C0, U0 and U3
    are the standard's, B3 and C3 reserved, all others the maker's own.
    """
    if not _CODE.fullmatch(code):
        raise ValueError(f"{code!r}, expected a code such as P0420")
    system, digit = code[0], code[1]
    if system in "BC" and digit == "3":
        return CodeKind.RESERVED
    standard = (
        digit == "0"
        or (system == "P" and (digit == "2" or code >= "P3400"))
        or (system == "U" and digit == "3")
    )
    if not standard:
        return CodeKind.MAKER
    return CodeKind.KNOWN if code in table() else CodeKind.UNKNOWN


def can_flash_lamp(code: str) -> bool:
    """Whether the code's class is one at which the lamp may flash."""
    info = meaning(code)
    return info is not None and info.severity == FLASH_LAMP
