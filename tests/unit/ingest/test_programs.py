"""The programs that come with the package, and what is said of a broken program file."""

from __future__ import annotations

import tomllib
from importlib import resources
from pathlib import Path

import pytest

from ingest.domain.citation import Cited
from ingest.domain.program_scope import Fuel
from ingest.domain.programs import Program, ProgramError, parse_additions, parse_program
from ingest.program_files import load_programs

GOLDEN = Path(__file__).parents[2] / "golden" / "programs"
PROGRAMS = load_programs()
SHIPPED = {
    "arizona", "california-heavy-duty", "california-light-duty", "illinois", "massachusetts",
    "new-jersey", "new-york", "north-carolina", "oregon", "pennsylvania", "texas", "us-federal",
    "virginia-north", "wisconsin",
}  # fmt: skip
GAS, DIESEL = Fuel.GASOLINE, Fuel.DIESEL


def golden(name):
    return (GOLDEN / name).read_text(encoding="utf-8")


# us-federal: 40 CFR 85.2222(c)(2), numbers by secondary pages (B). illinois: 276.209(c)(1) (A).
# new-york: 79.24(a)(1) (A). oregon: OAR 340-256-0355(2) (A*). california: 3340.42.2(c) (B).
@pytest.mark.parametrize("name", ["us-federal", "illinois", "new-york", "wisconsin"])
@pytest.mark.parametrize(
    "model_year, allowed",
    [
        pytest.param(1995, None, id="1995 is before the program"),
        pytest.param(1996, 2, id="1996 first of the older span"),
        pytest.param(2000, 2, id="2000 last of the older span"),
        pytest.param(2001, 1, id="2001 first of the newer span"),
        pytest.param(2026, 1, id="2026"),
    ],
)
def test_two_and_one_by_model_year(name, model_year, allowed):
    row = PROGRAMS[name].allowance(model_year)
    assert (row.value if row else None) == allowed


@pytest.mark.parametrize(
    "name, model_year, fuel, value, monitors",
    [
        ("oregon", 2000, GAS, 2, None),
        ("oregon", 2001, GAS, 1, None),
        ("oregon", 2008, DIESEL, 0, None),
        ("oregon", 2009, DIESEL, 1, None),
        ("california-light-duty", 1999, GAS, 1, None),
        ("california-light-duty", 2000, GAS, None, ["evaporative_system"]),
        ("california-light-duty", 2006, DIESEL, 0, None),
        ("california-light-duty", 2007, DIESEL, None, ["pm_filter", "nmhc_catalyst"]),
    ],
)
def test_allowances_by_fuel_and_by_name(name, model_year, fuel, value, monitors):
    row = PROGRAMS[name].allowance(model_year, fuel)
    assert row is not None
    assert (row.value, row.monitors) == (value, monitors)


def test_the_programs_of_the_table_are_there_and_no_other():
    # Colorado's text is known to have been corrected since; Utah and Connecticut were not seen.
    assert set(PROGRAMS) == SHIPPED


def _uncited(table, where):
    """Tables with a value of their own and no citation, read from the file as it stands."""
    own = [key for key, value in table.items() if not isinstance(value, (dict, list))]
    if own and not {"source", "edition", "tag"} <= table.keys():
        yield where
    for key, value in table.items():
        rows = value if isinstance(value, list) else [value]
        for number, row in enumerate(rows):
            if isinstance(row, dict):
                yield from _uncited(row, f"{where}.{key}.{number}")


@pytest.mark.parametrize("name", sorted(SHIPPED))
def test_every_row_of_a_program_file_has_a_citation(name):
    path = resources.files("ingest").joinpath("programs", f"{name}.toml")
    table = tomllib.loads(path.read_text(encoding="utf-8"))
    for key in ("title", "called", "authority", "advisory"):  # names, not rules
        assert table.pop(key)
    assert list(_uncited(table, name)) == []


@pytest.mark.parametrize("name", sorted(SHIPPED))
def test_what_says_unverified_or_from_memory_is_tagged_so(name):
    for row in _cited(PROGRAMS[name]):
        if row.edition == "unverified":
            assert row.tag == "M", row
        if row.note and "from memory" in row.note and "outcome" not in row.note:
            assert row.tag == "M", row


def _cited(part):
    values = part if isinstance(part, list) else [getattr(part, one) for one in _fields(part)]
    for value in values:
        if isinstance(value, Cited):
            yield value
        if isinstance(value, list) or _fields(value):
            yield from _cited(value)


def _fields(part):
    return list(type(part).model_fields) if hasattr(type(part), "model_fields") else []


def test_the_walk_over_cited_values_finds_them():
    assert len(list(_cited(PROGRAMS["new-york"]))) >= 20
    assert isinstance(PROGRAMS["new-york"], Program)


def test_windows_and_periods_are_those_of_the_agencies():
    # Trans 131 (A): 180 days, two years, first at four model years; CARB guidance (A): 90 days,
    # twice a year; NY (A) annual.
    assert _dates("wisconsin") == {"window_days": 180, "period_months": 24, "first_due_age": 4}
    assert _dates("california-heavy-duty") == {"window_days": 90, "period_months": 6}
    assert _dates("new-york") == {"period_months": 12}


def _dates(name):
    """The whole numbers a program gives for its dates."""
    found = dict(PROGRAMS[name].dates)
    return {
        key: row.value for key, row in found.items() if type(getattr(row, "value", None)) is int
    }


def test_an_extension_that_is_not_known_to_be_current_is_not_offered():
    # 2005 DMV message, tag A: to be confirmed in the current text.
    extension = PROGRAMS["new-york"].dates.extension
    assert extension is not None
    assert (extension.days, extension.offered) == (10, False)
    assert extension.model_copy(update={"current": True}).offered
    assert not extension.model_copy(update={"current": True, "tag": "A*"}).offered


def test_a_broken_file_tells_all_its_faults():
    with pytest.raises(ProgramError) as caught:
        parse_program(golden("bad-three-faults.toml"), "bad")
    text = str(caught.value)
    assert "scope.0.tag" in text
    assert "allowed_incomplete.0.value" in text
    assert "surprise" in text


def test_faults_across_rows_are_all_told():
    with pytest.raises(ProgramError) as caught:
        parse_program(golden("bad-across-rows.toml"), "bad")
    text = str(caught.value)
    assert "to_model_year 1990" in text
    assert "no row for diesel" in text
    assert "P0439 to P0420" in text


def test_a_gap_between_model_years_is_a_fault():
    with pytest.raises(ProgramError, match="expected to start at 2001"):
        parse_program(golden("bad-gap-in-model-years.toml"), "gap")


@pytest.mark.parametrize("text", ["= 1", "title = 1", ""], ids=["no TOML", "wrong type", "empty"])
def test_nonsense_is_refused_with_its_name(text):
    with pytest.raises(ProgramError, match="odd"):
        parse_program(text, "odd")
    if text:
        with pytest.raises(ProgramError, match="odd"):
            parse_additions(text, "odd")


def test_a_site_adds_programs_and_its_faults_are_named(tmp_path):
    (tmp_path / "site-rule.toml").write_text(golden("good-small.toml"), encoding="utf-8")
    assert set(load_programs(tmp_path)) == SHIPPED | {"site-rule"}
    (tmp_path / "broken.toml").write_text("x", encoding="utf-8")
    (tmp_path / "nowhere.fleet.toml").write_text("", encoding="utf-8")
    with pytest.raises(ProgramError) as caught:
        load_programs(tmp_path)
    assert "broken" in str(caught.value)
    assert "program 'nowhere', expected one of" in str(caught.value)
    with pytest.raises(ProgramError, match="expected a directory"):
        load_programs(tmp_path / "none")


def test_a_fleet_adds_its_own_rows_to_a_program_and_they_are_marked(tmp_path):
    (tmp_path / "illinois.fleet.toml").write_text(golden("good-additions.toml"), encoding="utf-8")
    program = load_programs(tmp_path)["illinois"]
    assert [row.own for row in program.exceptions] == [True]
    assert program.stale_after_days.value == 2
    assert PROGRAMS["illinois"].exceptions == []
