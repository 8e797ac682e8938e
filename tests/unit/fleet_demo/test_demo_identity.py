"""Invented vehicle numbers carry a right check digit and model-year sign."""

from __future__ import annotations

import re

import pytest

from fleet_demo.identity import build_vin, check_digit, year_letter

PUBLISHED = [
    # 49 CFR 565.15 (A); examples from an encyclopedia, a mathematics blog and ISO 15031-5 (X)
    ("11111111111111111", "1"),
    ("1M8GDM9AXKP042788", "X"),
    ("5GZCZ43D13S812715", "1"),
    ("LJCPCBLCX11000237", "X"),
    ("1G1JC5444R7252367", "4"),
    ("WP0ZZZ99ZTS392124", "8"),
    ("KLATF08Y1VB363636", "4"),
]


@pytest.mark.parametrize("vin, expected", PUBLISHED)
def test_check_digit_of_published_numbers(vin: str, expected: str) -> None:
    assert check_digit(vin) == expected


@pytest.mark.parametrize(
    "year, sign",
    [
        # 49 CFR 565 table: 1988-2003 by one secondary source (C), the rest from memory
        (1996, "T"), (1999, "X"), (2000, "Y"), (2001, "1"), (2008, "8"), (2009, "9"),
        (2010, "A"), (2017, "H"), (2018, "J"), (2023, "P"), (2024, "R"), (2025, "S"),
    ],
)  # fmt: skip
def test_year_sign(year: int, sign: str) -> None:
    assert year_letter(year) == sign


@pytest.mark.parametrize("year", range(2008, 2026))
def test_a_built_number_is_well_formed(year: int) -> None:
    vin = build_vin(year, "A", "C", "B", 100037)
    assert re.fullmatch(r"[0-9A-HJ-NPR-Z]{17}", vin)
    assert vin[8] == check_digit(vin)
    assert vin[9] == year_letter(year)
    # 49 CFR 565.15: position 7 of a light vehicle is a letter from 2010 on, a digit before (A)
    assert vin[6].isalpha() is (year >= 2010)
    assert vin[12:].isdigit()
