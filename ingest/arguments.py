"""What stands on a command line, read once for every command: days, moments, numbers."""

from __future__ import annotations

from argparse import ArgumentTypeError
from datetime import date, datetime

from ingest.domain.days import (
    EXPECTED_DAY,
    EXPECTED_MOMENT,
    parse_day,
    parse_moment,
    parse_utc_moment,
)

MOST = 2**63 - 1
"""The highest number of a row."""


def day(text: str) -> date:
    """A day."""
    try:
        return parse_day(text)
    except ValueError as error:
        raise ArgumentTypeError(f"{text!r}, expected {EXPECTED_DAY}") from error


def moment(text: str) -> datetime:
    """A moment; one without a zone is left without."""
    try:
        return parse_moment(text)
    except ValueError as error:
        raise ArgumentTypeError(f"{text!r}, expected {EXPECTED_MOMENT}") from error


def utc_moment(text: str) -> datetime:
    """A moment; one without a zone is UTC."""
    try:
        return parse_utc_moment(text)
    except ValueError as error:
        raise ArgumentTypeError(f"{text!r}, expected {EXPECTED_MOMENT}") from error


def entry_number(text: str) -> int:
    """The number of something entered."""
    if text.isascii() and text.isdecimal() and 1 <= int(text) <= MOST:
        return int(text)
    raise ArgumentTypeError(f"{text!r}, expected the number of an entry")
