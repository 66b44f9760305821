"""The tables against the equations they were made from, solved point by point with a library root-finder."""

import numpy as np
import pytest
from scipy.optimize import brentq

from diagnostics.chain.motor import motor_model
from diagnostics.chain.operating_point import drive_of, load_line, motor_of, water_side
from diagnostics.chain.site_model import ChainNotAvailable, SiteModel
from diagnostics.health import HEALTHY, Health
from diagnostics.site import Site
from tests.diagnostics.chain import invented_sites as sites

TABLE_ERROR_OF_RATED_FLOW = 0.002
MAKERS = {make.__name__: make for make in sites.ALL}
ON_SUN_WITH_SPEED = ["centrifugal", "frequency", "diaphragm", "helical", "jet_deep", "booster", "plunger"]


def _steady_power_w(site: Site, health: Health, level_m: float, flow_m3_s: float) -> float:
    """Power into the drive for one delivered flow, without any table over level or power."""
    side = water_side(site)
    line = load_line(site, side, drive_of(site, health), motor_of(site, health), np.array([level_m]), health,
                     steady=True)
    return float(np.interp(flow_m3_s, line.flow_m3_s, line.drive_power_w[0]))


@pytest.mark.parametrize("kind", [*ON_SUN_WITH_SPEED, "printed_table"])
@pytest.mark.parametrize("health", [HEALTHY, Health(extra_static_level_m=2.0, well_loss_ratio=2.0, slip_ratio=1.5,
                                                    pump_head_ratio=0.97)], ids=["healthy", "worn"])
def test_table_stays_within_two_thousandths_of_rated_flow_of_the_exact_operating_point(kind, health):
    site = MAKERS[kind]()
    model = SiteModel.build(site, health)
    rng = np.random.default_rng(7)
    level = float(site.well.static_water_level_m)
    worst = 0.0
    for static in level + rng.uniform(-0.4, 0.4, 6):
        z = static + health.extra_static_level_m
        start, end = (float(x) for x in (lambda p: (p.start, p.end))(model.steady.locate(0.0, z)))
        for power in rng.uniform(start, end, 12):
            exact = brentq(lambda q, z=z, p=power: _steady_power_w(site, health, z, q) - p, 0.0,
                           model.side.flow_top_m3_s)
            limit = float(model._limit(model.steady_limit_m3_s, np.array([z]))[0])
            worst = max(worst, abs(float(model.flow_at_power(power, static)) - min(exact, limit)))
    assert worst < TABLE_ERROR_OF_RATED_FLOW * model.rated_flow_m3_s


@pytest.mark.parametrize("kind", ["circulation", "diaphragm_direct"])
def test_direct_coupling_sits_where_array_and_load_line_cross(kind):
    site = MAKERS[kind]()
    model = SiteModel.build(site)
    motor, health = motor_of(site, HEALTHY), HEALTHY
    level = float(site.well.static_water_level_m)
    line = load_line(site, model.side, drive_of(site, health), motor, np.array([level]), health, steady=False)
    rng = np.random.default_rng(3)
    for light, cell in zip(rng.uniform(150, 1100, 25), rng.uniform(5, 70, 25), strict=True):
        start, _ = model.crossing.thresholds(cell, level)

        def short(i, light=light, cell=cell):
            flow = np.array([i])
            volts = np.interp(flow, line.flow_m3_s, line.motor_voltage_v[0])
            amps = np.interp(flow, line.flow_m3_s, line.motor_current_a[0])
            return float(model.curve.current_at(volts, np.array([light]), np.array([cell]))[0] - amps[0])

        if light < start or short(0.0) < 0:
            continue
        exact = brentq(short, 0.0, float(line.flow_m3_s[-1]))
        power = model.operate(np.array([light]), np.array([cell]), np.array([25.0]), np.array([level]))
        flow = float(model.read_flow(power.power_taken_w, np.array([level]), steady=False)[0])
        assert flow == pytest.approx(exact, abs=TABLE_ERROR_OF_RATED_FLOW * model.rated_flow_m3_s)


def test_array_table_agrees_with_the_curve_it_was_made_from():
    model = SiteModel.build(sites.diaphragm())
    rng = np.random.default_rng(0)
    light, cell = rng.uniform(5, 1300, 500), rng.uniform(-10, 75, 500)
    volts, watts = model.curve.maximum_power(light, cell)
    read_w, read_v, held = model.array.read(light, cell, "power_mp_w", "voltage_mp_v", "power_held_w")
    exact_held = 31.0 * model.curve.current_at(np.full(500, 31.0), light, cell)
    assert np.abs(read_w - watts).max() < 2e-4 * 200.0
    assert np.abs(read_v - volts).max() < 2e-3 * 36.0
    assert np.abs(held - exact_held).max() < 5e-3 * 200.0


@pytest.mark.parametrize("kind", MAKERS)
def test_every_kind_has_a_chain_and_a_rated_point(kind):
    model = SiteModel.build(MAKERS[kind]())
    assert model.rated_flow_m3_s > 0 and model.rated_array_power_w > 0
    flow = model.flow_at_power(model.rated_array_power_w)
    assert float(flow) == pytest.approx(model.rated_flow_m3_s, rel=1e-6)


@pytest.mark.parametrize("kind", MAKERS)
def test_water_never_carries_more_power_than_the_drive_takes(kind):
    site = MAKERS[kind]()
    model = SiteModel.build(site)
    power = np.linspace(1.0, 1.3 * model.rated_array_power_w, 300)
    flow = model.flow_at_power(power)
    lift = (model.pumping_level_at_flow(flow) + site.pipework.outlet_height_m
            + site.pipework.outlet_pressure_pa / (model.side.density_kg_m3 * 9.80665))
    assert (model.side.density_kg_m3 * 9.80665 * flow * np.maximum(lift, 0.0) < 0.9 * power + 1e-9).all()


@pytest.mark.parametrize("kind", MAKERS)
def test_one_power_reads_as_many_do(kind):
    model = SiteModel.build(MAKERS[kind]())
    power = np.linspace(0.0, 1.2 * model.rated_array_power_w, 7)
    many = model.flow_at_power(power)
    assert many.shape == power.shape
    np.testing.assert_array_equal(many, [float(model.flow_at_power(float(p))) for p in power])
    assert np.isnan(model.flow_at_power(np.nan))


@pytest.mark.parametrize("kind", [k for k in MAKERS if k not in ("wind_charged",)])
@pytest.mark.parametrize("worse", [
    {"extra_static_level_m": 3.0}, {"well_loss_ratio": 3.0}, {"intake_loss_s2_m5": 3e6},
    {"delivery_loss_s2_m5": 3e6}, {"extra_static_head_m": 4.0}, {"pump_head_ratio": 0.9},
    {"recirculation_ratio": 0.15}, {"slip_ratio": 3.0}, {"motor_efficiency_ratio": 0.85},
    {"riser_leak_m3_s_per_sqrt_m": 3e-6}, {"drive_ratio": 0.9}], ids=lambda w: next(iter(w)))
def test_no_fault_ever_adds_water_at_equal_power(kind, worse):
    site = MAKERS[kind]()
    sound, faulty = SiteModel.build(site), SiteModel.build(site, HEALTHY.replaced(**worse))
    power = np.linspace(0.0, 1.1 * sound.rated_array_power_w, 200)
    assert (faulty.flow_at_power(power) <= sound.flow_at_power(power) + 2e-3 * sound.rated_flow_m3_s).all()


@pytest.mark.parametrize("kind", ["centrifugal", "diaphragm", "helical", "circulation"])
def test_threshold_moves_with_static_level(kind):
    model = SiteModel.build(MAKERS[kind]())
    levels = model.site.well.static_water_level_m + np.array([-0.3, 0.0, 0.3])
    assert (np.diff(model.threshold_power_w(levels)) > 0).all()


def test_helical_rotor_starts_above_the_power_at_which_it_stops():
    # Common practice: a stiff stator wants two or three times the running torque to break away.
    model = SiteModel.build(sites.helical())
    start, stop = model.thresholds(np.array([45.0]), np.array([80.0]))
    assert start[0] > 1.15 * stop[0]


def test_directly_coupled_displacement_pump_stalls_until_its_current_is_there():
    model = SiteModel.build(sites.diaphragm_direct())
    start, stop = (float(x[0]) for x in model.thresholds(np.array([45.0]), np.array([40.0])))
    assert 150 < stop < start < 900
    running_a = float(model.array_current(900.0, 45.0))
    assert running_a == pytest.approx(float(model.array_current(1050.0, 45.0)), rel=0.03)


def test_current_of_a_direct_displacement_pump_is_a_pressure_gauge():
    # Fault catalogue of the trade: raising head a quarter raises current about a quarter, speed hardly moves.
    site = sites.diaphragm_direct()
    taller = site.replaced(pipework={"runs": [{"length_m": 60, "bore_m": 0.016}], "outlet_height_m": 15.0})
    low, high = SiteModel.build(site), SiteModel.build(taller)
    ratio = float(high.array_current(1000.0, 50.0)) / float(low.array_current(1000.0, 50.0))
    assert 1.1 < ratio < 1.3


def test_what_is_not_described_enough_is_refused_in_a_sentence():
    no_source = sites.pressure_system().model_copy(update={"array": None})
    with pytest.raises(ChainNotAvailable, match="neither array nor wind"):
        SiteModel.build(no_source)


def test_flow_is_limited_where_the_pumping_level_would_reach_the_intake():
    site = sites.centrifugal(well={"static_water_level_m": 35, "drawdown_linear_s_m2": 20000,
                                   "pump_setting_depth_m": 45})
    model = SiteModel.build(site)
    flow = float(model.flow_at_power(3000.0))
    assert flow == pytest.approx(10.0 / 20000, rel=0.01)


def test_suction_lift_beyond_the_limit_gives_no_water():
    # Practical suction lift of a surface pump is about 20 ft at sea level (common practice).
    lifts = (3.0, 6.0, 8.5)
    flows = []
    for lift in lifts:
        site = sites.circulation(altitude_m=0.0, well={"kind": "open", "static_water_level_m": lift},
                                 pipework={"runs": [{"length_m": 5, "bore_m": 0.04}], "outlet_height_m": 0.0,
                                           "suction": {"length_m": lift + 1.0, "bore_m": 0.05}})
        site = site.replaced(pump={**site.pump.model_dump(exclude_unset=True), "npsh_required_m": 3.0})
        flows.append(float(SiteModel.build(site).flow_at_power(250.0)))
    assert flows[0] > flows[1] > 0 and flows[2] == 0.0


def test_relief_valve_holds_the_flow_where_its_pressure_is_reached():
    site = sites.plunger()
    low = site.replaced(pump={**site.pump.model_dump(exclude_unset=True), "relief_pressure_pa": 2.7e6})
    free, relieved = SiteModel.build(site), SiteModel.build(low)
    assert float(relieved.flow_at_power(1300.0)) < 0.9 * float(free.flow_at_power(1300.0))


def test_shorter_supply_on_a_battery_bus_gives_less_water_but_the_same_water_per_energy():
    model = SiteModel.build(sites.pressure_system())
    flow = model.flow_at_power(np.array([100.0, 200.0, 300.0]))
    np.testing.assert_allclose(flow / flow[0], [1.0, 2.0, 3.0], rtol=1e-6)
    assert float(model.water_per_energy_m3_j()) > 0


def test_motor_from_its_plate_gives_back_its_plate():
    for make in (sites.diaphragm, sites.centrifugal, sites.frequency):
        plate = make().pump.motor
        motor = motor_model(plate)
        omega = plate.rated_speed_rpm * np.pi / 30
        torque = plate.rated_power_w * plate.rated_efficiency / omega
        power = motor.input_power_w(np.array([torque]), np.array([plate.rated_speed_rpm]))
        assert float(power[0]) == pytest.approx(plate.rated_power_w, rel=1e-6)
