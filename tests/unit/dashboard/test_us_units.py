"""US units from the suffix of a name, against published conversions."""

from __future__ import annotations

import pytest

from dashboard.views import us_units


@pytest.mark.parametrize(
    "name, number, text",
    [
        # NIST SP 811, appendix B.9 (from memory): 1 standard atmosphere is 101.325 kPa,
        # 14.696 psi and 29.92 inches of mercury; 1 inch of water is 249.089 Pa.
        pytest.param("barometric_kpa", 101.325, "29.9 inches of mercury", id="atmosphere"),
        pytest.param("manifold_pressure_kpa", 101.325, "29.9 inches of mercury", id="manifold"),
        pytest.param("fuel_pressure_kpa", 101.325, "14.7 psi", id="psi"),
        pytest.param("evaporative_vapor_pressure_pa", -249.089, "-1.00 inches of water", id="evap"),
        pytest.param("coolant_c", 100.0, "212 °F", id="water boils"),
        pytest.param("ambient_c", -40.0, "-40 °F", id="the scales meet"),
        pytest.param("odometer_km", 160.9344, "100.0 miles", id="100 miles"),
        pytest.param("odometer_km", 160934.4, "100,000 miles", id="100,000 miles"),
        pytest.param("vehicle_speed_kmh", 40.0, "25 mph", id="40 km/h"),
        pytest.param("mass_air_flow_g_s", 453.59237, "60.00 lb/min", id="one pound a second"),
        pytest.param("fuel_rate_l_h", 3.785411784, "1.00 gal/h", id="one gallon"),
        pytest.param("reference_torque_nm", 135.58, "100 lb-ft", id="torque"),
        pytest.param("engine_speed_rpm", 2000.0, "2,000 rpm", id="speed"),
        pytest.param("short_term_fuel_trim_bank_1_pct", -1.6, "-1.6 %", id="trim"),
        pytest.param("oxygen_sensor_bank_1_sensor_2_v", 0.365, "0.365 V", id="sensor"),
        pytest.param("oxygen_sensor_bank_1_sensor_1_ma", -0.5, "-0.50 mA", id="current"),
        pytest.param("timing_advance_deg", 12.5, "12.5 °", id="timing"),
        pytest.param("engine_run_s", 61.0, "61 s", id="seconds"),
        pytest.param("something_new", 3.5, "3.5", id="no unit known: the number alone"),
    ],
)
def test_a_value_is_told_in_us_units(name, number, text):
    assert us_units.value(name, number) == text


@pytest.mark.parametrize(
    "name, text",
    [
        ("engine_speed_rpm", "Engine speed"),
        ("mass_air_flow_g_s", "Mass air flow"),
        ("vehicle_speed_kmh", "Vehicle speed"),
        ("fuel_level", "Fuel level"),
        ("catalyst_bank_1_sensor_1_c", "Catalyst bank 1 sensor 1"),
    ],
)
def test_a_name_is_told_in_words_without_its_unit(name, text):
    assert us_units.label(name) == text


@pytest.mark.parametrize(
    "seconds, text", [(None, "not given"), (59, "59 s"), (60, "1 min"), (5400, "90 min")]
)
def test_a_time_is_told_in_minutes(seconds, text):
    assert us_units.minutes(seconds) == text
