"""What the picture says over several ECUs (silence is never 'none': SAE J1979 use; X)."""

from __future__ import annotations

import pytest

from gateway.facts import Monitor
from ingest.domain.picture import EcuPicture, Picture


def of(*ecus):
    return Picture(ecus={f"7E{8 + n}": EcuPicture(heard_at=1, **ecu) for n, ecu in enumerate(ecus)})


@pytest.mark.parametrize(
    "ecus, mil",
    [
        pytest.param([], None, id="no ECU"),
        pytest.param([{}], None, id="not answered"),
        pytest.param([{"mil": False}, {}], False, id="one says off"),
        pytest.param([{"mil": False}, {"mil": True}], True, id="one says on"),
    ],
)
def test_the_lamp_is_lit_if_any_ecu_commands_it(ecus, mil):
    assert of(*ecus).mil() is mil


@pytest.mark.parametrize(
    "ecus, codes",
    [
        pytest.param([{}], None, id="never answered"),
        pytest.param([{"confirmed": []}, {}], frozenset(), id="asked, none"),
        pytest.param([{"confirmed": ["P0420"]}, {}], {"P0420"}, id="one ECU has one"),
    ],
)
def test_codes_never_answered_are_not_no_codes(ecus, codes):
    assert of(*ecus).codes("confirmed") == codes


def test_an_unknown_list_is_refused():
    with pytest.raises(ValueError, match="expected confirmed"):
        of({}).codes("stored")


def test_a_monitor_is_complete_only_if_so_in_every_ecu():
    cat, evap = Monitor.CATALYST, Monitor.EVAPORATIVE_SYSTEM
    picture = of({"monitors": {cat: False}}, {"monitors": {cat: True, evap: True}})
    assert picture.monitors() == {cat: False, evap: True}
    assert picture.incomplete() == (cat,)
