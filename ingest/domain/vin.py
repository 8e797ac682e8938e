"""The check digit of a vehicle identification number (49 CFR 565.15; A)."""

from __future__ import annotations

LENGTH = 17
_VALUES = {str(digit): digit for digit in range(10)} | {
    letter: value
    for letters, first in (("ABCDEFGH", 1), ("JKLMN", 1), ("P", 7), ("R", 9), ("STUVWXYZ", 2))
    for value, letter in enumerate(letters, start=first)
}
_WEIGHTS = (8, 7, 6, 5, 4, 3, 2, 10, 0, 9, 8, 7, 6, 5, 4, 3, 2)
_REMAINDERS = "0123456789X"
NORTH_AMERICA = "12345"
"""First characters of a VIN that carry the check digit by law (ISO 3780 regions, from memory)."""


def form_fault(vin: str) -> str | None:
    """What is wrong with the form of a VIN (17 characters, no I, O, Q), or None."""
    if len(vin) != LENGTH:
        return f"17 characters, not {len(vin)}"
    wrong = sorted({character for character in vin if character not in _VALUES})
    return f"digits and capitals without I, O, Q, not {', '.join(wrong)}" if wrong else None


def check_digit_fault(vin: str) -> str | None:
    """What position 9 should be when it is something else, or None. Any 17-character VIN."""
    fault = form_fault(vin)
    if fault is not None:
        return fault
    total = sum(_VALUES[letter] * weight for letter, weight in zip(vin, _WEIGHTS, strict=True))
    expected = _REMAINDERS[total % 11]
    return None if vin[8] == expected else f"check digit {expected} at position 9, not {vin[8]}"


def check_digit_required(vin: str) -> bool:
    """True where a wrong check digit is a fault; elsewhere it is only worth a warning (B)."""
    return vin[:1] in NORTH_AMERICA


_YEAR_LETTERS = "ABCDEFGHJKLMNPRSTVWXY123456789"
"""Position 10 for 1980 and on, the same again 30 years later (49 CFR 565.15, Table VII; letters
of 1988 to 2003 C, the rest M). I, O, Q, U, Z and 0 are not used."""
_CYCLES = (1980, 2010)
LIGHT_LB = 10_000
"""Up to this GVWR position 7 tells the cycle: a digit before 2010, a letter since (565.15; A)."""


def model_years(vin: str, gvwr_lb: int | None) -> tuple[int, ...]:
    """The model years that position 10 of a well-formed VIN may stand for; () if none.

    One year for a light North American vehicle, else both of the 30-year cycles.
    """
    place = _YEAR_LETTERS.find(vin[9])
    if place < 0:
        return ()
    years = tuple(first + place for first in _CYCLES)
    if gvwr_lb is None or gvwr_lb > LIGHT_LB or not check_digit_required(vin):
        return years
    return years[1:] if vin[6].isalpha() else years[:1]
