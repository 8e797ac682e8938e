"""Who drives which vehicle on which day: personal data, kept no longer than a lamp alert needs."""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, timedelta

from ingest.domain.days import EXPECTED_DAY, parse_day
from ingest.domain.vehicles import RowFault

COLUMNS = ("unit", "day", "name", "phone", "language", "take_home")
KEPT = timedelta(days=3)
"""How long after its day an entry is kept: a weekend (a choice of this project)."""
_YES_NO = {"yes": True, "no": False, "": False}
_PHONE = re.compile(r"\+?[0-9][0-9 ().-]{2,30}")
_LANGUAGE = re.compile(r"[A-Za-z]{2,3}(-[A-Za-z0-9]{2,8})*")
MAX_NAME, MAX_LANGUAGE = 64, 35


@dataclass(frozen=True, slots=True)
class DriverDay:
    """One driver or crew member of one unit on one day (the depot's own).

    `language` is a tag of BCP 47 such as en or es-MX. `take_home`: the vehicle spends the night
    at the driver's.
    """

    unit: str
    day: date
    name: str
    phone: str | None = None
    language: str | None = None
    take_home: bool = False


def driver_words(one: DriverDay) -> str:
    """'Pat, +1 555 0100, en, takes it home'."""
    parts = (one.name, one.phone, one.language, "takes it home" if one.take_home else None)
    return ", ".join(part for part in parts if part)


def keep_from(today: date) -> date:
    """The first day whose entries are still kept."""
    return today - KEPT


def read_drivers(
    rows: Iterable[Mapping[str, str]], units: Iterable[str], lines: Sequence[int]
) -> tuple[list[DriverDay], list[RowFault]]:
    """Read a whole list with every fault; the caller loads all or nothing."""
    known = frozenset(units)
    found: list[DriverDay] = []
    faults: list[RowFault] = []
    seen: dict[tuple[str, str, str], int] = {}
    for line, raw in zip(lines, rows, strict=True):
        row = {name: str(raw.get(name) or "").strip() for name in COLUMNS}
        wrong = [
            RowFault(line, name, row[name], expected) for name, expected in _faults(row, known)
        ]
        first = seen.setdefault((row["unit"], row["day"], row["name"].casefold()), line)
        if first != line:
            expected = f"a name once for a unit and day: line {first} has it already"
            wrong.append(RowFault(line, "name", row["name"], expected))
        faults += wrong
        if not wrong:
            found.append(
                DriverDay(
                    unit=row["unit"],
                    day=parse_day(row["day"]),
                    name=row["name"],
                    phone=row["phone"] or None,
                    language=row["language"] or None,
                    take_home=_YES_NO[row["take_home"].casefold()],
                )
            )
    return found, faults


def _faults(row: Mapping[str, str], units: frozenset[str]) -> Iterator[tuple[str, str]]:
    if row["unit"] not in units:
        yield "unit", "a unit of the vehicle list"
    try:
        parse_day(row["day"])
    except ValueError:
        yield "day", EXPECTED_DAY
    if not 0 < len(row["name"]) <= MAX_NAME:
        yield "name", f"a name of at most {MAX_NAME} characters"
    if row["phone"] and not _PHONE.fullmatch(row["phone"]):
        yield "phone", "a number such as +1 555 0100, or nothing"
    language = row["language"]
    if language and not (_LANGUAGE.fullmatch(language) and len(language) <= MAX_LANGUAGE):
        yield "language", "a language tag such as en or es-MX, or nothing"
    if row["take_home"].casefold() not in _YES_NO:
        yield "take_home", "yes, no or nothing"
