"""One interval taken apart must add up to what the expectation says of it."""

import numpy as np
import pandas as pd
import pytest

from diagnostics.expected import expect
from diagnostics.explain import as_text, explain_interval
from diagnostics.site import Site
from diagnostics.units import UNIT_OF_SUFFIX
from tests.diagnostics.chain import invented_sites as sites

NOON = pd.Timestamp("2024-03-01T09:50:00", tz="UTC")


@pytest.mark.parametrize("make", sites.ALL)
def test_steps_end_in_the_expected_flow_and_every_unit_is_known(make):
    site = make()
    weather = sites.clear_days(site, days=1)
    steps = explain_interval(site, weather, 600.0, NOON)
    flow = next(step.value for step in steps if step.quantity == "expected flow")
    assert flow == pytest.approx(expect(site, weather, 600.0).loc[NOON, "expected_flow_m3_s"])
    assert all(step.unit in UNIT_OF_SUFFIX or step.unit == "" for step in steps)
    assert all(step.source for step in steps)


def test_heads_add_up_and_efficiency_is_that_of_the_water():
    site = sites.centrifugal()
    steps = {step.quantity: step.value for step in explain_interval(site, sites.clear_days(site, days=1), 600.0, NOON)}
    parts = ("pumping water level", "outlet height and held pressure", "friction after the wellhead",
             "friction in riser and suction")
    assert steps["total dynamic head"] == pytest.approx(sum(steps[part] for part in parts))
    useful = 998.2 * 9.80665 * steps["expected flow"] * steps["total dynamic head"]
    assert steps["wire-to-water efficiency"] == pytest.approx(100 * useful / steps["power taken"], rel=1e-3)
    assert 25 < steps["wire-to-water efficiency"] < 60


def test_hourly_rows_are_explained_too():
    site = sites.centrifugal()
    hourly = sites.clear_days(site, days=1).resample("1h", closed="right", label="right").mean()
    steps = explain_interval(site, hourly, 3600.0, NOON)
    assert next(step.value for step in steps if step.quantity == "expected flow") > 0


def test_site_without_chain_says_why():
    missing = ["pump", "well", "pipework"]
    described = {name: part for name, part in sites.centrifugal() if name not in (*missing, "parts_absent")}
    site = Site(**described, parts_absent=missing)
    steps = explain_interval(site, sites.clear_days(site, days=1), 600.0, NOON)
    assert len(steps) == 1 and "no pump" in str(steps[0].value)


def test_instant_without_zone_or_after_the_weather_is_refused():
    site = sites.centrifugal()
    weather = sites.clear_days(site, days=1)
    with pytest.raises(ValueError, match="no time zone"):
        explain_interval(site, weather, 600.0, pd.Timestamp("2024-03-01T09:50:00"))
    with pytest.raises(ValueError, match="ends at"):
        explain_interval(site, weather, 600.0, pd.Timestamp("2025-03-01T09:50:00", tz="UTC"))
    assert np.isfinite(weather["poa_irradiance_w_m2"]).all()


def test_text_names_every_link_once_and_every_source():
    site = sites.centrifugal()
    steps = explain_interval(site, sites.clear_days(site, days=1), 600.0, NOON)
    text = as_text(steps)
    assert [line for line in text.splitlines() if line and not line.startswith(" ")] == [
        "sun", "light", "cells", "array", "drive", "start", "well", "pipes", "pump", "meter"]
    assert "L/min" in text and "Darcy-Weisbach" in text


def _text_at(site, hour, **held):
    site = site.replaced(drive={**site.drive.model_dump(exclude_unset=True), **held}) if held else site
    weather = sites.clear_days(site, days=1)
    return as_text(explain_interval(site, weather, 600.0, weather.index[0].normalize() + pd.Timedelta(hours=hour)))


def test_a_pump_that_should_stand_still_is_told_why():
    site = sites.centrifugal()
    flow = expect(site, sites.clear_days(site, days=1), 600.0)
    dim = flow.index[flow["expected_state"] == "low_sun"][0]
    steps = explain_interval(site, sites.clear_days(site, days=1), 600.0, dim)
    named = {step.quantity: step.value for step in steps}
    assert "below start threshold" in str(named["state"])
    assert named["power taken"] < named["power that starts a standing pump"]
    assert named["power below which a running one stops"] <= named["power that starts a standing pump"]
    noon = site.longitude_deg / 15.0
    assert "held by its timer" in _text_at(site, 12.0 - noon, timer_windows=[(0.0, 1.0)])
    assert "lock-out" in _text_at(site, 12.0 - noon, overvoltage_lockout_v=5.0)
    assert "running" in _text_at(site, 12.0 - noon)


def test_wind_and_battery_sites_tell_their_source():
    wind = sites.wind_charged()
    weather = pd.DataFrame({"wind_speed_m_s": 8.0, "air_temperature_c": 15.0},
                           index=pd.date_range("2024-03-01", periods=40, freq="10min", tz="UTC"))
    text = as_text(explain_interval(wind, weather, 600.0, weather.index[20]))
    assert "8 m/s" in text and "printed curve" in text
    battery = sites.pressure_system()
    text = as_text(explain_interval(battery, sites.clear_days(battery, days=1), 600.0, NOON))
    assert "water for the energy of a kilowatt-hour" in text and "comes back" in text
