"""What must hold for every family and every drive, whatever the numbers: hypothesis draws light, heads and lengths."""

from dataclasses import replace
from functools import lru_cache

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from diagnostics.chain.pump_end import DisplacementEnd
from diagnostics.chain.site_model import SiteModel
from diagnostics.expected import expect, light_of
from diagnostics.health import HEALTHY
from diagnostics.site import Site
from tests.diagnostics.chain import invented_sites as sites

STEP_S = 1800.0
# Tables are read by interpolation: the share of rated flow that their error may be (0.2 % is its bound elsewhere).
READING = 2e-3
# Vector and scalar powers of numpy may differ in the last place.
LAST_PLACE = 1e-12
BATTERY = {"nominal_voltage_v": 48, "capacity_ah": 150, "low_voltage_disconnect_v": 44, "reconnect_voltage_v": 50,
           "absorption_voltage_v": 57.6}


def _with_drive(make, kind, **drive):
    return lambda: make(drive={"kind": kind, **drive})


def _on_battery(make):
    def build():
        site = make()
        motor = {**site.pump.motor.model_dump(exclude_unset=True), "rated_voltage_v": 48}
        return site.replaced(drive={"kind": "battery_bus"}, battery=BATTERY,
                             pump={**site.pump.model_dump(exclude_unset=True), "motor": motor})
    return build


def _convertible():
    jet = sites.jet_shallow()
    return jet.replaced(pump={**jet.pump.model_dump(exclude_unset=True), "family": "jet_convertible"})


def _holding_booster():
    """Hold the knee of a warm array that is too low for the motor. Held far below it, less can truly be more."""
    array = {**sites.helical().array.model_dump(exclude_unset=True), "modules_in_series": 2, "strings_in_parallel": 2}
    return sites.helical(array=array, drive={"kind": "voltage_booster", "max_output_voltage_v": 125,
                                             "held_voltage_v": 66})


SYSTEMS = {
    "centrifugal tracking": sites.centrifugal,
    "centrifugal direct": _with_drive(sites.centrifugal, "direct"),
    "centrifugal battery": _on_battery(sites.centrifugal),
    "centrifugal frequency": sites.frequency,
    "centrifugal printed table": sites.printed_table,
    "diaphragm current booster": sites.diaphragm,
    "diaphragm direct": sites.diaphragm_direct,
    "diaphragm tracking": _with_drive(sites.diaphragm, "tracking"),
    "diaphragm battery": _on_battery(sites.diaphragm),
    "helical tracking": sites.helical,
    "helical direct": _with_drive(sites.helical, "direct"),
    "helical tracking booster": _with_drive(sites.helical, "voltage_booster", max_output_voltage_v=125),
    "helical holding booster": _holding_booster,
    "helical wind": sites.wind_charged,
    "circulation direct": sites.circulation,
    "circulation tracking": _with_drive(sites.circulation, "tracking"),
    "jet deep tracking": sites.jet_deep,
    "jet deep direct": _with_drive(sites.jet_deep, "direct"),
    "jet shallow tracking": sites.jet_shallow,
    "jet convertible tracking": _convertible,
    "booster voltage booster": sites.booster,
    "booster direct": _with_drive(sites.booster, "direct"),
    "pressure system on a battery": sites.pressure_system,
    "plunger tracking": sites.plunger,
    "plunger direct": _with_drive(sites.plunger, "direct"),
    "plunger battery": _on_battery(sites.plunger),
}
EVERY = pytest.mark.parametrize("name", SYSTEMS)
ON_SUN = pytest.mark.parametrize("name", [name for name in SYSTEMS if name != "helical wind"])
FEW = settings(max_examples=12, deadline=None, derandomize=True)
REBUILT = settings(max_examples=3, deadline=None, derandomize=True)


@lru_cache(maxsize=64)
def _site(name) -> Site:
    return SYSTEMS[name]()


@lru_cache(maxsize=64)
def _model(name) -> SiteModel:
    return SiteModel.build(_site(name))


@lru_cache(maxsize=64)
def _weather(name):
    weather = sites.clear_days(_site(name), days=1, step_s=int(STEP_S))
    weather["module_temperature_c"] = 45.0       # warmer cells under more sun are another matter
    return weather


def _powers(name):
    return np.linspace(0.0, 1.3 * _model(name).rated_array_power_w, 60)


def _worked(site, weather, **more):
    return expect(site, weather, STEP_S, **more)["expected_flow_m3_s"].to_numpy()


def _evenly_lit(site, weather, model):
    """Without the spread of light inside intervals, which only neighbours tell."""
    light = light_of(site, weather, STEP_S)
    return expect(site, weather, STEP_S, model=model, light=replace(light, cloud_spread=0.0 * light.cloud_spread))


@EVERY
@FEW
@given(level=st.floats(-0.2, 1.0), more=st.floats(0.0, 0.5))
def test_more_head_never_gives_more_flow_at_equal_power(name, level, more):
    model, well = _model(name), _site(name).well
    span = max(abs(well.static_water_level_m), 3.0)
    first = well.static_water_level_m + 0.3 * level * span
    power = _powers(name)
    near = model.flow_at_power(power, np.full(power.shape, first))
    far = model.flow_at_power(power, np.full(power.shape, first + more * span))
    assert (far <= near + READING * model.rated_flow_m3_s).all()


@EVERY
@FEW
@given(level=st.floats(-0.3, 0.3))
def test_more_power_never_gives_less_flow(name, level):
    model, well = _model(name), _site(name).well
    power = _powers(name)
    flow = model.flow_at_power(power, np.full(power.shape, well.static_water_level_m
                                              + level * max(abs(well.static_water_level_m), 3.0)))
    assert (np.diff(flow) >= -READING * model.rated_flow_m3_s).all()
    assert (flow >= 0.0).all()


@ON_SUN
@FEW
@given(share=st.floats(0.05, 1.0), more=st.floats(0.0, 0.4))
def test_more_sun_never_gives_less_water_while_uncapped(name, share, more):
    site, model, weather = _site(name), _model(name), _weather(name)
    dim = weather.assign(poa_irradiance_w_m2=weather["poa_irradiance_w_m2"] * share)
    bright = weather.assign(poa_irradiance_w_m2=dim["poa_irradiance_w_m2"] * (1.0 + more))
    table = expect(site, bright, STEP_S, model=model)
    free = (table["expected_state"] != "capped").to_numpy()
    low, high = _worked(site, dim, model=model), table["expected_flow_m3_s"].to_numpy()
    if model.on_battery:        # a battery that empties later pumps later: the day's water is what cannot fall
        assert high.sum() >= low.sum() * (1.0 - READING)
        return
    # Beyond its own knee a held voltage or a direct load takes what it takes; more light never takes water away.
    assert (high[free] >= low[free] - READING * model.rated_flow_m3_s).all()


@ON_SUN
@REBUILT
@given(dirt=st.floats(0.5, 1.0), deeper=st.floats(0.0, 0.15))
def test_a_dirtier_array_or_deeper_water_never_gives_more(name, dirt, deeper):
    site, weather = _site(name), _weather(name)
    light = light_of(site, weather, STEP_S)
    sound = _worked(site, weather, light=light, model=_model(name))
    depth = deeper * max(abs(site.well.static_water_level_m), 3.0)
    for health in (HEALTHY.replaced(irradiance_ratio=dirt), HEALTHY.replaced(extra_static_level_m=depth)):
        worse = _worked(site, weather, light=light, health=health)
        if _model(name).on_battery:
            assert worse.sum() <= sound.sum() * (1.0 + READING)
        else:
            assert (worse <= sound + 2 * READING * _model(name).rated_flow_m3_s).all(), health


@EVERY
@REBUILT
@given(longer=st.floats(1.0, 6.0), higher=st.floats(0.0, 5.0))
def test_a_longer_pipe_or_a_higher_outlet_never_gives_more(name, longer, higher):
    site, power = _site(name), _powers(name)
    near = _model(name).flow_at_power(power)
    pipes = site.pipework.model_dump(exclude_unset=True)
    runs = [{**run, "length_m": run["length_m"] * longer} for run in pipes["runs"]]
    for changed in ({**pipes, "runs": runs}, {**pipes, "outlet_height_m": site.pipework.outlet_height_m + higher}):
        far = SiteModel.build(site.model_copy(update={"pipework": type(site.pipework).model_validate(changed)}))
        assert (far.flow_at_power(power) <= near + 2 * READING * _model(name).rated_flow_m3_s).all()


@EVERY
@FEW
@given(powers=st.lists(st.floats(0.0, 2.0), min_size=1, max_size=6), level=st.floats(-0.3, 0.3))
def test_a_scalar_reads_as_an_array_does(name, powers, level):
    model, well = _model(name), _site(name).well
    power = np.array(powers) * model.rated_array_power_w
    depth = well.static_water_level_m + level * max(abs(well.static_water_level_m), 3.0)
    for read in (model.flow_at_power, model.speed_at_power):
        many = read(power, np.full(power.shape, depth))
        assert many.shape == power.shape
        one = [float(np.asarray(read(float(each), depth)).reshape(-1)[0]) for each in power]
        np.testing.assert_allclose(many, one, rtol=LAST_PLACE)
    flow = model.flow_at_power(power)
    for read in (model.pumping_level_at_flow, model.outlet_pressure_at_flow):
        one = [float(np.asarray(read(float(each))).reshape(-1)[0]) for each in flow]
        np.testing.assert_allclose(read(flow), one, rtol=LAST_PLACE)


@ON_SUN
@FEW
@given(row=st.integers(16, 32))
def test_one_interval_alone_is_what_it_is_among_others(name, row):
    site, model, weather = _site(name), _model(name), _weather(name)
    if site.well.drawdown_linear_s_m2 > 0.0 or model.on_battery:
        return      # these remember the intervals before
    among = _evenly_lit(site, weather, model)
    alone = _evenly_lit(site, weather.iloc[[row]], model)
    power = among["expected_array_power_w"].iloc[row]
    assert alone["expected_array_power_w"].iloc[0] == pytest.approx(power, rel=1e-9, abs=1e-9)


@EVERY
@FEW
@given(share=st.floats(0.05, 1.2))
def test_energy_is_never_created(name, share):
    """Of the light no more than a fifth, of the array's power no more than is there, of that no more in the water."""
    site, model = _site(name), _model(name)
    weather = _weather(name)
    if site.array is not None:
        weather = weather.assign(poa_irradiance_w_m2=weather["poa_irradiance_w_m2"] * share)
    table = expect(site, weather, STEP_S, model=model)
    available = table["array_power_available_w"].to_numpy()
    taken, flow = table["expected_array_power_w"].to_numpy(), table["expected_flow_m3_s"].to_numpy()
    weight = model.side.density_kg_m3 * 9.80665
    lift = (table["expected_water_level_m"].to_numpy() + site.pipework.outlet_height_m
            + site.pipework.outlet_pressure_pa / weight)
    water = weight * flow * np.maximum(lift, 0.0)
    if site.array is not None:
        sun = table["poa_irradiance_w_m2"].to_numpy()
        label = site.array.nominal_power_w / 1000.0
        assert (available <= 1.15 * label * sun + 1e-6).all()
    assert (taken <= available * (1.0 + READING) + 1e-6).all()
    if model.on_battery:
        assert water.sum() <= 0.9 * taken.sum() + 1e-6
    else:
        # The mean flow of an unsteady or cut interval is not the flow at its mean power: small change of both.
        assert (water <= 0.9 * taken + 0.01 * model.rated_array_power_w).all()
    assert water.sum() <= 0.9 * taken.sum() + 1e-6


@EVERY
@FEW
@given(level=st.floats(-0.3, 0.3))
def test_efficiency_of_the_whole_never_passes_that_of_its_motor(name, level):
    site, model = _site(name), _model(name)
    depth = site.well.static_water_level_m + level * max(abs(site.well.static_water_level_m), 3.0)
    power = _powers(name)[1:]
    flow = model.flow_at_power(power, np.full(power.shape, depth))
    weight = model.side.density_kg_m3 * 9.80665
    lift = model.pumping_level_at_flow(flow, depth) + site.pipework.outlet_height_m + (
        site.pipework.outlet_pressure_pa / weight)
    motor = site.pump.motor.rated_efficiency
    best = 1.0 if site.pump.power_table or isinstance(model.side.end, DisplacementEnd) else motor
    assert (weight * flow * np.maximum(lift, 0.0) <= best * power * 1.02 + 1e-9).all()
