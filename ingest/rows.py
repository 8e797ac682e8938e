"""Reads the rows of a vehicle list from CSV or XLSX, and writes the list back as CSV."""

from __future__ import annotations

import csv
import io
from collections.abc import Iterable, Sequence
from datetime import date, datetime
from pathlib import Path
from zipfile import BadZipFile

from ingest.domain.vehicles import COLUMNS, Vehicle

Row = dict[str, str]


class RowsError(ValueError):
    """The file as a whole cannot be read as a table: the message names file and reason."""


def read_table(path: Path) -> list[Row]:
    """The rows below the heading, each as text by column name; blank rows are left out.

    Raises `RowsError` for a file that is not there, not a table, or lacks a column.
    """
    try:
        lines = _xlsx(path) if path.suffix.lower() == ".xlsx" else _csv(path)
    except OSError as error:
        raise RowsError(f"{path}: {error.strerror or error}") from error
    except (UnicodeDecodeError, csv.Error, BadZipFile, KeyError, ValueError) as error:
        raise RowsError(f"{path}: {error}, expected CSV in UTF-8 or XLSX") from error
    if not lines:
        raise RowsError(f"{path}: empty, expected a heading with {', '.join(COLUMNS)}")
    heading = [name.strip().lower() for name in lines[0]]
    missing = [name for name in COLUMNS if name not in heading]
    doubled = sorted({name for name in heading if name and heading.count(name) > 1})
    if missing or doubled:
        faults = [f"no column {name!r}" for name in missing]
        faults += [f"column {name!r} stands twice" for name in doubled]
        raise RowsError(f"{path}: {'; '.join(faults)}")
    return [_row(heading, line) for line in lines[1:] if any(cell.strip() for cell in line)]


def _row(heading: Sequence[str], line: Sequence[str]) -> Row:
    cells = [*line, *[""] * (len(heading) - len(line))]
    return dict(zip(heading, cells, strict=False))


def _csv(path: Path) -> list[list[str]]:
    text = path.read_text(encoding="utf-8-sig")
    if "\0" in text:
        raise ValueError("holds a NUL byte")
    return list(csv.reader(io.StringIO(text, newline=""), strict=True))


def _xlsx(path: Path) -> list[list[str]]:
    from openpyxl import load_workbook
    from openpyxl.utils.exceptions import InvalidFileException

    try:
        book = load_workbook(path, read_only=True, data_only=True)
    except InvalidFileException as error:
        raise ValueError(str(error)) from error
    try:
        sheet = book.worksheets[0]
        return [[_cell(value) for value in line] for line in sheet.iter_rows(values_only=True)]
    finally:
        book.close()


def _cell(value: object) -> str:
    """A cell as the CSV would have it: whole numbers without a point, dates as YYYY-MM-DD."""
    if value is None:
        return ""
    if isinstance(value, datetime):
        return value.date().isoformat()
    if isinstance(value, date):
        return value.isoformat()
    if isinstance(value, float) and value.is_integer():
        return str(int(value))
    return str(value)


def to_csv(vehicles: Iterable[Vehicle]) -> str:
    """The vehicle list as CSV text that `read_table` reads back."""
    out = io.StringIO(newline="")
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow(COLUMNS)
    for one in vehicles:
        cells = (getattr(one, name) for name in COLUMNS)
        writer.writerow("" if cell is None else str(cell) for cell in cells)
    return out.getvalue()
