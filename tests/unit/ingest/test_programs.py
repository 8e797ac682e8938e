"""The program that comes with the package, and what is said of a broken program file."""

from __future__ import annotations

from pathlib import Path

import pytest

from ingest.domain.programs import ProgramError, parse_program
from ingest.program_files import load_programs

GOLDEN = Path(__file__).parents[2] / "golden" / "programs"


# 40 CFR 85.2222(c)(2), numbers as reported by secondary pages (B), and
# 35 Ill. Adm. Code 276.209 (A): model years 1996-2000 two, 2001 on one.
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
def test_us_federal_allows_what_the_rule_allows(model_year, allowed):
    row = load_programs()["us-federal"].allowance(model_year)
    assert (row.value if row else None) == allowed


def test_every_value_of_us_federal_names_source_edition_and_tag():
    program = load_programs()["us-federal"]
    rows = [
        program.first_model_year, program.gvwr_max_lb, program.lamp_fails, program.count_scope,
        program.not_ready_word, program.stale_after_days, *program.allowed_incomplete,
        *program.check_by_eye, *program.retest_must_be_complete,
    ]  # fmt: skip
    assert all(row and row.source and row.edition and row.tag for row in rows)
    assert [row.tag for row in program.allowed_incomplete] == ["B", "B"]


def test_a_broken_file_tells_all_its_faults():
    with pytest.raises(ProgramError) as caught:
        parse_program((GOLDEN / "bad-three-faults.toml").read_text(encoding="utf-8"), "bad")
    text = str(caught.value)
    assert "first_model_year.tag" in text
    assert "allowed_incomplete.0.value" in text
    assert "surprise" in text


def test_a_gap_between_model_years_is_a_fault():
    text = (GOLDEN / "bad-gap-in-model-years.toml").read_text(encoding="utf-8")
    with pytest.raises(ProgramError, match="expected to start at 2001"):
        parse_program(text, "gap")


@pytest.mark.parametrize("text", ["= 1", "title = 1", ""], ids=["no TOML", "wrong type", "empty"])
def test_nonsense_is_refused_with_its_name(text):
    with pytest.raises(ProgramError, match="odd"):
        parse_program(text, "odd")


def test_a_site_adds_programs_and_its_faults_are_named(tmp_path):
    good = (GOLDEN / "good-small.toml").read_text(encoding="utf-8")
    (tmp_path / "site-rule.toml").write_text(good, encoding="utf-8")
    assert set(load_programs(tmp_path)) == {"us-federal", "site-rule"}
    (tmp_path / "broken.toml").write_text("x", encoding="utf-8")
    with pytest.raises(ProgramError, match="broken"):
        load_programs(tmp_path)
    with pytest.raises(ProgramError, match="expected a directory"):
        load_programs(tmp_path / "none")
