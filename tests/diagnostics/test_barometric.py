"""Water above an unvented sensor, held against the standard atmosphere and a real pair of loggers."""

import numpy as np
import pandas as pd
import pytest

from diagnostics.barometric import is_of_another_height, water_above_sensor_m, with_level_from_pressure
from diagnostics.chain.water import density_kg_m3
from diagnostics.readings import Mask, SiteReadings
from diagnostics.units import convert

ATMOSPHERE_PA = 101_325.0       # ISO 2533, at sea level


def readings(submerged_pa, air_pa, **more):
    index = pd.date_range("2026-01-01", periods=len(submerged_pa), freq="1h", tz="UTC", name="interval_end_utc")
    values = pd.DataFrame({"submerged_pressure_pa": submerged_pa, "air_pressure_pa": air_pa, **more}, index=index)
    masks = pd.DataFrame(0, index=index, columns=values.columns, dtype="uint16")
    return SiteReadings("well-1", values, masks, pd.Series(3600.0, index=index, name="interval_s"))


def test_one_atmosphere_stands_10_33_m_of_water_high():
    # common practice, any handbook of hydraulics: 101.325 kPa = 10.33 m of water at 4 degC
    assert float(water_above_sensor_m(ATMOSPHERE_PA, 0.0, density_kg_m3=1000.0)) == pytest.approx(10.33, abs=0.005)
    assert float(water_above_sensor_m(2 * ATMOSPHERE_PA, ATMOSPHERE_PA, density_kg_m3=float(density_kg_m3(4.0)))) == (
        pytest.approx(10.33, abs=0.005))


def test_the_worked_hour_of_a_real_pair_of_loggers():
    # zawadzkim/gensor, testdata: on 30 March 2022 11:00 the well reads 1284.392 and the air 1023.750 cmH2O
    both = convert([1284.392, 1023.750], "cm_h2o", "pa")
    assert float(water_above_sensor_m(both[0], both[1], density_kg_m3=1000.0)) == pytest.approx(2.60642, abs=1e-5)


def test_weather_moves_the_pressure_and_not_the_level():
    air = ATMOSPHERE_PA + np.array([-3000.0, 0.0, 2500.0])
    under = air + 998.2 * 9.80665 * 12.0
    level = with_level_from_pressure(readings(under, air), 40.0, altitude_m=0.0).values["water_level_m"]
    assert level.to_numpy() == pytest.approx(28.0, abs=1e-9)


def test_masks_come_along_and_unknown_air_gives_no_level():
    made = readings(np.full(4, 2e5), [ATMOSPHERE_PA, np.nan, ATMOSPHERE_PA, ATMOSPHERE_PA])
    made.masks.iloc[2, 0] = int(Mask.STUCK)
    made.masks.iloc[3, 1] = int(Mask.SPIKE)
    found = with_level_from_pressure(made, 30.0, altitude_m=0.0)
    assert found.values["water_level_m"].isna().tolist() == [False, True, False, False]
    assert found.masks["water_level_m"].tolist() == [0, 0, int(Mask.STUCK), int(Mask.SPIKE)]


def test_air_brought_to_sea_level_is_told_from_the_air_of_a_high_site():
    # ISO 2533: 84.556 kPa at 1500 m
    assert not is_of_another_height([84_000.0, 85_100.0, np.nan], 1500.0)
    assert is_of_another_height([101_300.0, 102_000.0], 1500.0)
    assert not is_of_another_height([np.nan], 1500.0)
    found = with_level_from_pressure(readings([2e5, 2e5], [101_300.0, 101_400.0]), 30.0, altitude_m=1500.0)
    assert (found.masks["water_level_m"] == int(Mask.SENSOR_DOUBT)).all()


@pytest.mark.parametrize("left", ["air_pressure_pa", "submerged_pressure_pa"])
def test_without_one_of_them_nothing_is_made_up(left):
    made = readings([2e5], [1e5])
    made = SiteReadings("well-1", made.values.drop(columns=left), made.masks.drop(columns=left), made.interval_s)
    assert with_level_from_pressure(made, 30.0, altitude_m=0.0) is made


def test_a_level_that_was_logged_stands():
    made = readings([2e5], [1e5], water_level_m=[17.0])
    assert with_level_from_pressure(made, 30.0, altitude_m=0.0).values["water_level_m"].tolist() == [17.0]
