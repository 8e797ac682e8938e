"""The vehicle list as a file: CSV and XLSX read alike, what is no table is refused by name."""

from __future__ import annotations

from collections.abc import Callable
from datetime import date
from pathlib import Path

import pytest
from openpyxl import Workbook

from ingest.domain.vehicles import COLUMNS
from ingest.rows import RowsError
from ingest.vehicle_files import read_vehicles, write_vehicles

# The VIN is the worked example of 49 CFR 565 (from memory): all ones, check digit 1.
CELLS: tuple[object, ...] = (
    "U001", "1" * 17, "FLT 001", "North", "America/Chicago", "us-federal", 2019, "spark",
    8500.0, "gw-0001", date(2026, 9, 1), None,
)  # fmt: skip


def _as_csv(path: Path) -> Path:
    values = ["" if cell is None else str(cell) for cell in CELLS]
    values[8], values[10] = "8500", "2026-09-01"
    path = path / "list.csv"
    heading = ",".join(COLUMNS)
    path.write_text(f"\ufeff{heading}\r\n{','.join(values)}\r\n,,,\r\n", encoding="utf-8")
    return path


def _as_xlsx(path: Path) -> Path:
    book = Workbook()
    sheet = book.active
    assert sheet is not None
    sheet.append(list(COLUMNS))
    sheet.append(list(CELLS))
    book.save(path / "list.xlsx")
    return path / "list.xlsx"


@pytest.mark.parametrize("write", [_as_csv, _as_xlsx], ids=["CSV", "XLSX"])
def test_both_kinds_of_file_give_the_same_vehicle_and_survive_the_export(
    tmp_path: Path, write: Callable[[Path], Path]
) -> None:
    read = read_vehicles(write(tmp_path), {"us-federal"})

    assert [str(fault) for fault in read.faults if not fault.warning] == []
    assert read.columns == frozenset(COLUMNS)
    assert not read.others
    (one,) = read.vehicles
    assert (one.gvwr_lb, str(one.fitted_from), one.due_date) == (8500, "2026-09-01", None)
    for name in ("again.csv", "again.xlsx"):
        write_vehicles(tmp_path / name, read.vehicles)
        assert read_vehicles(tmp_path / name, {"us-federal"}).vehicles == read.vehicles


@pytest.mark.parametrize(
    ("name", "content", "word"),
    [
        ("list.csv", b"", "empty"),
        ("list.csv", b"unit,vin\nU1,1\n", "no column 'plate'"),
        ("list.csv", (",".join(COLUMNS) + ",unit\n").encode(), "twice"),
        ("list.csv", b"unit,\xff\xfe", "UTF-8"),
        ("list.csv", b"a\0b", "NUL"),
        ("list.xlsx", b"no zip at all", "XLSX"),
    ],
    ids=["empty", "columns missing", "column twice", "not UTF-8", "NUL", "no workbook"],
)
def test_what_is_no_vehicle_list_is_refused_with_file_and_reason(
    tmp_path: Path, name: str, content: bytes, word: str
) -> None:
    path = tmp_path / name
    path.write_bytes(content)

    with pytest.raises(RowsError, match=word) as caught:
        read_vehicles(path, set())
    assert str(path) in str(caught.value)


def test_a_file_that_is_not_there_is_refused(tmp_path: Path) -> None:
    with pytest.raises(RowsError, match="No such file"):
        read_vehicles(tmp_path / "none.csv", set())
