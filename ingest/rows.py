"""Reads the rows of a list from CSV or XLSX, and writes a list in either."""

from __future__ import annotations

import csv
import io
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import date, datetime
from pathlib import Path
from zipfile import BadZipFile

Row = dict[str, str]
_FORMULA = ("=", "+", "-", "@", "\t")
"""A spreadsheet takes a text that begins so for a formula."""
_MARK = "'"


class RowsError(ValueError):
    """The file as a whole cannot be read as a table: the message names file and reason."""


@dataclass(frozen=True, slots=True)
class Table:
    """The rows below the heading, as text by column name, and the line of the file of each.

    `columns` are those of the heading that are known, `others` those that are not and are left out.
    """

    rows: list[Row]
    lines: list[int]
    columns: frozenset[str]
    others: tuple[str, ...]


def read_table(path: Path, needed: Sequence[str], known: Iterable[str]) -> Table:
    """Read a file; blank rows are left out.

    Raises `RowsError` with every fault for a file that is not there, is no table, lacks a `needed`
    column, or has a row with more cells than its heading.
    """
    try:
        lines = _xlsx(path) if path.suffix.lower() == ".xlsx" else _csv(path)
    except OSError as error:
        raise RowsError(f"{path}: {error.strerror or error}") from error
    except (UnicodeDecodeError, csv.Error, BadZipFile, KeyError, ValueError) as error:
        raise RowsError(f"{path}: {error}, expected CSV in UTF-8 or XLSX") from error
    if not lines:
        raise RowsError(f"{path}: empty, expected a heading with {', '.join(needed)}")
    heading = [name.strip().lower() for name in lines[0][1]]
    faults = [f"no column {name!r}" for name in needed if name not in heading]
    doubled = sorted({name for name in heading if name and heading.count(name) > 1})
    faults += [f"column {name!r} stands twice" for name in doubled]
    body = [(number, cells) for number, cells in lines[1:] if any(cell.strip() for cell in cells)]
    faults += [
        f"line {number}: {len(cells)} cells, expected {len(heading)} as in the heading"
        for number, cells in body
        if any(cell.strip() for cell in cells[len(heading) :])
    ]
    if faults:
        raise RowsError(f"{path}: {'; '.join(faults)}")
    columns = frozenset(heading).intersection(known)
    others = tuple(name for name in heading if name and name not in columns)
    rows = [_row(heading, cells) for _, cells in body]
    return Table(rows, [number for number, _ in body], columns, others)


def _row(heading: Sequence[str], cells: Sequence[str]) -> Row:
    full = [*cells, *[""] * (len(heading) - len(cells))]
    return {name: _unmarked(cell) for name, cell in zip(heading, full, strict=False)}


def _csv(path: Path) -> list[tuple[int, list[str]]]:
    """Each row with the line on which it begins: a cell in quotes may go over several."""
    text = path.read_text(encoding="utf-8-sig")
    if "\0" in text:
        raise ValueError("holds a NUL byte")
    reader = csv.reader(io.StringIO(text, newline=""), strict=True)
    found, first = [], 1
    for cells in reader:
        found.append((first, cells))
        first = reader.line_num + 1
    return found


def _xlsx(path: Path) -> list[tuple[int, list[str]]]:
    from openpyxl import load_workbook
    from openpyxl.utils.exceptions import InvalidFileException

    try:
        book = load_workbook(path, read_only=True, data_only=True)
    except InvalidFileException as error:
        raise ValueError(str(error)) from error
    try:
        rows = book.worksheets[0].iter_rows(values_only=True)
        return [(line, [_cell(value) for value in row]) for line, row in enumerate(rows, start=1)]
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
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, float) and value.is_integer():
        return str(int(value))
    return str(value)


def write_table(path: Path, heading: Sequence[str], rows: Iterable[Sequence[str]]) -> None:
    """Write a list that `read_table` reads back: XLSX by the file's name, else CSV."""
    if path.suffix.lower() == ".xlsx":
        _write_xlsx(path, heading, rows)
    else:
        path.write_text(to_csv(heading, rows), encoding="utf-8", newline="")


def to_csv(heading: Sequence[str], rows: Iterable[Sequence[str]]) -> str:
    """CSV text; a text that a spreadsheet would run as a formula is marked as text."""
    out = io.StringIO(newline="")
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow(heading)
    writer.writerows([_marked(cell) for cell in row] for row in rows)
    return out.getvalue()


def _marked(text: str) -> str:
    return _MARK + text if text.startswith((*_FORMULA, _MARK)) else text


def _unmarked(text: str) -> str:
    is_marked = text.startswith(tuple(_MARK + sign for sign in (*_FORMULA, _MARK)))
    return text[1:] if is_marked else text


def _write_xlsx(path: Path, heading: Sequence[str], rows: Iterable[Sequence[str]]) -> None:
    """Every cell as text: nothing is a formula, and a leading zero stays."""
    from openpyxl import Workbook
    from openpyxl.cell import WriteOnlyCell

    book = Workbook(write_only=True)
    sheet = book.create_sheet("list")
    sheet.freeze_panes = "A2"
    for row in (heading, *rows):
        cells = []
        for text in row:
            cell = WriteOnlyCell(sheet, value=_marked(text) if text.startswith(_MARK) else text)
            cell.data_type = "s"
            cells.append(cell)
        sheet.append(cells)
    book.save(path)
