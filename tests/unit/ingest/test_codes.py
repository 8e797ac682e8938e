"""The code table: meanings from memory of SAE J2012, labour as common practice."""

from __future__ import annotations

import re

import pytest

from ingest.domain.codes import can_flash_lamp, meaning, table


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
