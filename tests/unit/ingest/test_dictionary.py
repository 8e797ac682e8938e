"""A fleet's own code meanings: whose row wins, for which model year, and every fault of a file.

The make and the meanings are invented; the ranges of codes are SAE J2012's (two public notes; B).
"""

from __future__ import annotations

import pytest

from ingest.domain.codes import CodeKind, meaning
from ingest.domain.dictionary import (
    OWN_SOURCE,
    DictionaryError,
    explain,
    parse_dictionary,
)

HEADER = "make,model_year_from,model_year_to,code,meaning,source\n"
FILE = (
    HEADER
    + "Northfield,2015,2018,P1234,Brake booster pump runs too long,Northfield manual 2016\n"
    + 'Northfield,2019,2024,p1234,"Charge cooler valve, stuck",Northfield manual 2020\n'
    + "Northfield,2015,2024,P0420,Catalyst below its limit (see sheet 7),Northfield manual 2016\n"
)


@pytest.mark.parametrize(
    "make, year, text",
    [
        pytest.param("Northfield", 2014, None, id="a year before the first"),
        pytest.param("Northfield", 2015, "Brake booster pump runs too long", id="first year"),
        pytest.param("Northfield", 2018, "Brake booster pump runs too long", id="last year"),
        pytest.param("Northfield", 2019, "Charge cooler valve, stuck", id="the next row"),
        pytest.param("Northfield", 2024, "Charge cooler valve, stuck", id="its last year"),
        pytest.param("Northfield", 2025, None, id="a year after the last"),
        pytest.param(" NORTHFIELD ", 2020, "Charge cooler valve, stuck", id="written another way"),
        pytest.param("Southfield", 2020, None, id="another make"),
        pytest.param("Northfield", None, None, id="model year not known"),
        pytest.param(None, 2020, None, id="make not known"),
    ],
)
def test_a_row_speaks_for_its_make_and_model_years(make, year, text):
    found = explain("P1234", make, year, parse_dictionary(FILE))
    assert (found.kind, found.text) == (CodeKind.MAKER, text)
    assert (found.source is None) is (text is None)


def test_a_row_of_the_fleet_goes_before_our_table_with_its_source():
    found = explain("P0420", "Northfield", 2016, parse_dictionary(FILE))
    assert found.text == "Catalyst below its limit (see sheet 7)"
    assert found.source == "Northfield manual 2016"


def test_without_a_row_our_table_speaks_with_its_source():
    info = meaning("P0420")
    assert info is not None
    found = explain("P0420", "Southfield", 2016, parse_dictionary(FILE))
    assert (found.kind, found.text, found.source) == (CodeKind.KNOWN, info.definition, OWN_SOURCE)
    assert explain("P0420", None, None) == found


@pytest.mark.parametrize(
    "code, kind",
    [
        pytest.param("P1FFF", CodeKind.MAKER, id="the maker's own"),
        pytest.param("P0FFF", CodeKind.UNKNOWN, id="standard, meaning unknown"),
        pytest.param("C3000", CodeKind.RESERVED, id="reserved"),
    ],
)
def test_a_code_that_nobody_explains_is_never_guessed(code, kind):
    found = explain(code, "Northfield", 2016, parse_dictionary(FILE))
    assert (found.kind, found.text, found.source) == (kind, None, None)


def test_columns_may_stand_in_any_order_with_a_mark_and_blank_lines():
    text = "\ufeffcode,source,meaning,model_year_to,model_year_from,make\r\n\r\n"
    text += "P1234,Manual,Text,2020,2019,Northfield\r\n"
    row = parse_dictionary(text).look_up("P1234", "Northfield", 2019)
    assert row is not None
    assert (row.meaning, row.source, row.line) == ("Text", "Manual", 3)


GOOD = "Northfield,2015,2018,P1234,Text,Manual"


@pytest.mark.parametrize(
    "text, faults",
    [
        pytest.param("", ["header"], id="an empty file"),
        pytest.param("make,code\nNorthfield,P1234\n", ["header"], id="columns missing"),
        pytest.param(HEADER.replace("source", "source,more"), ["header"], id="a column too many"),
        pytest.param(HEADER + "Northfield,2015\n", ["line 2: 2 cells"], id="cells missing"),
        pytest.param(HEADER + GOOD + ",x\n", ["line 2: 7 cells"], id="a cell too many"),
        pytest.param(HEADER + GOOD.replace("P1234", "P12345"), ["line 2, code"], id="no code"),
        pytest.param(
            HEADER + GOOD.replace("2015", "1979"), ["line 2, model_year_from"], id="too early"
        ),
        pytest.param(HEADER + GOOD.replace("2018", "2061"), ["line 2, model_year_to"], id="late"),
        pytest.param(
            HEADER + GOOD.replace("2015", "2019"), ["line 2, model years"], id="years reversed"
        ),
        pytest.param(HEADER + GOOD.replace("Manual", " "), ["line 2, source"], id="no source"),
        pytest.param(
            HEADER + GOOD.replace("Text", "x" * 301), ["line 2, meaning"], id="meaning too long"
        ),
        pytest.param(
            HEADER + GOOD + "\n" + GOOD.replace("2015", "2018").replace("North", "north"),
            ["line 3: P1234"],
            id="two rows for one year",
        ),
        pytest.param(
            HEADER
            + "Northfield,2010,2024,P1234,Text,Manual\n"
            + "Northfield,2012,2013,P1234,Text,Manual\n"
            + "Northfield,2020,2021,P1234,Text,Manual\n",
            ["line 3: P1234", "line 4: P1234"],
            id="a long row over two short ones",
        ),
        pytest.param(
            HEADER + ",20x5,1900,Q1,,\n" + "short\n",
            [
                "line 2, make",
                "line 2, meaning",
                "line 2, source",
                "line 2, code",
                "line 2, model_year_from",
                "line 2, model_year_to",
                "line 3: 1 cells",
            ],
            id="every fault at once",
        ),
        pytest.param(HEADER + 'Northfield,2015,2018,P1234,"Text,Manual', ["line 2"], id="a quote"),
    ],
)
def test_a_wrong_file_lists_every_fault(text, faults):
    with pytest.raises(DictionaryError) as caught:
        parse_dictionary(text)
    assert len(caught.value.faults) == len(faults)
    for found, start in zip(caught.value.faults, faults, strict=True):
        assert found.startswith(start)


def test_years_that_meet_without_overlap_are_no_fault():
    rows = GOOD + "\n" + GOOD.replace("2018", "2020").replace("2015", "2019")
    assert parse_dictionary(HEADER + rows).look_up("P1234", "Northfield", 2019) is not None
