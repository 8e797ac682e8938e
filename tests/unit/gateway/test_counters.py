"""In-use counters in the order the standard prints, named in full."""

from __future__ import annotations

import pytest

from gateway.facts import IN_USE_MONITORS
from gateway.protocol.counters import COUNTERS, decode_counters
from gateway.protocol.decode import FrameError


def answer(kind: int, count: int) -> bytes:
    numbers = b"".join(number.to_bytes(2, "big") for number in range(1, count + 1))
    return bytes((0x49, kind, count)) + numbers


@pytest.mark.parametrize(
    "kind, name, place",
    [
        # SAE J1979 info type 08 as tabulated (B); 17-20 Ford 2017-18 manual (C); 21-28 from memory.
        pytest.param(8, "obd_conditions", 1, id="08 OBDCOND"),
        pytest.param(8, "ignition_cycles", 2, id="08 IGNCNTR"),
        pytest.param(8, "catalyst_bank_1_completions", 3, id="08 CATCOMP1"),
        pytest.param(8, "catalyst_bank_1_conditions", 4, id="08 CATCOND1"),
        pytest.param(8, "catalyst_bank_2_conditions", 6, id="08 CATCOND2"),
        pytest.param(8, "oxygen_sensor_bank_1_completions", 7, id="08 O2SCOMP1"),
        pytest.param(8, "oxygen_sensor_bank_2_conditions", 10, id="08 O2SCOND2"),
        pytest.param(8, "egr_vvt_completions", 11, id="08 EGRCOMP"),
        pytest.param(8, "secondary_air_conditions", 14, id="08 AIRCOND"),
        pytest.param(8, "evaporative_system_completions", 15, id="08 EVAPCOMP"),
        pytest.param(8, "secondary_oxygen_sensor_bank_1_completions", 17, id="08 SO2SCOMP1"),
        pytest.param(8, "secondary_oxygen_sensor_bank_2_conditions", 20, id="08 SO2SCOND2"),
        pytest.param(8, "air_fuel_imbalance_bank_1_completions", 21, id="08 AFRICOMP1"),
        pytest.param(8, "particulate_filter_bank_2_conditions", 28, id="08 PFCOND2"),
        # SAE J1979 info type 0B as tabulated (B).
        pytest.param(11, "obd_conditions", 1, id="0B OBDCOND"),
        pytest.param(11, "nmhc_catalyst_completions", 3, id="0B HCCATCOMP"),
        pytest.param(11, "nox_catalyst_conditions", 6, id="0B NCATCOND"),
        pytest.param(11, "nox_adsorber_completions", 7, id="0B NADSCOMP"),
        pytest.param(11, "pm_filter_conditions", 10, id="0B PMCOND"),
        pytest.param(11, "exhaust_gas_sensor_completions", 11, id="0B EGSCOMP"),
        pytest.param(11, "egr_vvt_conditions", 14, id="0B EGRCOND"),
        pytest.param(11, "boost_pressure_conditions", 16, id="0B BPCOND"),
        pytest.param(11, "fuel_system_conditions", 18, id="0B FUELCOND"),
    ],
)
def test_a_counter_stands_at_its_place(kind, name, place):
    counters = decode_counters(answer(kind, len(COUNTERS[kind])), kind)
    assert counters[name] == place


@pytest.mark.parametrize("kind, count", [(8, 2), (8, 16), (8, 20), (8, 28), (11, 16), (11, 18)])
def test_every_edition_has_its_length(kind, count):
    assert list(decode_counters(answer(kind, count), kind)) == list(COUNTERS[kind][:count])


def test_counters_of_a_later_edition_are_left_out():
    assert len(decode_counters(answer(8, 40), 8)) == len(COUNTERS[8]) == 28


@pytest.mark.parametrize(
    "body",
    [
        pytest.param(b"", id="nothing"),
        pytest.param(b"\x49\x08", id="no count"),
        pytest.param(answer(8, 16)[:-1], id="cut short"),
        pytest.param(answer(8, 16) + b"\0", id="a tail"),
        pytest.param(answer(8, 15), id="half a pair"),
        pytest.param(answer(8, 0), id="none at all"),
        pytest.param(answer(11, 16), id="another info type"),
        pytest.param(b"\x09" + answer(8, 16)[1:], id="a request come back"),
    ],
)
def test_another_layout_is_refused(body):
    with pytest.raises(FrameError):
        decode_counters(body, 8)


def test_a_kind_without_counters_is_refused():
    with pytest.raises(FrameError):
        decode_counters(answer(4, 16), 4)


def test_every_pair_belongs_to_a_monitor():
    pairs = {
        name.removesuffix("_completions")
        for names in COUNTERS.values()
        for name in names
        if name.endswith("_completions")
    }
    assert pairs == set(IN_USE_MONITORS)
