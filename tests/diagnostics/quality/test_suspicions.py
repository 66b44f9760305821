"""Wrong units, exchanged channels and silent months are named; a healthy site is not suspected."""

import numpy as np
import pandas as pd
import pytest

from diagnostics.quality.suspicions import empty_months, swap_suspicions, unit_suspicions

# Exact definitions: 1 US gallon = 3.785411784 l, 1 foot = 0.3048 m, degF = 1.8 degC + 32.
GALLON_L, FOOT_M = 3.785411784, 0.3048


def test_a_healthy_site_is_not_suspected(site, healthy, interval_s):
    assert unit_suspicions(site, healthy, interval_s) == []
    assert swap_suspicions(site, healthy, interval_s) == []
    assert empty_months(healthy, site.timezone) == []


@pytest.mark.parametrize(("channel", "factor", "says"), [
    ("flow_m3_s", 60.0, "l/s"), ("flow_m3_s", 1 / GALLON_L, "gal/min read as l/min"),
    ("flow_m3_s", 1000 / 60.0, "read as"), ("water_level_m", 1 / FOOT_M, "feet read as metres"),
    ("water_level_m", 100.0, "centimetres read as metres"), ("array_voltage_v", 1000.0, "millivolts"),
    ("array_current_a", 1000.0, "milliamperes"), ("tank_level_m", 1 / FOOT_M, "feet read as metres")])
def test_a_wrong_unit_is_named(site, healthy, interval_s, channel, factor, says):
    changed = healthy.copy()
    changed[channel] *= factor
    found = unit_suspicions(site, changed, interval_s)
    assert [item.channel for item in found] == [channel]
    assert says in found[0].says


def test_fahrenheit_is_named(site, healthy, interval_s):
    changed = healthy.copy()
    changed["air_temperature_c"] = changed["air_temperature_c"] * 1.8 + 32
    assert [item.channel for item in unit_suspicions(site, changed, interval_s)] == ["air_temperature_c"]


def test_exchanged_channels_are_named(site, healthy, interval_s):
    pairs = [("array_voltage_v", "array_current_a"), ("module_temperature_c", "air_temperature_c")]
    for one, other in pairs:
        changed = healthy.copy()
        changed[[one, other]] = healthy[[other, one]].to_numpy()
        found = swap_suspicions(site, changed, interval_s)
        assert {(item.channel, item.other) for item in found} == {(one, other)}


def test_a_silent_month_is_named(site):
    index = pd.date_range("2026-01-01", "2026-04-01", freq="30min", tz="UTC", name="interval_end_utc")
    values = pd.DataFrame({"array_voltage_v": np.random.default_rng(1).normal(100, 5, len(index)),
                           "flow_m3_s": np.random.default_rng(2).uniform(0, 1e-3, len(index)), "rain_mm_rain": 0.0},
                          index=index)
    assert empty_months(values, "Africa/Nairobi") == []
    values.loc["2026-02", "flow_m3_s"] = np.nan
    values.loc["2026-01-31 20:00":"2026-03-01 04:00", "flow_m3_s"] = np.nan
    assert ["is empty in 2026-02" in item.says for item in empty_months(values, "Africa/Nairobi")] == [True]
    values.loc["2026-01-31 20:00":"2026-03-01 04:00", "array_voltage_v"] = 48.0
    values.loc["2026-01-31 20:00":"2026-03-01 04:00", "flow_m3_s"] = 0.0004
    assert len(empty_months(values, "Africa/Nairobi")) == 2
