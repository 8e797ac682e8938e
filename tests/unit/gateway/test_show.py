"""One reading in words: values in US units (49 CFR and NIST SP 811: 1 mile = 1.609344 km; A)."""

from __future__ import annotations

import pytest

from gateway import contract
from gateway.protocol.session import ReadResult
from gateway.show import as_lines


@pytest.mark.parametrize(
    "name, value, line",
    [
        ("vehicle_speed_kmh", 90, "vehicle speed: 55.9234 mph"),
        ("distance_since_clear_km", 1609.344, "distance since clear: 1,000 miles"),
        ("coolant_c", 100, "coolant: 212 °F"),
        ("coolant_c", -40, "coolant: -40 °F"),
        ("module_v", 14.0, "module: 14 V"),
        ("engine_speed_rpm", 2000.0, "engine speed: 2,000 rpm"),
        ("barometric_kpa", 101, "barometric: 101 kPa"),
        ("mass_air_flow_g_s", 26.0, "mass air flow: 26 g/s"),
        ("minutes_since_clear_min", 60, "minutes since clear: 60 min"),
        ("warm_ups_since_clear", 23, "warm ups since clear: 23"),
        ("commanded_lambda", 0.99, "commanded lambda: 0.99"),
    ],
)
def test_a_value_is_told_in_words_with_its_unit(name: str, value: float, line: str) -> None:
    reading = ReadResult(ecus={"7E8": contract.EcuReading(mil=False)}, values={name: value})
    assert line in as_lines(reading, "answers")
