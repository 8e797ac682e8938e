"""A fleet's own code meanings, by make and model year, and what to say of a code.

The fleet brings a CSV file; its rows go before our own table, and always with their source. A
code of the maker's own range that no row explains is said to be one, never guessed.
"""

from __future__ import annotations

import csv
import io
import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from types import MappingProxyType

from ingest.domain import codes
from ingest.domain.codes import CodeKind

COLUMNS = ("make", "model_year_from", "model_year_to", "code", "meaning", "source")
OWN_SOURCE = "our own table, from memory of SAE J2012; the vehicle maker's text wins"
MAX_TEXT = 300
YEARS = range(1980, 2061)
"""Model years a row may name: 1980 is the first with a letter in the VIN (49 CFR 565; A)."""

_CODE = re.compile(r"[PCBU][0-3][0-9A-F]{3}")


class DictionaryError(ValueError):
    """A dictionary file is wrong; nothing of it is taken. `faults` names every fault."""

    def __init__(self, *faults: str) -> None:
        super().__init__("\n".join(faults))
        self.faults = faults


@dataclass(frozen=True, slots=True)
class Entry:
    """One row: what a code means on one make, for model years `first` to `last`, both counted."""

    make: str
    first: int
    last: int
    code: str
    meaning: str
    source: str
    line: int


@dataclass(frozen=True, slots=True)
class Dictionary:
    """Rows by make (case does not matter) and code."""

    entries: Mapping[tuple[str, str], tuple[Entry, ...]]

    def look_up(self, code: str, make: str | None, model_year: int | None) -> Entry | None:
        """The row for a code on a vehicle; None without one, or without make and model year."""
        if make is None or model_year is None:
            return None
        rows = self.entries.get((_key(make), code), ())
        return next((row for row in rows if row.first <= model_year <= row.last), None)


EMPTY = Dictionary(MappingProxyType({}))


NOT_KNOWN = "not known here: see the vehicle maker's text"


@dataclass(frozen=True, slots=True)
class Explained:
    """What to show of a code: `text` None = no meaning known; `source` is shown beside it."""

    code: str
    kind: CodeKind
    text: str | None
    source: str | None

    def __str__(self) -> str:
        text = NOT_KNOWN if self.text is None else self.text
        return f"{text} [{self.kind.value}{f'; {self.source}' if self.source else ''}]"


Explain = Callable[[str], Explained]
"""Says what a code means on one vehicle."""


def explainer(make: str | None, model_year: int | None, dictionary: Dictionary = EMPTY) -> Explain:
    """`explain` for the codes of one vehicle."""
    return lambda code: explain(code, make, model_year, dictionary)


def explain(
    code: str, make: str | None, model_year: int | None, dictionary: Dictionary = EMPTY
) -> Explained:
    """Say what a code means: the fleet's own row first, then our table, then only its range."""
    kind = codes.kind(code)
    row = dictionary.look_up(code, make, model_year)
    if row is not None:
        return Explained(code, kind, row.meaning, row.source)
    info = codes.meaning(code)
    if info is not None:
        return Explained(code, kind, info.definition, OWN_SOURCE)
    return Explained(code, kind, None, None)


def parse_dictionary(text: str) -> Dictionary:
    """Read a dictionary from its CSV text, or raise `DictionaryError` with every fault.

    The header names the columns of `COLUMNS` in any order; others are not allowed.
    """
    reader = csv.reader(io.StringIO(text.removeprefix("\ufeff"), newline=""), strict=True)
    faults: list[str] = []
    entries: list[Entry] = []
    try:
        header = [name.strip() for name in next(reader, [])]
        if sorted(header) != sorted(COLUMNS):
            raise DictionaryError(f"header: {header}, expected the columns {', '.join(COLUMNS)}")
        for cells in reader:
            if any(cell.strip() for cell in cells):
                _take(header, cells, reader.line_num, entries, faults)
    except csv.Error as error:
        faults.append(f"line {reader.line_num}: {error}")
    by_key = _by_key(entries, faults)
    if faults:
        raise DictionaryError(*faults)
    return Dictionary(MappingProxyType(by_key))


def _take(
    header: list[str], cells: list[str], line: int, entries: list[Entry], faults: list[str]
) -> None:
    if len(cells) != len(header):
        faults.append(f"line {line}: {len(cells)} cells, expected {len(header)}")
        return
    row = {name: cell.strip() for name, cell in zip(header, cells, strict=True)}
    found = [f"line {line}, {fault}" for fault in _row_faults(row)]
    faults += found
    if not found:
        entries.append(
            Entry(
                make=row["make"],
                first=int(row["model_year_from"]),
                last=int(row["model_year_to"]),
                code=row["code"].upper(),
                meaning=row["meaning"],
                source=row["source"],
                line=line,
            )
        )


def _row_faults(row: dict[str, str]) -> list[str]:
    faults = [
        f"{name}: {len(row[name])} characters, expected 1 to {MAX_TEXT}"
        for name in ("make", "meaning", "source")
        if not 0 < len(row[name]) <= MAX_TEXT
    ]
    if not _CODE.fullmatch(row["code"].upper()):
        faults.append(f"code: {row['code']!r}, expected a code such as P1234")
    years = [_year(row[name]) for name in ("model_year_from", "model_year_to")]
    faults += [
        f"{name}: {row[name]!r}, expected a year from {YEARS[0]} to {YEARS[-1]}"
        for name, year in zip(("model_year_from", "model_year_to"), years, strict=True)
        if year is None
    ]
    first, last = years
    if first is not None and last is not None and first > last:
        faults.append(f"model years: {first} to {last}, expected the earlier one first")
    return faults


def _year(text: str) -> int | None:
    year = int(text) if re.fullmatch(r"[0-9]{4}", text) else 0
    return year if year in YEARS else None


def _by_key(entries: list[Entry], faults: list[str]) -> dict[tuple[str, str], tuple[Entry, ...]]:
    """Group the rows; two that cover one model year of one make's code contradict each other."""
    grouped: dict[tuple[str, str], list[Entry]] = {}
    for entry in entries:
        grouped.setdefault((_key(entry.make), entry.code), []).append(entry)
    for rows in grouped.values():
        rows.sort(key=lambda row: (row.first, row.line))
        reaching = rows[0]  # the row so far that covers the latest model year
        for row in rows[1:]:
            if row.first <= reaching.last:
                faults.append(
                    f"line {row.line}: {row.code} of {row.make} for model year "
                    f"{row.first} stands on line {reaching.line} too"
                )
            reaching = max(reaching, row, key=lambda one: one.last)
    return {key: tuple(rows) for key, rows in grouped.items()}


def _key(make: str) -> str:
    return " ".join(make.split()).casefold()
