"""A site that names parts it lacks is never given a chain, and its array is judged all the same."""

import numpy as np
import pandas as pd
import pytest
from pvlib import pvsystem

from diagnostics.chain.array_alone import power_effects
from diagnostics.chain.daylight import daylight
from diagnostics.chain.module import diode_parameters
from diagnostics.expected import ChainNotAvailable, SiteModel, expect
from diagnostics.health import Health
from diagnostics.site import Array, Module, Site

LABEL = {"key": "any", "power_w": 240, "vmp_v": 30, "imp_a": 8, "voc_v": 38, "isc_a": 8.6, "cells_in_series": 60,
         "temperature_coefficient_voc_per_k": -0.0033, "temperature_coefficient_isc_per_k": 0.0005,
         "temperature_coefficient_power_per_k": -0.0043}
WEATHER = pd.DataFrame({"poa_irradiance_w_m2": [0.0, 500.0, 1000.0], "module_temperature_c": [10.0, 25.0, 40.0]},
                       index=pd.DatetimeIndex(["2024-06-01T04:00Z", "2024-06-01T12:00Z", "2024-06-01T12:10Z"],
                                              name="interval_end_utc"))


def station(**changes):
    return Site.model_validate({
        "id": "array", "name": "Array on an inverter", "latitude_deg": 0.0, "longitude_deg": 0.0, "altitude_m": 0.0,
        "timezone": "UTC", "installed_on": "2024-06-01", "parts_absent": ["pump", "well", "pipework"],
        "array": {"module": LABEL, "modules_in_series": 12, "tilt_deg": 10, "azimuth_deg": 180, "cable_length_m": 0,
                  "mismatch_loss_pct": 0},
        "drive": {"key": "inverter", "kind": "tracking"}, **changes})


def test_no_chain_is_built_over_parts_that_are_absent():
    with pytest.raises(ChainNotAvailable, match="no pump and no well and no pipework"):
        SiteModel.build(station())


def test_array_of_a_station_without_pump_is_expected_at_its_maximum_power():
    expected = expect(station(), WEATHER, 600.0)
    assert (expected["expected_state"] == "no_chain").all()
    assert expected["expected_flow_m3_s"].isna().all()
    assert expected["expected_array_power_w"].iloc[0] == 0.0
    noon = expected.iloc[2]
    # 12 x 240 W at 43 degC cells: 1 - 0.43 %/K x 18 K, tracking 99 %, reflection within a few percent.
    assert noon["expected_array_power_w"] == pytest.approx(2880 * (1 - 0.0043 * 18) * 0.99, rel=0.04)
    product = noon["expected_array_voltage_v"] * noon["expected_array_current_a"]
    assert product == pytest.approx(noon["expected_array_power_w"], rel=1e-9)


def test_dirt_on_the_array_lowers_what_is_expected_in_proportion():
    clean, dirty = (expect(station(), WEATHER, 600.0, health=health)["expected_array_current_a"].iloc[2]
                    for health in (Health(), Health().replaced(irradiance_ratio=0.8)))
    assert dirty / clean == pytest.approx(0.8, abs=0.01)


def test_where_a_pump_decides_the_operating_point_stays_unknown():
    direct = station(drive={"key": "direct", "kind": "direct"})
    expected = expect(direct, WEATHER, 600.0)
    assert expected["array_power_available_w"].iloc[2] > 2000
    assert np.isnan(expected["expected_array_voltage_v"].iloc[2])


@pytest.mark.parametrize("tolerance", [0.03, 0.05, 0.10])
def test_mismatch_left_out_is_what_adding_up_the_curves_of_unlike_modules_costs(tolerance):
    """Twelve modules drawn evenly from their tolerance, all of it in the current, curves added up at equal current."""
    label = {"power_tolerance_low_pct": -100 * tolerance, "power_tolerance_high_pct": 100 * tolerance}
    module = Module.model_validate({**LABEL, **label})
    array = Array(module=module, modules_in_series=12, tilt_deg=30, azimuth_deg=180)
    diode, rng = diode_parameters(module), np.random.default_rng(1)
    current = np.linspace(0.0, 1.05 * module.isc_a, 1501)
    lost = []
    for _ in range(60):
        light = diode.photocurrent_a * rng.uniform(1.0 - tolerance, 1.0 + tolerance, (12, 1))
        with np.errstate(invalid="ignore"):
            volts = pvsystem.v_from_i(current[None, :], light, diode.saturation_current_a, diode.series_resistance_ohm,
                                      diode.shunt_resistance_ohm, diode.modified_ideality_v)
        volts = np.maximum(np.nan_to_num(volts, nan=-2.0), -2.0)     # a bypassed module costs its diodes' drop
        lost.append(1.0 - (volts.sum(axis=0) * current).max() / (volts * current).max(axis=1).sum())
    assert array.mismatch_loss_pct - 0.3 == pytest.approx(100.0 * np.mean(lost), rel=0.2)


def test_open_inputs_of_an_array_move_its_power_as_label_sensor_and_warmth_do():
    site = station()
    light = daylight(site, WEATHER, 600.0)
    power = expect(site, WEATHER, 600.0)["expected_array_power_w"].to_numpy()[light.rows]
    effects, passing = power_effects(site, light, power)
    lit = light.poa_w_m2 > 100.0
    # Label of 3 % either way as a rectangle, 1 % of flash, half the variance of a plane sensor's 2.5 %: 2.7 %.
    np.testing.assert_allclose(effects[lit, 0] / power[lit], np.sqrt(0.03**2 / 3 + 0.01**2 + 0.025**2 / 2), rtol=0.05)
    # A zero that is off by so many watts on a square metre takes the same watts at any light, but for warmth.
    np.testing.assert_allclose(effects[lit, 1], 0.01 * 2880, rtol=0.1)
    assert np.all(np.diff(effects[lit, 2] / power[lit]) > 0.0)      # warmth weighs more in full sun
    assert np.all(passing[lit] < effects[lit, 0])
    with pytest.raises(ValueError, match="no array"):
        power_effects(site.model_copy(update={"array": None}), light, power)
