"""Tank volumes against published dip tables and worked volumes."""

import numpy as np
import pytest

from diagnostics.chain.tank import level_at_volume, volume_at_level
from diagnostics.site import Tank
from diagnostics.units import convert
from tests.references.published import case, table


def lying(diameter_m, length_m):
    return Tank.model_validate({"shape": "horizontal_cylinder", "diameter_m": diameter_m, "length_m": length_m,
                                "height_m": diameter_m, "full_level_m": diameter_m * 0.95})


# The familiar dip table of a lying cylinder with flat ends (circular segment formula, recomputed with fluids 1.3.1).
def test_lying_cylinder_fills_as_the_dip_table_says_and_back():
    rows = table("07_horizontal_cylinder_fraction.csv")
    tank = lying(1.8, 4.0)
    full_m3 = np.pi / 4 * 1.8**2 * 4.0
    levels = rows["h_over_D"].to_numpy() * 1.8
    np.testing.assert_allclose(volume_at_level(tank, levels) / full_m3, rows["V_over_Vfull"], atol=2e-9)
    np.testing.assert_allclose(level_at_volume(tank, rows["V_over_Vfull"] * full_m3), levels, atol=2e-5)


# D. Jones, Computing Fluid Tank Volumes, as carried by the test suite of the library fluids: the flat part of its tank.
def test_lying_cylinder_of_the_article_holds_the_printed_gallons():
    test = case("07_tank_volumes.json", "flat part")
    metres = {key: float(convert(value, "in", "m")) for key, value in test["inputs"].items() if key.endswith("_in")}
    volume = volume_at_level(lying(metres["D_in"], metres["L_in"]), metres["h_in"])
    assert float(convert(volume, "m3", "gal_us")) == pytest.approx(test["expected"]["V_us_gal"], abs=1e-4)


# The volumes below are arithmetic on closed forms (07_tank_volumes.json, marked derived).
def test_standing_cylinder():
    test = case("07_tank_volumes.json", "vertical cylinder")
    tank = Tank.model_validate({"shape": "vertical_cylinder", "diameter_m": test["inputs"]["D_m"], "height_m": 2.5,
                                "full_level_m": 2.4})
    assert float(volume_at_level(tank, test["inputs"]["h_m"])) == pytest.approx(test["expected"]["V_m3"], abs=1e-6)
    litres_per_cm = float(volume_at_level(tank, 1.01) - volume_at_level(tank, 1.00)) * 1000
    assert litres_per_cm == pytest.approx(test["expected"]["L_per_cm"], abs=1e-6)


def test_frustum_full_and_in_part_is_not_the_mean_of_its_end_areas():
    full, part = (case("07_tank_volumes.json", name) for name in ("cone frustum, full", "same frustum filled"))
    tank = Tank.model_validate({"shape": "cone", "diameter_m": 2 * full["inputs"]["r_bottom_m"],
                                "top_diameter_m": 2 * full["inputs"]["r_top_m"],
                                "height_m": full["inputs"]["height_m"], "full_level_m": 1.9})
    assert float(volume_at_level(tank, 2.0)) == pytest.approx(full["expected"]["V_m3"], abs=1e-6)
    assert float(volume_at_level(tank, part["inputs"]["h_m"])) == pytest.approx(part["expected"]["V_m3"], abs=1e-6)
    assert float(level_at_volume(tank, part["expected"]["V_m3"])) == pytest.approx(part["inputs"]["h_m"], abs=1e-5)


def test_a_change_of_level_in_a_lying_cylinder_is_the_worked_volume():
    test = case("07_tank_volumes.json", "level change")
    given = test["inputs"]
    tank = lying(given["D_m"], given["L_m"])
    change = float(volume_at_level(tank, given["h2_m"]) - volume_at_level(tank, given["h1_m"]))
    assert change == pytest.approx(test["expected"]["dV_m3"], abs=1e-8)
