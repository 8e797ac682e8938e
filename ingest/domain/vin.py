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
