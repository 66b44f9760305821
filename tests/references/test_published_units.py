"""Units at the door of the site description, against exact definitions and the round numbers of the trade."""

import pytest

from diagnostics.site import Well
from diagnostics.units import convert
from tests.references.published import rows

# Row of 04_units.csv -> the endings a person would write and the one it becomes. Rows without an entry name units that
# no key of a description uses.
ENDINGS = {
    ("1 ft", "m"): ("ft", "m"), ("1 in", "m"): ("in", "m"), ("1 US gallon", "L"): ("gal_us", "l"),
    ("1 US gallon", "in3"): ("gal_us", "in3"), ("1 Imperial gallon", "L"): ("gal_imp", "l"),
    ("1 US gpm", "L/s"): ("gpm_us", "l_s"), ("1 US gpm", "m3/h"): ("gpm_us", "m3_h"),
    ("1 US gpm", "m3/d"): ("gpm_us", "m3_day"), ("1 L/s", "m3/h"): ("l_s", "m3_h"),
    ("1 m3/h", "US gpm"): ("m3_h", "gpm_us"), ("1 psi", "kPa"): ("psi", "kpa"), ("1 bar", "kPa"): ("bar", "kpa"),
    ("1 psi", "m of water at 1000 kg/m3"): ("psi", "m_h2o"),
    ("1 ft of water (39.2 F, 1000 kg/m3)", "kPa"): ("ft_h2o", "kpa"),
    ("1 m of water (1000 kg/m3)", "kPa"): ("m_h2o", "kpa"),
    ("1 hp (mechanical, 550 ft lbf/s)", "W"): ("hp", "w"), ("1 acre-ft", "m3"): ("acre_ft", "m3"),
    ("1 kWh", "MJ"): ("kwh", "mj"), ("1 atm", "kPa"): ("atm", "kpa"), ("1 hp (metric)", "W"): ("hp_metric", "w"),
    ("1 acre", "m2"): ("acre", "m2"), ("1 ft3/s", "L/s"): ("ft3_s", "l_s"),
}
# International definitions of foot, inch, gallon, pound-force (exact), handbook factors as named in the file.
READY = [row for row in rows("04_units.csv") if (row[0], row[1]) in ENDINGS]


def test_every_listed_ending_has_its_row():
    assert len(READY) == len(ENDINGS)


@pytest.mark.parametrize("row", READY, ids=lambda row: f"{row[0]} in {row[1]}")
def test_conversion_at_the_door_agrees_with_the_published_factor(row):
    written, canonical = ENDINGS[row[0], row[1]]
    assert float(convert(1.0, written, canonical)) == pytest.approx(row.factor, rel=1e-9)
    assert float(convert(row.factor, canonical, written)) == pytest.approx(1.0, rel=1e-9)


# Common practice, no source: 1 psi lifts water 2.31 ft. The handbook's 2.30922 is for water at 62 degF; ours is the
# gauge maker's water at 4 degC, 2.3067 (0.1 % less).
def test_one_psi_is_two_point_three_one_feet_of_water():
    assert float(convert(1.0, "psi", "ft_h2o")) == pytest.approx(2.31, rel=0.002)


# Common practice, no source: 120 psi hold up 277 ft of water.
def test_hundred_and_twenty_psi_is_277_feet():
    assert float(convert(120.0, "psi", "ft_h2o")) == pytest.approx(277.0, abs=0.5)


# Common practice, no source: fixed points of water.
@pytest.mark.parametrize(("fahrenheit", "celsius"), [(32.0, 0.0), (212.0, 100.0), (-40.0, -40.0), (77.0, 25.0)])
def test_temperatures_have_an_offset_and_not_only_a_factor(fahrenheit, celsius):
    assert float(convert(fahrenheit, "f", "c")) == pytest.approx(celsius, abs=1e-9)
    assert float(convert(celsius, "c", "f")) == pytest.approx(fahrenheit, abs=1e-9)


# 04_units.csv: 1 ft = 0.3048 m, exact, seen through the whole door of a description.
def test_a_well_written_in_feet_is_the_well_written_in_metres():
    in_feet = Well.model_validate({"static_water_level_ft": 100.0, "pump_setting_depth_ft": 200.0})
    in_metres = Well.model_validate({"static_water_level_m": 30.48, "pump_setting_depth_m": 60.96})
    assert in_feet.static_water_level_m == pytest.approx(in_metres.static_water_level_m, rel=1e-12)
    assert in_feet.pump_setting_depth_m == pytest.approx(in_metres.pump_setting_depth_m, rel=1e-12)


# Kruseman and de Ridder's C of a step test in three units (05_step_test_exact.json): day2/m5 is not a key of ours,
# so hours stand between; 1082.419 s2/m5 is 8.352e-5 h2/m5.
def test_quadratic_well_loss_keeps_its_fifth_power_of_length():
    assert float(convert(1082.419 / 3600.0**2, "h2_m5", "s2_m5")) == pytest.approx(1082.419, rel=1e-9)
