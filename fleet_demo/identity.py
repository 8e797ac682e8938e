"""Vehicle identification numbers of invented vehicles (49 CFR 565.15; A).

The first three characters belong to no maker known to us; the check digit and the model-year
letter are right, so that nothing downstream has a reason to doubt the number.
"""

from __future__ import annotations

FIRST = "1ZZ"
_SIGNS = "0123456789ABCDEFGHJKLMNPRSTUVWXYZ"
_WORTH = "012345678912345678123457923456789"
_VALUES = dict(zip(_SIGNS, map(int, _WORTH), strict=True))
_WEIGHTS = (8, 7, 6, 5, 4, 3, 2, 10, 0, 9, 8, 7, 6, 5, 4, 3, 2)
_YEARS = "ABCDEFGHJKLMNPRSTVWXY123456789"
"""Thirty years to a round, A = 1980 and 2010 (1988-2003 C, the rest from memory)."""
_FIRST_LETTER_YEAR = 2010


def check_digit(vin: str) -> str:
    """Return the check digit a 17-character number should carry at position 9."""
    total = sum(_VALUES[sign] * weight for sign, weight in zip(vin, _WEIGHTS, strict=True))
    return "0123456789X"[total % 11]


def year_letter(model_year: int) -> str:
    """Return the sign at position 10 for a model year from 1980 on."""
    return _YEARS[(model_year - 1980) % len(_YEARS)]


def build_vin(model_year: int, body: str, engine: str, plant: str, serial: int) -> str:
    """Compose a number: `body` one sign, `engine` one sign, `plant` one sign, serial of six digits.

    Position 7 is a letter from model year 2010 and a digit before, for light vehicles (A).
    """
    seventh = "C" if model_year >= _FIRST_LETTER_YEAR else "3"
    draft = f"{FIRST}V{body}2{seventh}{engine}0{year_letter(model_year)}{plant}{serial:06d}"
    return draft[:8] + check_digit(draft) + draft[9:]
