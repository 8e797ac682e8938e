"""The columns of the vehicle list: what each is called, how it is read, what it must be.

One row describes one column of the file, one attribute of `ingest.domain.vehicles.Vehicle` and
one column of the store. Dates are YYYY-MM-DD and the depot's own days.
"""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import dataclass
from datetime import date
from typing import Any
from zoneinfo import ZoneInfo

from gateway.facts import Ignition
from ingest.domain import lay_up
from ingest.domain.days import EXPECTED_DAY, parse_day

STATES = ("in service", "in shop", "down", "not in use")
FUELS = (
    "gasoline", "diesel", "ethanol", "methanol", "LPG", "propane", "CNG", "hydrogen", "electric",
    "gasoline hybrid", "diesel hybrid", "bi-fuel",
)  # fmt: skip
FIRST_MODEL_YEAR, LAST_MODEL_YEAR = 1981, 2060
"""17-character VINs begin with model year 1981 (49 CFR 565, year from memory)."""
WEEKDAYS = ("Mon", "Tue", "Wed", "Thu", "Fri", "Sat", "Sun")
_LISTED = (
    "AL AK AZ AR CA CO CT DE DC FL GA HI ID IL IN IA KS KY LA ME MD MA MI MN MS MO MT NE NV NH NJ "
    "NM NY NC ND OH OK OR PA RI SC SD TN TX UT VT VA WA WV WI WY AS GU MP PR VI "
    "AB BC MB NB NL NS NT NU ON PE QC SK YT"
)
STATE_CODES = frozenset(_LISTED.split())
"""States, the district and territories (USPS Publication 28), provinces; both from memory."""
SHORT, LONG = 64, 500
_GATEWAY = re.compile(r"[a-z0-9][a-z0-9-]{0,31}")


@dataclass(frozen=True, slots=True)
class Column:
    """One column. `parse` raises ValueError, LookupError or OSError for what it cannot be.

    `show` gives the text that `parse` reads back, and that is stored; `restore` makes the value of
    it again (None: the text is the value). `length` is the most characters it may have.
    `source` cites a rule where the column follows one.
    """

    name: str
    label: str
    parse: Callable[[str], Any]
    expected: str
    required: bool = False
    whole_number: bool = False
    show: Callable[[Any], str] = str
    restore: Callable[[str], Any] | None = None
    length: int = SHORT
    source: str = ""


def _text(text: str) -> str:
    return text


def _capitals(text: str) -> str:
    return text.upper()


def _one_of(allowed: tuple[str, ...]) -> Callable[[str], str]:
    known = {one.casefold(): one for one in allowed}
    return lambda text: known[text.casefold()]


def parse_zone(text: str) -> str:
    """An IANA time zone."""
    ZoneInfo(text)
    return text


def _model_year(text: str) -> int:
    year = int(text)
    if not FIRST_MODEL_YEAR <= year <= LAST_MODEL_YEAR:
        raise ValueError(text)
    return year


def _above_zero(text: str) -> int:
    number = int(text.replace(",", ""))
    if number <= 0:
        raise ValueError(text)
    return number


def _gateway(text: str) -> str:
    if not _GATEWAY.fullmatch(text):
        raise ValueError(text)
    return text


def _state_code(text: str) -> str:
    if text.upper() not in STATE_CODES:
        raise ValueError(text)
    return text.upper()


def parse_weekdays(text: str) -> tuple[int, ...]:
    """Days such as 'Mon Tue Fri' or 'Mon-Fri', Monday is 0."""
    names = {name.casefold(): number for number, name in enumerate(WEEKDAYS)}
    found: set[int] = set()
    for part in text.replace(",", " ").casefold().split():
        first, dash, last = part.partition("-")
        start, end = names[first], names[last if dash else first]
        if start > end:
            raise ValueError(text)
        found.update(range(start, end + 1))
    return tuple(sorted(found))


def show_weekdays(days: tuple[int, ...]) -> str:
    """The text that `parse_weekdays` reads back."""
    return " ".join(WEEKDAYS[day] for day in days)


def parse_names(text: str) -> tuple[str, ...]:
    """Names set apart by ';', each once."""
    return tuple(dict.fromkeys(one.strip() for one in text.split(";") if one.strip()))


def _day(name: str, label: str, source: str = "") -> Column:
    return Column(
        name, label, parse_day, EXPECTED_DAY,
        show=date.isoformat, restore=date.fromisoformat, length=10, source=source,
    )  # fmt: skip


def _words(name: str, label: str, length: int = SHORT, source: str = "") -> Column:
    return Column(name, label, _text, "some text", length=length, source=source)


_VIN_RULE = "49 CFR 565 (A)"
_POSITIVE = "a whole number above 0"

IDENTITY = (
    Column("unit", "Unit", _text, "some text", required=True),
    Column("vin", "VIN", _capitals, "a VIN", required=True, length=32, source=_VIN_RULE),
    Column("plate", "Plate", _capitals, "some text", required=True, length=32),
    Column("depot", "Depot", _text, "some text", required=True),
    Column("depot_tz", "Depot's time zone", parse_zone, "an IANA time zone", required=True),
    Column("program", "Inspection program", _text, "a program", required=True),
    Column(
        "model_year", "Model year", _model_year,
        f"a year {FIRST_MODEL_YEAR} to {LAST_MODEL_YEAR}",
        required=True, whole_number=True, source=_VIN_RULE,
    ),
    Column(
        "ignition", "Ignition", Ignition, "spark or compression",
        restore=Ignition, required=True, length=16, source="SAE J1979, PID 01 (B)",
    ),
    Column(
        "gvwr_lb", "GVWR, lb", _above_zero, "whole pounds above 0, or nothing",
        whole_number=True, source="49 CFR 567 (from memory)",
    ),
    Column(
        "gateway", "Gateway", _gateway, "a-z, 0-9 and '-', at most 32, or nothing", length=32
    ),
    _day("fitted_from", "Gateway fitted from"),
    _day("due_date", "Inspection due"),
)  # fmt: skip
"""The columns every file must have in its heading; those not `required` may be empty."""

PARTICULARS = (
    Column(
        "other_programs", "Other inspection programs", parse_names, "programs, set apart by ';'",
        show="; ".join, restore=parse_names, length=200,
    ),
    _words("make", "Make"),
    Column(
        "fuel", "Fuel", _one_of(FUELS), f"one of {', '.join(FUELS)}",
        length=32, source="SAE J1979, PID 51 (B)",
    ),
    _day("fitted_until", "Gateway fitted until (the first day without it)"),
    _words("hold_reason", "Hold", LONG),
    _words("vehicle_class", "Class"),
    _words("spare_for", "Spare for"),
    Column(
        "lay_up", "Seasonal lay-up", lay_up.parse_seasons, lay_up.EXPECTED,
        show=lay_up.show_seasons, restore=lay_up.parse_seasons, length=200,
    ),
    Column(
        "duty_days", "Duty days", parse_weekdays, "days such as Mon-Fri or Mon Wed Sat",
        show=show_weekdays, restore=parse_weekdays, length=32,
    ),
    _day("in_service_date", "In service since"),
    Column("odometer_mi", "Odometer, miles", _above_zero, _POSITIVE, whole_number=True),
    _words("odometer_source", "Odometer read from"),
    _day("odometer_date", "Odometer read on"),
    Column(
        "registration_state", "Registered in", _state_code,
        "a state or province in two letters", length=2, source="USPS Publication 28 (from memory)",
    ),
    _day("registration_expiry", "Registration expires"),
    _words("plate_class", "Plate class"),
    _words("garaging_county", "Garaging county"),
    _words("owner", "Owner"),
    _words("lessor", "Lessor"),
    _day("lease_end", "Lease ends"),
    _words("certificate_number", "Certificate"),
    _day("certificate_until", "Certificate valid until"),
    _day("retest_by", "Retest by"),
    _words("open_recalls", "Open recalls as entered", LONG),
)  # fmt: skip
"""Columns a file may leave out: what is stored of them then stays as it is."""

STATE = Column(
    "state", "Vehicle state", _one_of(STATES), f"one of {', '.join(STATES)}", length=32
)  # fmt: skip
ALL = (*IDENTITY, STATE, *PARTICULARS)
BY_NAME = {column.name: column for column in ALL}
