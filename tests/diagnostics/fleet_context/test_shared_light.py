"""Light carried from place to place and from hours to minutes."""

import numpy as np
import pandas as pd
import pytest

from diagnostics.chain.array_alone import level_sky
from diagnostics.chain.daylight import daylight
from diagnostics.fleet_context.shared_light import (
    LevelLight,
    by_distance,
    distance_uncertainty,
    level_light,
    onto_intervals,
)
from diagnostics.readings import SiteReadings
from tests.diagnostics.made_readings import centrifugal_site


def ends(minutes, days=2):
    return pd.date_range("2025-06-01 06:00", periods=int(days * 1440 / minutes), freq=f"{minutes}min", tz="UTC",
                         name="interval_end_utc") + pd.Timedelta(minutes=minutes)


def lengths(index, minutes):
    return pd.Series(60.0 * minutes, index=index)


def test_an_hourly_series_keeps_its_energy_and_gets_the_shape_of_the_sun_back():
    site, rng = centrifugal_site(), np.random.default_rng(3)
    hours, tens = ends(60), ends(10)
    _, clear = level_sky(site, tens, 600.0)
    cloud = np.repeat(rng.uniform(0.3, 1.0, len(hours)), 6)
    true = clear * cloud
    hourly = true.reshape(-1, 6).mean(axis=1)
    light = LevelLight(hours, np.full(len(hours), 3600.0), hourly)
    got = onto_intervals(light, site, site, tens, lengths(tens, 10))
    high = clear > 100.0
    assert np.abs(got[high] / true[high] - 1.0).max() < 0.03
    flat = np.repeat(hourly, 6)
    assert np.sqrt(np.mean((got - true)[high] ** 2)) < 0.25 * np.sqrt(np.mean((flat - true)[high] ** 2))
    assert np.nansum(got) == pytest.approx(true.sum(), rel=0.01)


def test_minutes_are_averaged_and_too_little_of_an_interval_is_not_known():
    site = centrifugal_site()
    ones, tens = ends(1), ends(10)
    _, clear = level_sky(site, ones, 60.0)
    values = 0.7 * clear
    values[600:607] = np.nan                # seven of ten minutes around sunrise of the first day
    light = LevelLight(ones, np.full(len(ones), 60.0), values)
    got = onto_intervals(light, site, site, tens, lengths(tens, 10))
    assert np.isnan(got[60])
    mean = (0.7 * clear).reshape(-1, 10).mean(axis=1)
    high = np.isfinite(got) & (mean > 50.0)
    assert np.abs(got[high] / mean[high] - 1.0).max() < 0.01


def test_the_nearer_neighbour_counts_more_and_doubt_grows_with_distance():
    near, far = np.array([500.0, np.nan, np.nan]), np.array([800.0, 800.0, np.nan])
    blended, doubt = by_distance([near, far], [5.0, 10.0])
    assert blended[0] == pytest.approx((500.0 * 4 + 800.0) / 5)         # weights as 1/25 to 1/100
    assert blended[1] == 800.0
    assert np.isnan(blended[2])
    assert distance_uncertainty(5.0) < doubt < distance_uncertainty(10.0)
    assert distance_uncertainty(40.0) == pytest.approx(0.12)


@pytest.mark.parametrize(("gain", "sound"), [(1.0, True), (0.5, False), (1.5, False)])
def test_a_sensor_far_from_the_clear_sky_lends_no_light(gain, sound):
    site, tens = centrifugal_site(), ends(10, 6)
    _, clear = level_sky(site, tens, 600.0)
    values = pd.DataFrame({"global_horizontal_irradiance_w_m2": gain * clear}, index=tens)
    masks = (values * 0).astype("uint16")
    found = level_light(site, SiteReadings(site.id, values, masks, lengths(tens, 10)))
    assert (found is not None) is sound


def test_a_plane_sensor_lends_the_level_light_that_lies_behind_it():
    site, tens = centrifugal_site(), ends(10, 6)
    elevation, clear = level_sky(site, tens, 600.0)
    cloud = np.repeat([1.0, 0.9, 0.6, 0.3, 0.15, 1.0], 144) * np.where(np.arange(len(tens)) % 144 < 100, 1.0, 0.3)
    true = clear * cloud
    level = pd.DataFrame({"global_horizontal_irradiance_w_m2": true}, index=tens)
    lit = daylight(site, level, lengths(tens, 10))
    plane = np.zeros(len(tens))
    plane[lit.rows] = lit.poa_w_m2
    values = pd.DataFrame({"poa_irradiance_w_m2": plane}, index=tens)
    found = level_light(site, SiteReadings(site.id, values, (values * 0).astype("uint16"), lengths(tens, 10)))
    high = elevation > 15.0
    off = np.abs(found.global_horizontal_w_m2[high] - true[high])
    # A few low-sun rows have two answers, for more light means a smaller diffuse share.
    assert np.quantile(off, 0.98) < 0.005 * true.max()
    assert off.max() < 0.05 * true.max()
    assert found.global_horizontal_w_m2[high].sum() == pytest.approx(true[high].sum(), rel=0.005)
