"""VIN check digits against published examples."""

from __future__ import annotations

import pytest

from ingest.domain.vin import check_digit_fault, check_digit_required, form_fault, model_years


# 49 CFR 565.15 (A) gives values and weights; the numbers are published worked examples:
# an encyclopedia, a mathematics blog, and the ISO 15031-5 example (second-hand; C).
@pytest.mark.parametrize(
    "vin, expected",
    [
        pytest.param("11111111111111111", None, id="all ones"),
        pytest.param("1M8GDM9AXKP042788", None, id="check digit X"),
        pytest.param("5GZCZ43D13S812715", None, id="check digit 1"),
        pytest.param("LJCPCBLCX11000237", None, id="outside North America, right"),
        pytest.param("1G1JC5444R7252367", None, id="ISO 15031-5 example"),
        pytest.param("KLATF08Y1VB363636", "4", id="should be 4"),
        pytest.param("WP0ZZZ99ZTS392124", "8", id="filler where the digit would be"),
        pytest.param("1M8GDM9AXKP042789", "1 at", id="last digit off by one: 353 mod 11"),
    ],
)
def test_check_digit_agrees_with_published_examples(vin, expected):
    fault = check_digit_fault(vin)
    assert (fault is None) == (expected is None)
    assert expected is None or f"check digit {expected}" in str(fault)


@pytest.mark.parametrize(
    "vin, part",
    [
        pytest.param("1" * 16, "not 16", id="one short"),
        pytest.param("1" * 18, "not 18", id="one long"),
        pytest.param("", "not 0", id="empty"),
        pytest.param("1M8GDM9AXKP04278O", "not O", id="letter O is never used"),
        pytest.param("1m8gdm9axkp042788", "not a", id="small letters"),
        pytest.param("1" * 16 + "\u0661", "not \u0661", id="a digit of another script"),
    ],
)
def test_a_wrong_form_is_named(vin, part):
    assert part in (form_fault(vin) or "")


def test_check_digit_is_a_duty_in_north_america_only():
    # 49 CFR 565 (A) for the duty; ISO 3780 regions from memory (M).
    assert [c for c in "0123456789AHJRSZ" if check_digit_required(c)] == list("12345")


# 49 CFR 565.15 Table VII for position 10; position 7 tells the cycle up to 10,000 lb (A; letters
# other than 1988 to 2003 from memory).
@pytest.mark.parametrize(
    "vin, gvwr, expected",
    [
        pytest.param("1M8GDM9AXKP042788", 10_000, (1989,), id="digit at 7, light"),
        pytest.param("1M8GDMAAXKP042788", 10_000, (2019,), id="letter at 7, light"),
        pytest.param("1M8GDM9AXKP042788", 10_001, (1989, 2019), id="just too heavy to tell"),
        pytest.param("1M8GDM9AXKP042788", None, (1989, 2019), id="weight not known"),
        pytest.param("WM8GDM9AXKP042788", 10_000, (1989, 2019), id="another region"),
        pytest.param("1M8GDM9AX1P042788", 8_500, (2001,), id="digit 1"),
        pytest.param("1M8GDM9AX9P042788", 8_500, (2009,), id="last of the first cycle"),
        pytest.param("1M8GDM9AXUP042788", 8_500, (), id="U is no model year"),
        pytest.param("1M8GDM9AX0P042788", 8_500, (), id="nor is 0"),
    ],
)
def test_model_years_of_position_10(vin, gvwr, expected):
    assert model_years(vin, gvwr) == expected
