"""Wind, battery, drive states, mounts, cell warmth without sensors, and the lag of the well."""

import numpy as np
import pandas as pd
import pytest
from scipy.integrate import solve_ivp

from diagnostics.chain.cell_temperature import usual_air_temperature_c
from diagnostics.chain.drive import derated_share, running_state
from diagnostics.chain.mount import orientation, seasonal_tilt_deg
from diagnostics.chain.power_source import (
    air_density_kg_m3,
    battery_state_of_charge,
    mean_power_from_store_w,
    stored_energy_j,
    wind_power_w,
)
from diagnostics.chain.site_model import SiteModel
from diagnostics.chain.sun import sun_position
from diagnostics.chain.well import aquifer_drawdown_m, static_level_m
from diagnostics.expected import expect
from diagnostics.health import HEALTHY, Health
from diagnostics.site import Battery, Drive, Well, WindTurbine
from tests.diagnostics.chain import invented_sites as sites

TURBINE = WindTurbine(hub_height_m=10, rectifier_efficiency=1.0, power_curve=[(3, 0), (6, 300), (10, 1000), (15, 1000)])


def _index(count: int, step_s: int = 600) -> pd.DatetimeIndex:
    return pd.date_range("2025-01-01", periods=count, freq=f"{step_s}s", tz="UTC")


def test_air_at_sea_level_has_the_density_of_the_standard_atmosphere():
    # U.S. Standard Atmosphere 1976: 1.2250 kg/m3 at 15 degC; 1.0066 at 2000 m and 2.0 degC.
    assert float(air_density_kg_m3(0.0, 15.0)) == pytest.approx(1.2250, rel=1e-3)
    assert float(air_density_kg_m3(2000.0, 2.0)) == pytest.approx(1.0066, rel=2e-3)


def test_wind_turbine_follows_its_curve_and_thin_air_takes_from_it():
    np.testing.assert_allclose(wind_power_w(TURBINE, [2.0, 6.0, 10.0, 20.0], 0.0, 15.0), [0, 300, 1000, 0], atol=0.5)
    assert float(wind_power_w(TURBINE, 6.0, 2500.0, 15.0)) < 270
    assert np.isnan(wind_power_w(TURBINE, np.nan, 0.0, 15.0))


def test_anemometer_below_the_hub_is_carried_up_by_the_seventh_root_law():
    low = TURBINE.replaced(hub_height_m=20, anemometer_height_m=5)
    assert float(wind_power_w(low, 4.0, 0.0, 15.0)) == pytest.approx(
        float(wind_power_w(TURBINE, 4.0 * 4 ** (1 / 7), 0.0, 15.0)), rel=1e-9)


def test_more_wind_never_gives_less_water():
    site = sites.wind_charged(well={"static_water_level_m": 80, "pump_setting_depth_m": 120})
    weather = sites.clear_days(site, days=1)
    weather["wind_speed_m_s"] = np.linspace(2, 12, len(weather))
    flow = expect(site, weather, 600.0)["expected_flow_m3_s"].to_numpy()
    assert (np.diff(flow) > -1e-9).all() and flow[0] == 0 and flow[-1] > 0


def test_wind_that_is_not_known_makes_flow_not_known():
    site = sites.wind_charged()
    weather = sites.clear_days(site, days=1)
    weather.iloc[10:12, weather.columns.get_loc("wind_speed_m_s")] = np.nan
    table = expect(site, weather, 600.0)
    assert table["expected_flow_m3_s"].iloc[10:12].isna().all()
    assert (table["expected_state"].iloc[10:12] == "no_irradiance").all()


BATTERY = Battery(nominal_voltage_v=48, capacity_ah=100, low_voltage_disconnect_v=44, reconnect_voltage_v=50,
                  absorption_voltage_v=57.6, charge_efficiency=0.9)


def test_state_of_charge_balances_current_and_is_set_to_full_at_absorption():
    current = np.array([10.0, 10.0, 0.0, -20.0, -20.0])
    voltage = np.array([52.0, 53.0, 57.6, 50.0, 49.0])
    charge = battery_state_of_charge(BATTERY, current, voltage, 3600.0, charge_at_start=0.5)
    np.testing.assert_allclose(charge, [0.59, 0.68, 1.0, 0.8, 0.6])


def test_store_follows_its_balance_row_by_row():
    rng = np.random.default_rng(2)
    come, wanted, capacity = rng.uniform(0, 10, 300), rng.uniform(0, 10, 300), 12.0
    held, level = [], 0.0
    for a, b in zip(come, wanted, strict=True):
        level = min(capacity, max(0.0, level + a - b))
        held.append(level)
    np.testing.assert_allclose(stored_energy_j(come, wanted, capacity), held, atol=1e-9)


def test_store_never_gives_more_than_came():
    rng = np.random.default_rng(3)
    come = np.maximum(np.sin(np.arange(1000) / 20), 0) * rng.uniform(200, 900, 1000)
    out, kept = mean_power_from_store_w(come, np.full(1000, 300.0), 600.0, 5e6)
    assert (out <= 300 + 1e-9).all() and out.sum() <= come.sum()
    assert (kept <= come + 1e-6).all()


def test_battery_carries_the_sun_into_the_night_and_more_array_gives_more_water():
    volumes, at_night = [], []
    for parallel in (1, 2, 40):
        site = sites.pressure_system(array={**sites.pressure_system().array.model_dump(exclude_unset=True),
                                            "strings_in_parallel": parallel})
        table = expect(site, sites.clear_days(site, days=2), 600.0)
        volumes.append(float(table["expected_flow_m3_s"].sum()))
        at_night.append(float(table.loc[table["sun_elevation_deg"] < -2, "expected_flow_m3_s"].sum()))
    assert volumes[0] < volumes[1] <= volumes[2]
    assert at_night[0] == 0 and at_night[2] > 0
    flow = SiteModel.build(site).flow_at_power(1e6)
    assert volumes[2] * 600 <= float(flow) * 2 * 86400


def test_voltage_booster_runs_a_motor_that_the_array_alone_could_not():
    two = {"array": {**sites.booster().array.model_dump(exclude_unset=True), "modules_in_series": 2,
                     "strings_in_parallel": 2}}
    boosted, direct = sites.booster(**two), sites.booster(**two, drive={"kind": "direct"})
    weather = sites.clear_days(boosted, days=1)
    assert expect(boosted, weather, 600.0)["expected_flow_m3_s"].max() > 0
    assert expect(direct, weather, 600.0)["expected_flow_m3_s"].max() == 0
    weaker = sites.booster(**two, drive={"kind": "voltage_booster", "max_output_voltage_v": 150})
    assert SiteModel.build(weaker).rated_flow_m3_s < SiteModel.build(boosted).rated_flow_m3_s


def test_a_tracking_booster_gives_current_for_voltage_where_a_holding_one_passes_the_array_straight_through():
    """A slow displacement pump needs amperes and few volts: a plain step-up drags the array down and stalls it."""
    table = {"kind": "voltage_booster", "max_output_voltage_v": 125}
    two = {"array": {**sites.helical().array.model_dump(exclude_unset=True), "modules_in_series": 2,
                     "strings_in_parallel": 2}}
    tracks = sites.helical(**two, drive=table)
    vmp = 2 * tracks.array.module.vmp_v
    holds = sites.helical(**two, drive={**table, "held_voltage_v": round(0.95 * vmp)})
    weather = sites.clear_days(tracks, days=1)
    free, held = (expect(site, weather, 600.0) for site in (tracks, holds))
    weak = (free["poa_irradiance_w_m2"] > 100.0) & (free["poa_irradiance_w_m2"] < 300.0)
    assert free.loc[weak, "expected_array_voltage_v"].min() > 0.8 * vmp
    assert held.loc[weak, "expected_array_voltage_v"].min() < 0.5 * vmp
    assert free.loc[weak, "expected_flow_m3_s"].sum() > held.loc[weak, "expected_flow_m3_s"].sum()


def test_a_drive_starts_above_one_power_stops_below_another_and_holds_between():
    power = np.array([50, 150, 250, 150, 90, 150, 250, np.nan, 150, 50.0])
    broken = np.zeros(10, dtype=bool)
    run = running_state(power, np.full(10, 200.0), np.full(10, 100.0), broken)
    assert run.tolist() == [False, False, True, True, False, False, True, True, True, False]
    broken[3] = True
    assert not running_state(power, np.full(10, 200.0), np.full(10, 100.0), broken)[3]


def test_heat_takes_power_in_proportion_above_its_start():
    drive = Drive(kind="tracking", derating_start_temperature_c=35, derating_per_k=0.02)
    np.testing.assert_allclose(derated_share(drive, [20, 35, 45, np.nan, 99]), [1, 1, 0.8, 1, 0.3])


def test_power_cap_holds_the_power_taken():
    site = sites.centrifugal()
    table = expect(site, sites.clear_days(site, days=1), 600.0, health=Health(power_cap_w=600.0))
    assert table["expected_array_power_w"].max() == pytest.approx(600.0, rel=1e-3)
    assert (table["expected_state"] == "capped").any()
    capped = table[table["expected_state"] == "capped"]
    sound = expect(site, sites.clear_days(site, days=1), 600.0).loc[capped.index]
    assert (capped["expected_array_voltage_v"] > sound["expected_array_voltage_v"]).all()


def test_half_the_strings_give_half_the_power_at_the_same_voltage():
    # Fault catalogue of the trade: one of two strings open halves the current of a tracking drive, voltage unchanged.
    site = sites.frequency(array={**sites.frequency().array.model_dump(exclude_unset=True), "strings_in_parallel": 2,
                                  "modules_in_series": 4})
    sound, open_string = SiteModel.build(site), SiteModel.build(site, HEALTHY.replaced(strings_ratio=0.5))
    assert float(open_string.array_current(500.0, 40.0)) == pytest.approx(0.5 * float(sound.array_current(500.0, 40.0)),
                                                                         rel=0.02)
    assert float(open_string.array_voltage(500.0, 40.0)) == pytest.approx(float(sound.array_voltage(500.0, 40.0)),
                                                                         rel=0.02)


def test_series_resistance_takes_voltage_in_proportion_to_current():
    sound = SiteModel.build(sites.centrifugal())
    bad = SiteModel.build(sites.centrifugal(), HEALTHY.replaced(extra_series_resistance_ohm=1.0))
    missing = [float(sound.array_voltage(g, 45.0) - bad.array_voltage(g, 45.0)) for g in (250.0, 500.0, 1000.0)]
    assert missing[0] < missing[1] < missing[2]
    assert missing[2] / float(sound.array_current(1000.0, 45.0)) == pytest.approx(1.0, rel=0.25)


def test_seasonal_tilt_is_the_last_one_set():
    tilts = seasonal_tilt_deg({4: 5.0, 10: 30.0}, np.arange(1, 13))
    assert tilts.tolist() == [30, 30, 30, 5, 5, 5, 5, 5, 5, 30, 30, 30]


def test_tracker_faces_the_sun_better_than_a_fixed_array():
    fixed = sites.centrifugal(array={**sites.centrifugal().array.model_dump(exclude_unset=True), "tilt_deg": 0.0})
    turning = sites.centrifugal(array={**sites.centrifugal().array.model_dump(exclude_unset=True),
                                       "mount": "single_axis_tracker", "tilt_deg": 0.0, "azimuth_deg": 0.0})
    when = _index(144)
    sun = sun_position(when, -1.3, 36.8)
    tilt, _ = orientation(turning.array, when, "Africa/Nairobi", sun)
    assert np.abs(tilt).max() == pytest.approx(55.0)
    plane = [sites.clear_days(each, days=1)["poa_irradiance_w_m2"].sum() for each in (fixed, turning)]
    assert plane[1] > 1.15 * plane[0]


def test_air_temperature_that_nobody_logs_stays_within_ten_kelvin_of_climate_tables():
    # From memory of climate tables: July means near 27 degC in the Sahel, 18 at 48 N, 14 in highland Kenya.
    july = np.full(24, 196.0)
    hours = pd.date_range("2025-07-15", periods=24, freq="1h", tz="UTC")
    table = ((15.0, 300.0, 28.0), (48.0, 300.0, 18.0), (-1.3, 1700.0, 16.0), (33.0, 700.0, 30.0))
    for latitude, altitude, known in table:
        site = sites.centrifugal(latitude_deg=latitude, altitude_m=altitude)
        assert abs(float(usual_air_temperature_c(site, july, hours).mean()) - known) < 10.0


def test_missing_temperatures_widen_the_interval_but_leave_an_expectation():
    site = sites.centrifugal()
    full = sites.clear_days(site, days=1)
    bare = full[["poa_irradiance_w_m2"]]

    def width(table):
        return float((table["expected_flow_high_m3_s"] - table["expected_flow_low_m3_s"]).sum())

    with_air, without = expect(site, full, 600.0), expect(site, bare, 600.0)
    assert width(without) > width(with_air)
    assert without["expected_flow_m3_s"].sum() == pytest.approx(with_air["expected_flow_m3_s"].sum(), rel=0.08)


def test_static_level_is_deepest_on_its_day_and_swings_by_its_half():
    well = Well(static_water_level_m=20, static_level_season_m=3, deepest_day_of_year=270, pump_setting_depth_m=40)
    days = pd.date_range("2025-01-01", periods=365, freq="1D", tz="UTC")
    level = static_level_m(well, days)
    assert days[np.argmax(level)].day_of_year == 270
    assert level.max() == pytest.approx(23.0, abs=1e-3) and level.min() == pytest.approx(17.0, abs=1e-2)


def test_lagged_drawdown_solves_the_first_order_equation():
    rng = np.random.default_rng(4)
    target, step, tau = rng.uniform(0, 5, 60), 600.0, 2500.0
    when = _index(60)
    mean = aquifer_drawdown_m(target, when, step, tau)

    def slope(t, y):
        return (target[min(int(t // step), 59)] - y) / tau

    exact = solve_ivp(slope, (0, 60 * step), [0.0], max_step=20.0, dense_output=True)
    inside = [exact.sol(np.linspace(i * step, (i + 1) * step, 61))[0].mean() for i in range(60)]
    np.testing.assert_allclose(mean, inside, atol=0.02)


def test_well_recovers_over_a_gap_and_forgets_over_a_night():
    when = pd.DatetimeIndex([*_index(20), *(_index(3) + pd.Timedelta(hours=14))])
    target = np.concatenate([np.full(20, 4.0), np.zeros(3)])
    level = aquifer_drawdown_m(target, when, 600.0, 1800.0)
    assert level[19] > 3.9 and level[20] < 1e-2
