"""Broken clouds: what the mean of an interval hides, on a real week of one-minute light."""

from datetime import date
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from diagnostics.chain.clouds import spread_of_clear_sky_index
from diagnostics.expected import SiteModel, expect
from tests.diagnostics.chain import invented_sites as sites

MINUTES = Path(__file__).parents[2] / "references" / "chain" / "plane_irradiance_1min.csv.gz"


@pytest.fixture(scope="module")
def minutes() -> pd.DataFrame:
    """NREL SRRL, one week of March 2019, plane 40 degrees south (public measurements, packed under MIT)."""
    table = pd.read_csv(MINUTES, comment="#")
    index = pd.DatetimeIndex(pd.to_datetime(table.pop("minute_utc"), utc=True), name="interval_end_utc")
    return table.astype("float64").set_index(index)


def _golden(make):
    site = make()
    changes = {"latitude_deg": 39.742, "longitude_deg": -105.18, "altitude_m": 1829.0, "timezone": "America/Denver",
               "installed_on": date(2018, 1, 1),
               "array": {**site.array.model_dump(exclude_unset=True), "tilt_deg": 40.0, "azimuth_deg": 180.0}}
    return site.replaced(**changes)


@pytest.mark.parametrize("step_s", [600, 900])
@pytest.mark.parametrize("make", [sites.centrifugal, sites.frequency, sites.helical])
def test_spread_inside_intervals_brings_the_water_nearer_to_that_of_the_minutes(minutes, make, step_s):
    site = _golden(make)
    site = site.replaced(well={"static_water_level_m": site.well.static_water_level_m,
                               "pump_setting_depth_m": site.well.pump_setting_depth_m})
    model = SiteModel.build(site)
    truth = expect(site, minutes, 60.0, model=model)["expected_flow_m3_s"]
    means = minutes.resample(f"{step_s}s", closed="right", label="right").mean()
    means.index.name = "interval_end_utc"
    truth = truth.resample(f"{step_s}s", closed="right", label="right").mean()
    corrected = expect(site, means, float(step_s), model=model)["expected_flow_m3_s"]
    # Rows far apart in time have no neighbours to tell a spread: every second row at a time gives the plain mean.
    plain = pd.concat([expect(site, means.iloc[k::3], float(step_s), model=model)["expected_flow_m3_s"]
                       for k in range(3)]).sort_index()
    kept = truth.notna() & corrected.notna()
    unsteady = kept & ((corrected - plain).abs() > 1e-3 * model.rated_flow_m3_s)
    assert unsteady.sum() > 30
    miss_plain, miss = (plain - truth)[unsteady] / model.rated_flow_m3_s, (corrected - truth)[unsteady] / (
        model.rated_flow_m3_s)
    assert float((miss**2).mean()) < 0.75 * float((miss_plain**2).mean())
    assert abs(float(miss.mean())) < 0.01
    # With start and stop at one power nothing but the bend of the curve is left, and the mean must come nearer too.
    if make is not sites.helical:
        assert abs(float(miss.mean())) < 0.5 * abs(float(miss_plain.mean()))


def test_steady_light_has_no_spread_and_unknown_neighbours_tell_none():
    assert (spread_of_clear_sky_index(np.full(5, 1.0), np.ones(5, dtype=bool), np.full(5, 600.0)) == 0).all()
    lone = spread_of_clear_sky_index(np.array([0.3, 0.9]), np.array([False, False]), np.full(2, 600.0))
    assert (lone == 0).all()
