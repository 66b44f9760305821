"""The physics of proving plants held against libraries of others and against facts of the trade."""

import itertools

import fluids
import numpy as np
import pandas as pd
import pvlib
import pytest

from diagnostics.proving.cells import Bank, current_at, maximum_power, open_circuit, string_from_label, two_group_power
from diagnostics.proving.ground import friction_head_m, kinematic_viscosity_m2_s, tank_table
from diagnostics.proving.machines import DisplacementBank, JetBank, Machine, RotodynamicBank, printed_curve
from diagnostics.proving.sky import clear_sky, plane_parts, sun_position
from diagnostics.site import Array, Module, PipeRun, Tank

MODULE = Module(key="m", power_w=320, vmp_v=33.4, imp_a=9.58, voc_v=40.5, isc_a=10.1, cells_in_series=60,
                temperature_coefficient_voc_per_k=-0.0029, temperature_coefficient_isc_per_k=0.0005,
                temperature_coefficient_power_per_k=-0.0038)
ARRAY = Array(module=MODULE, modules_in_series=4, strings_in_parallel=2, tilt_deg=30, azimuth_deg=180,
              mismatch_loss_pct=0, cable_length_m=0)
ROTOR = Machine("rotodynamic", 3000, 1.2e-3, 50.0, 0.55, motor_power_w=1450, motor_efficiency=0.8, motor_voltage_v=150)


@pytest.mark.parametrize(("latitude", "longitude"), [(34.4, -104.9), (-23.0, 25.0), (1.5, 36.0)])
def test_sun_stands_where_the_spa_algorithm_of_pvlib_puts_it(latitude, longitude):
    # pvlib's NREL SPA (Reda and Andreas 2004); PSA states 0.01 deg, refraction models differ near the horizon.
    times = pd.date_range("2026-01-01", "2026-12-31", freq="7h13min", tz="UTC")
    spa = pvlib.solarposition.get_solarposition(times, latitude, longitude)
    unix = times.as_unit("s").asi8.astype(float)
    elevation, azimuth, _ = sun_position(unix, latitude, longitude)
    up = spa["elevation"].to_numpy() > 3
    np.testing.assert_allclose(elevation[up], spa["apparent_elevation"].to_numpy()[up], atol=0.03)
    off = (azimuth - spa["azimuth"].to_numpy() + 180) % 360 - 180
    assert np.abs(off[up & (spa["elevation"].to_numpy() < 85)]).max() < 0.15


def test_clear_sky_agrees_with_pvlibs_bird_model():
    # Bird and Hulstrom (1981) as coded in pvlib.clearsky.bird, same inputs; altitude enters by its pressure.
    elevation = np.array([10.0, 30.0, 60.0, 85.0])
    zenith = 90 - elevation
    mass = pvlib.atmosphere.get_relative_airmass(zenith, model="kasten1966")
    bird = pvlib.clearsky.bird(zenith, mass, aod380=0.0, aod500=0.1 / 0.35, precipitable_water=1.5, ozone=0.3,
                               pressure=101325.0, dni_extra=1361.0, asymmetry=0.84, albedo=0.22)
    direct, diffuse = clear_sky(elevation, np.ones(4), np.full(4, 0.1), np.full(4, 1.5), 0.0)
    np.testing.assert_allclose(direct, bird["dni"], rtol=0.03)
    np.testing.assert_allclose(diffuse, bird["dhi"], rtol=0.25)


def test_level_plane_sees_what_a_level_sensor_sees():
    beam, other, _ = plane_parts(np.array([40.0]), np.array([150.0]), np.array([800.0]), np.array([120.0]),
                                 np.array([1.0]), np.array([0.0]), np.array([180.0]), 0.2)
    np.testing.assert_allclose(beam + other, 800 * np.sin(np.deg2rad(40)) + 120, rtol=1e-6)


def test_module_without_tolerance_meets_its_label():
    string = string_from_label(ARRAY, rng=np.random.default_rng(1), tolerance=0.0)
    group = Bank.of([string]).at(np.array([1.0]), np.array([25.0]), strings=2.0)
    power, volts = maximum_power(group)
    assert power[0] == pytest.approx(8 * 320, rel=0.005)
    assert volts[0] == pytest.approx(4 * 33.4, rel=0.02)
    assert open_circuit(group)[0] == pytest.approx(4 * 40.5, rel=0.002)
    assert current_at(np.array([0.0]), group)[0] == pytest.approx(2 * 10.1, rel=0.002)


@pytest.mark.parametrize(("light", "cell_c"), [(1.0, 25.0), (0.6, 60.0), (0.15, 10.0)])
def test_diode_curve_agrees_with_pvlibs_lambert_w(light, cell_c):
    string = string_from_label(ARRAY, rng=np.random.default_rng(1), tolerance=0.0)
    group = Bank.of([string]).at(np.array([light]), np.array([cell_c]), strings=2.0)
    photo, saturation, slope, series, shunt = (float(np.ravel(g)[0]) for g in group)
    reference = pvlib.pvsystem.singlediode(photo, saturation, series, shunt, slope)
    power, volts = maximum_power(group)
    assert power[0] == pytest.approx(float(reference["p_mp"]), rel=1e-4)
    volts_asked = np.linspace(0, float(reference["v_oc"]), 20)
    amps = np.array([current_at(np.array([v]), group)[0] for v in volts_asked])
    expected = pvlib.pvsystem.i_from_v(volts_asked, photo, saturation, series, shunt, slope)
    np.testing.assert_allclose(amps, np.maximum(expected, 0.0), atol=2e-3)
    assert volts[0] == pytest.approx(float(reference["v_mp"]), rel=0.01)


def test_one_bypassed_part_costs_no_more_than_its_string():
    bank = Bank.of([string_from_label(ARRAY, rng=np.random.default_rng(1), tolerance=0.0)])
    sound = bank.at(np.array([1.0]), np.array([45.0]), strings=1.0)
    weak = bank.at(np.array([1.0]), np.array([45.0]), strings=1.0, live=11 / 12)
    power, _ = two_group_power(sound, weak)
    whole, _ = maximum_power(bank.at(np.array([1.0]), np.array([45.0]), strings=2.0))
    assert 1 - 1 / 12 - 0.01 < power[0] / whole[0] < 0.995


def test_pipe_friction_agrees_with_colebrook_of_fluids():
    # fluids.friction_factor solves Colebrook; Haaland is known to lie within about 2 % of it.
    run = PipeRun(length_m=100, bore_m=0.04)
    for flow in (3e-4, 1e-3, 3e-3):
        speed = flow / (np.pi / 4 * 0.04 ** 2)
        reynolds = speed * 0.04 / kinematic_viscosity_m2_s(20.0)
        head = fluids.friction_factor(Re=reynolds, eD=2e-5 / 0.04) * 100 / 0.04 * speed ** 2 / (2 * 9.80665)
        got = friction_head_m(np.array([flow]), run, water_c=20.0, roughness_m=2e-5)[0]
        assert got == pytest.approx(head, rel=0.025)


def test_water_at_20_degc_has_its_handbook_viscosity():
    # 1.004e-6 m2/s at 20 degC: common handbook value, from memory.
    assert kinematic_viscosity_m2_s(20.0) == pytest.approx(1.004e-6, rel=0.01)


def test_lying_cylinder_is_half_full_at_half_its_diameter():
    tank = Tank(shape="horizontal_cylinder", diameter_m=2.0, length_m=3.0, height_m=2.0, full_level_m=1.9)
    volume, level = tank_table(tank)
    assert volume[-1] == pytest.approx(np.pi * 3.0, rel=1e-3)
    assert np.interp(volume[-1] / 2, volume, level) == pytest.approx(1.0, abs=0.005)


def test_printed_sheet_shows_the_machine():
    sheet = printed_curve(ROTOR)
    heads = [point.head_m for point in sheet]
    assert all(after < before for before, after in itertools.pairwise(heads))
    best = next(point for point in sheet if point.flow_m3_s == pytest.approx(1.2e-3))
    assert best.head_m == pytest.approx(50.0, rel=0.02)
    assert 998 * 9.81 * best.flow_m3_s * best.head_m / best.power_w == pytest.approx(0.55, rel=0.05)
    # Radial pumps take about 40 to 60 % of their best-point power at closed valve: common practice.
    assert 0.35 < sheet[0].power_w / best.power_w < 0.65


def test_rotodynamic_pump_follows_the_affinity_laws_roughly():
    bank = RotodynamicBank([ROTOR])
    one, none = np.ones(1), np.zeros(1)
    flows, heads = np.array([[1.2e-3], [0.96e-3]]), np.array([[50.0], [32.0]])
    x, power = bank.speed_and_power(flows, heads, np.ones((2, 1)), one, none)
    assert x[1, 0] / x[0, 0] == pytest.approx(0.8, rel=0.01)
    assert power[1, 0] / power[0, 0] == pytest.approx(0.8 ** 3, rel=0.05)


def test_worn_rings_cost_flow_and_not_speed():
    bank = RotodynamicBank([ROTOR])
    flows, heads = np.linspace(0.0, 1.5e-3, 60)[:, None], np.full((60, 1), 48.0)
    one = np.ones(1)
    at_power = {}
    for worn in (0.0, 0.15):
        x, power = bank.speed_and_power(flows, heads, np.full((60, 1), 1.1), one, np.array([worn]))
        at_power[worn] = (np.interp(900.0, power[:, 0], flows[:, 0]), np.interp(900.0, power[:, 0], x[:, 0]))
    assert at_power[0.15][0] < 0.9 * at_power[0.0][0]
    assert at_power[0.15][1] == pytest.approx(at_power[0.0][1], rel=0.02)


def test_displacement_pump_slips_more_under_head_and_gives_flow_by_speed():
    machine = Machine("displacement", 1800, 1e-4, 45.0, 0.56, slip_share=0.10, motor_power_w=110)
    bank = DisplacementBank([machine], np.ones(1))
    one = np.ones(1)
    x, _ = bank.speed_and_power(np.array([[9.0e-5]]), np.array([[45.0]]), one, one)
    assert x[0, 0] == pytest.approx(1.0, rel=1e-6)
    deeper, _ = bank.speed_and_power(np.array([[9.0e-5]]), np.array([[70.0]]), one, one)
    assert deeper[0, 0] > 1.02


def test_deeper_water_asks_more_of_a_jets_pump():
    machine = Machine("jet", 3000, 1.5e-3, 30.0, 0.42, nozzle_m2=5e-5, jet_head_ratio=0.45, jet_flow_ratio=1.3)
    bank = JetBank([machine])
    flow, head, _ = bank.asked_of_pump(np.full((2, 1), 6e-4), np.array([[2.0], [6.0]]), np.full((2, 1), 15.0))
    assert head[1, 0] > head[0, 0]
    assert np.all(flow > 6e-4)
