"""What stands on a command line, read once for every command: days, moments, numbers."""

from __future__ import annotations

from argparse import ArgumentTypeError
from collections.abc import Callable
from datetime import date, datetime
from typing import TypeVar

from ingest.domain.days import parse_day, parse_moment, parse_utc_moment

MOST = 2**63 - 1
"""The highest number of a row."""
_Value = TypeVar("_Value")


def day(text: str) -> date:
    """A day."""
    return _told(parse_day, text)


def moment(text: str) -> datetime:
    """A moment; one without a zone is left without."""
    return _told(parse_moment, text)


def utc_moment(text: str) -> datetime:
    """A moment; one without a zone is UTC."""
    return _told(parse_utc_moment, text)


def entry_number(text: str) -> int:
    """The number of something entered."""
    if text.isascii() and text.isdecimal() and 1 <= int(text) <= MOST:
        return int(text)
    raise ArgumentTypeError(f"{text!r}, expected the number of an entry")


def _told(parse: Callable[[str], _Value], text: str) -> _Value:
    try:
        return parse(text)
    except ValueError as error:  # argparse would leave its words out
        raise ArgumentTypeError(str(error)) from error
