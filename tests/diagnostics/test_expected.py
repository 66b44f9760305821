"""Expected delivery: its columns, its states, what it does with what is not known."""

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from diagnostics.chain.pipework import drained_volume_m3
from diagnostics.expected import EXPECTED_COLUMNS, STATES, SiteModel, expect, light_of
from diagnostics.health import HEALTHY
from diagnostics.site import Site
from tests.diagnostics.chain import invented_sites as sites

KINDS = {make.__name__: make for make in sites.ALL}
CENTRIFUGAL = sites.centrifugal()
MODEL = SiteModel.build(CENTRIFUGAL)


def _volume_m3(table: pd.DataFrame, step_s: float = 600.0) -> float:
    return float(table["expected_flow_m3_s"].sum() * step_s)


@pytest.mark.parametrize("kind", KINDS)
def test_every_kind_fills_every_column(kind):
    site = KINDS[kind]()
    weather = sites.clear_days(site)
    table = expect(site, weather, 600.0)
    assert tuple(table.columns) == EXPECTED_COLUMNS
    assert table.index.equals(weather.index)
    assert table["expected_flow_m3_s"].notna().all()
    assert (table["expected_flow_low_m3_s"] <= table["expected_flow_m3_s"] + 1e-12).all()
    assert (table["expected_flow_high_m3_s"] >= table["expected_flow_m3_s"] - 1e-12).all()
    assert set(table["expected_state"].unique()) <= set(STATES)
    assert _volume_m3(table) > 0


def test_night_is_known_to_give_nothing():
    weather = sites.clear_days(CENTRIFUGAL)
    table = expect(CENTRIFUGAL, weather, 600.0, model=MODEL)
    night = table["sun_elevation_deg"] < -1
    assert (table.loc[night, "expected_flow_m3_s"] == 0).all()
    assert (table.loc[night, "expected_state"] == "night").all()
    assert night.sum() > 100


def test_light_that_is_not_known_makes_flow_not_known_and_says_so():
    weather = sites.clear_days(CENTRIFUGAL)
    weather.iloc[60:66, weather.columns.get_loc("poa_irradiance_w_m2")] = np.nan
    table = expect(CENTRIFUGAL, weather, 600.0, model=MODEL)
    assert table["expected_flow_m3_s"].iloc[60:66].isna().all()
    assert (table["expected_state"].iloc[60:66] == "no_irradiance").all()
    assert table["expected_flow_m3_s"].drop(table.index[60:66]).notna().all()


def test_best_source_is_taken_row_by_row_and_worse_ones_widen_the_interval():
    weather = sites.clear_days(CENTRIFUGAL, days=1)
    plane = weather["poa_irradiance_w_m2"].copy()
    level = plane.clip(lower=0.0)
    weather["global_horizontal_irradiance_w_m2"] = level
    weather["neighbour_global_horizontal_irradiance_w_m2"] = level
    weather["imported_global_horizontal_irradiance_w_m2"] = level * 0.9
    weather.loc[weather.index[50:], "poa_irradiance_w_m2"] = np.nan
    weather.loc[weather.index[60:], "global_horizontal_irradiance_w_m2"] = np.nan
    weather.loc[weather.index[70:], "neighbour_global_horizontal_irradiance_w_m2"] = np.nan
    table = expect(CENTRIFUGAL, weather, 600.0, model=MODEL)
    source = table["irradiance_source"].astype(str)
    assert (source.iloc[48], source.iloc[55], source.iloc[65], source.iloc[75]) == (
        "plane_sensor", "horizontal_sensor", "neighbour", "imported")
    width = (table["expected_flow_high_m3_s"] - table["expected_flow_low_m3_s"]) / table["expected_flow_m3_s"]
    assert width.iloc[48] < width.iloc[55] < width.iloc[65]


def test_horizontal_sensor_gives_the_same_day_as_the_plane_sensor_under_a_clear_sky():
    # The array is nearly level and near the equator: both ways must agree within the transposition's uncertainty.
    weather = sites.clear_days(CENTRIFUGAL, days=1)
    by_plane = _volume_m3(expect(CENTRIFUGAL, weather, 600.0, model=MODEL))
    flat = CENTRIFUGAL.replaced(array={**CENTRIFUGAL.array.model_dump(exclude_unset=True), "tilt_deg": 0.0})
    level = sites.clear_days(flat, days=1).rename(columns={"poa_irradiance_w_m2": "global_horizontal_irradiance_w_m2"})
    by_level = _volume_m3(expect(CENTRIFUGAL, level, 600.0, model=MODEL))
    assert by_level == pytest.approx(by_plane, rel=0.04)


def test_long_intervals_give_the_day_of_short_ones():
    for make in (sites.centrifugal, sites.diaphragm, sites.circulation, sites.helical):
        site = make()
        fine = sites.clear_days(site, days=1, step_s=300)
        hourly = fine.resample("1h", closed="right", label="right").mean()
        hourly.index.name = fine.index.name
        model = SiteModel.build(site)
        short = float(expect(site, fine, 300.0, model=model)["expected_flow_m3_s"].sum() * 300)
        long = float(expect(site, hourly, 3600.0, model=model)["expected_flow_m3_s"].sum() * 3600)
        assert long == pytest.approx(short, rel=0.02)


def test_light_worked_out_before_changes_nothing():
    weather = sites.clear_days(CENTRIFUGAL)
    light = light_of(CENTRIFUGAL, weather, 600.0)
    pd.testing.assert_frame_equal(expect(CENTRIFUGAL, weather, 600.0, light=light),
                                  expect(CENTRIFUGAL, weather, 600.0))


def test_rows_do_not_depend_on_the_rows_beside_them_where_the_well_does_not_draw_down():
    site = sites.diaphragm()
    weather = sites.clear_days(site, days=1)
    whole = expect(site, weather, 600.0)["expected_flow_m3_s"]
    part = expect(site, weather.iloc[40:90], 600.0)["expected_flow_m3_s"]
    np.testing.assert_allclose(part.iloc[1:-1], whole.iloc[41:89], rtol=1e-9)


def test_drawdown_comes_late_and_goes_late():
    site = sites.centrifugal(well={"static_water_level_m": 35, "drawdown_linear_s_m2": 6000, "recovery_time_s": 7200,
                                   "pump_setting_depth_m": 60})
    weather = sites.clear_days(site, days=1)
    table = expect(site, weather, 600.0)
    noon = table["expected_flow_m3_s"].idxmax()
    deepest = table["expected_water_level_m"].idxmax()
    assert deepest > noon
    running = table["expected_flow_m3_s"] > 0
    first = table.index[running][0]
    steady = SiteModel.build(site).pumping_level_at_flow(table.loc[first, "expected_flow_m3_s"])
    assert table.loc[first, "expected_water_level_m"] < float(steady)


def test_measured_level_replaces_the_sheets_well_on_request():
    weather = sites.clear_days(CENTRIFUGAL, days=1)
    weather["water_level_m"] = 50.0
    sheet = _volume_m3(expect(CENTRIFUGAL, weather, 600.0, model=MODEL))
    measured = expect(CENTRIFUGAL, weather, 600.0, model=MODEL, use_measured_level=True)
    assert _volume_m3(measured) < 0.85 * sheet
    running = measured["expected_flow_m3_s"] > 0
    assert measured.loc[running, "expected_water_level_m"].median() == pytest.approx(50.0, abs=0.1)


def test_start_above_stop_makes_mornings_later_than_evenings():
    site = sites.centrifugal(drive={"kind": "tracking", "max_speed_rpm": 3200, "start_power_w": 600,
                                    "stop_power_w": 300})
    table = expect(site, sites.clear_days(site, days=1), 600.0)
    running = table["expected_flow_m3_s"] > 0
    power = table["array_power_available_w"]
    assert power[running].iloc[0] > 590 and power[running].iloc[-1] < 400


def test_restart_delay_takes_water_from_the_interval_of_the_start_only():
    drive = {"kind": "tracking", "max_speed_rpm": 3200}
    weather = sites.clear_days(CENTRIFUGAL, days=1)
    at_once = expect(sites.centrifugal(drive=drive), weather, 600.0)["expected_flow_m3_s"]
    late = expect(sites.centrifugal(drive={**drive, "restart_delay_s": 300}), weather, 600.0)["expected_flow_m3_s"]
    first = at_once.gt(0).idxmax()
    assert late[first] == pytest.approx(0.5 * at_once[first])
    np.testing.assert_allclose(late.drop(first), at_once.drop(first))


def test_drained_riser_is_filled_before_water_arrives():
    # 25 mm of bore hold 0.49 L a metre (arithmetic); the drain hole also leaks a little while the pump runs.
    site = sites.diaphragm()
    runs = [{"length_m": 60, "bore_m": 0.025}]
    tight = sites.diaphragm(pipework={"runs": runs, "outlet_height_m": 4})
    drained = sites.diaphragm(pipework={"runs": runs, "outlet_height_m": 4, "weep_hole_depth_m": 3.0})
    assert drained_volume_m3(drained.pipework) == pytest.approx(3 * 0.49e-3, rel=0.01)
    weather = sites.clear_days(site, days=1)
    whole, part = (expect(each, weather, 600.0)["expected_flow_m3_s"] for each in (tight, drained))
    noon = whole.idxmax()
    # Fault catalogue of the trade: a 1/16 inch hole loses about 0.7 L/min under 5 m of head.
    assert (whole[noon] - part[noon]) * 60e3 == pytest.approx(0.75, abs=0.25)
    assert part.gt(0).idxmax() >= whole.gt(0).idxmax()


@pytest.mark.parametrize("kind", KINDS)
def test_little_or_odd_weather_is_borne(kind):
    site = KINDS[kind]()
    weather = sites.clear_days(site, days=1)
    assert len(expect(site, weather.iloc[:0], 600.0)) == 0
    assert len(expect(site, weather.iloc[60:61], 600.0)) == 1
    assert len(expect(site, weather.iloc[:10], 600.0)) == 10
    nothing = expect(site, weather * np.nan, 600.0)
    assert nothing["expected_flow_m3_s"].isna().any() or site.array is None or nothing["expected_flow_m3_s"].sum() == 0
    mixed = pd.Series(np.where(np.arange(len(weather)) % 7, 600.0, 300.0), index=weather.index)
    assert len(expect(site, weather, mixed)) == len(weather)
    dim = weather.resample("1h", closed="right", label="right").mean()
    assert len(expect(site, dim.iloc[9:10], 3600.0)) == 1


@pytest.mark.parametrize("kind", KINDS)
@pytest.mark.parametrize("extreme", [{"power_cap_w": 0.0}, {"strings_ratio": 0.0}, {"voltage_ratio": 0.0},
                                     {"irradiance_ratio": 0.0}, {"motor_efficiency_ratio": 0.0},
                                     {"displacement_ratio": 0.0}, {"pump_head_ratio": 0.0},
                                     {"extra_static_level_m": 100.0}, {"delivery_loss_s2_m5": 1e12}],
                         ids=lambda e: next(iter(e)))
def test_the_worst_health_gives_little_water_and_no_error(kind, extreme):
    site = KINDS[kind]()
    weather = sites.clear_days(site, days=1, step_s=1200)
    sound = expect(site, weather, 1200.0)["expected_flow_m3_s"]
    worst = expect(site, weather, 1200.0, health=HEALTHY.replaced(**extreme))["expected_flow_m3_s"]
    assert worst.notna().all() and (worst >= 0).all()
    assert worst.sum() <= sound.sum() * 1.001


def test_site_without_a_model_says_no_chain_and_keeps_the_light():
    missing = ["pump", "well", "pipework"]
    described = {name: part for name, part in sites.centrifugal() if name not in (*missing, "parts_absent")}
    site = Site(**described, parts_absent=missing)
    table = expect(site, sites.clear_days(site, days=1), 600.0)
    assert (table["expected_state"] == "no_chain").all()
    assert table["expected_flow_m3_s"].isna().all()
    assert table["poa_irradiance_w_m2"].max() > 800


def test_heat_derates_the_drive():
    drive = {"kind": "tracking", "max_output_power_w": 700, "derating_start_temperature_c": 30, "derating_per_k": 0.03}
    site = sites.centrifugal(drive=drive)
    cool, hot = sites.clear_days(site, days=1), sites.clear_days(site, days=1)
    hot["air_temperature_c"], hot["module_temperature_c"] = 44.0, 55.0
    cool["module_temperature_c"] = 55.0
    assert _volume_m3(expect(site, hot, 600.0)) < 0.85 * _volume_m3(expect(site, cool, 600.0))


def test_broken_clouds_cost_water_where_the_drive_caps_and_add_some_near_the_threshold():
    site = sites.frequency()
    weather = sites.clear_days(site, days=1)
    flicker = weather.copy()
    flicker["poa_irradiance_w_m2"] = weather["poa_irradiance_w_m2"] * np.where(np.arange(len(weather)) % 2, 0.55, 1.0)
    light = light_of(site, flicker, 600.0)
    assert light.cloud_spread.max() > 0.1
    assert light_of(site, weather, 600.0).cloud_spread.max() < 0.02


@settings(max_examples=25, deadline=None)
@given(share=st.floats(0.05, 1.0), more=st.floats(0.0, 0.3))
def test_more_sun_never_gives_less_water(share, more):
    for site in (CENTRIFUGAL,):
        dim = sites.clear_days(site, days=1, step_s=1200, share=share)
        bright = sites.clear_days(site, days=1, step_s=1200, share=share * (1 + more))
        dim["module_temperature_c"] = bright["module_temperature_c"] = 45.0
        low = expect(site, dim, 1200.0, model=MODEL)["expected_flow_m3_s"]
        high = expect(site, bright, 1200.0, model=MODEL)["expected_flow_m3_s"]
        assert (high >= low - 1e-3 * MODEL.rated_flow_m3_s).all()


@settings(max_examples=20, deadline=None)
@given(deeper=st.floats(0.0, 8.0), dirt=st.floats(0.6, 1.0), kind=st.sampled_from(["centrifugal", "diaphragm",
                                                                                    "helical", "frequency"]))
def test_deeper_water_or_a_dirtier_array_never_gives_more(deeper, dirt, kind):
    site = KINDS[kind]()
    weather = sites.clear_days(site, days=1, step_s=1200)
    light = light_of(site, weather, 1200.0)
    sound = expect(site, weather, 1200.0, light=light)
    worse = expect(site, weather, 1200.0, light=light,
                   health=HEALTHY.replaced(extra_static_level_m=deeper, irradiance_ratio=dirt))
    rated = SiteModel.build(site).rated_flow_m3_s
    assert (worse["expected_flow_m3_s"] <= sound["expected_flow_m3_s"] + 2e-3 * rated).all()


@settings(max_examples=20, deadline=None)
@given(longer=st.floats(1.0, 20.0))
def test_a_longer_pipe_never_gives_more(longer):
    site = sites.helical()
    runs = [{"length_m": 120 * longer, "bore_m": 0.03}]
    short, long = SiteModel.build(site.replaced(pipework={"runs": [{"length_m": 120, "bore_m": 0.03}],
                                                          "outlet_height_m": 5})), SiteModel.build(
        site.replaced(pipework={"runs": runs, "outlet_height_m": 5}))
    power = np.linspace(100, 1000, 40)
    assert (long.flow_at_power(power) <= short.flow_at_power(power) + 2e-3 * short.rated_flow_m3_s).all()
