"""The code table: meanings from memory of SAE J2012, labour as common practice."""

from __future__ import annotations

import re

import pytest

from ingest.domain.codes import CodeKind, can_flash_lamp, kind, meaning, table


@pytest.mark.parametrize(
    "code, family, flash",
    [
        # SAE J2012 groups (from memory): P030x misfire, P042x catalyst, P044x evaporative.
        pytest.param("P0300", "misfire", True, id="random misfire"),
        pytest.param("P0420", "catalyst", False, id="catalyst efficiency"),
        pytest.param("P0442", "evap", False, id="small leak"),
        pytest.param("P0171", "fuel_system", False, id="too lean"),
    ],
)
def test_well_known_codes_belong_to_their_family(code, family, flash):
    info = meaning(code)
    assert info is not None
    assert (info.family, can_flash_lamp(code)) == (family, flash)


def test_every_row_is_whole_and_says_how_far_to_trust_it():
    for code, info in table().items():
        assert re.fullmatch(r"[PCBU][0-3][0-9A-F]{3}", code)
        assert info.definition
        assert 0 < info.labour_low <= info.labour_high
        assert "unsourced" in info.tags[0]
        assert "from memory" in info.tags[1]


def test_a_code_outside_the_table_has_no_meaning():
    assert meaning("P1FFF") is None
    assert not can_flash_lamp("P1FFF")


@pytest.mark.parametrize(
    "code, expected",
    [
        # SAE J2012 ranges as audited by two public notes (B), each at both of its ends.
        pytest.param("P0420", CodeKind.KNOWN, id="in our table"),
        pytest.param("P0000", CodeKind.UNKNOWN, id="P0 lowest"),
        pytest.param("P0FFF", CodeKind.UNKNOWN, id="P0 highest"),
        pytest.param("P1000", CodeKind.MAKER, id="P1 lowest"),
        pytest.param("P1FFF", CodeKind.MAKER, id="P1 highest"),
        pytest.param("P2FFF", CodeKind.UNKNOWN, id="P2 highest"),
        pytest.param("P3000", CodeKind.MAKER, id="P3 lowest"),
        pytest.param("P33FF", CodeKind.MAKER, id="P33 highest"),
        pytest.param("P3400", CodeKind.UNKNOWN, id="P34 lowest"),
        pytest.param("P3FFF", CodeKind.UNKNOWN, id="P3 highest"),
        pytest.param("B0001", CodeKind.UNKNOWN, id="B0"),
        pytest.param("B1000", CodeKind.MAKER, id="B1"),
        pytest.param("B2FFF", CodeKind.MAKER, id="B2"),
        pytest.param("B3000", CodeKind.RESERVED, id="B3"),
        pytest.param("C0300", CodeKind.UNKNOWN, id="C0"),
        pytest.param("C1000", CodeKind.MAKER, id="C1"),
        pytest.param("C3FFF", CodeKind.RESERVED, id="C3"),
        pytest.param("U0100", CodeKind.UNKNOWN, id="U0"),
        pytest.param("U1000", CodeKind.MAKER, id="U1"),
        pytest.param("U2FFF", CodeKind.MAKER, id="U2"),
        pytest.param("U3000", CodeKind.UNKNOWN, id="U3"),
    ],
)
def test_a_code_lies_in_the_range_of_who_gave_it(code, expected):
    assert kind(code) is expected


@pytest.mark.parametrize("text", ["", "P042", "P04200", "p0420", "X0420", "P4420", "P0G20"])
def test_what_is_no_code_has_no_range(text):
    with pytest.raises(ValueError, match="expected a code"):
        kind(text)


def test_our_table_holds_standard_codes_alone():
    assert {kind(code) for code in table()} == {CodeKind.KNOWN}
