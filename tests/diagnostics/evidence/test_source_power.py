"""Power into the drive on a battery and behind a turbine, and the rate of a pump at its bus voltage."""

import numpy as np
import pytest

from diagnostics.chain.power_source import CHARGER_EFFICIENCY
from diagnostics.evidence.source_power import (
    as_running,
    charger_free,
    charging_point,
    load_holds,
    motor_side,
    motor_volts,
    power_at_bus,
    power_into_drive,
    rated_on_bus,
)
from diagnostics.expected import SiteModel
from diagnostics.health import Health
from tests.diagnostics.made_on_bus import bus_site, wind_site
from tests.diagnostics.made_readings import centrifugal_site


@pytest.fixture(scope="module")
def site():
    return bus_site()


@pytest.fixture(scope="module")
def model(site):
    return SiteModel.build(as_running(site))


def test_only_a_site_on_a_battery_is_seen_running(site):
    assert as_running(centrifugal_site()).drive.kind == "tracking"
    plain = centrifugal_site()
    assert as_running(plain) is plain
    assert as_running(site).drive.kind != "battery_bus"


def test_losses_of_the_drive_are_undone(model):
    out = np.array([0.0, 5.0, 300.0, 1450.0])
    np.testing.assert_allclose(motor_side(model.drive, model.drive.input_power_w(out)), out, rtol=1e-9, atol=1e-9)


def test_at_a_bus_voltage_the_motor_stands_at_what_the_leads_leave(site, model):
    volts = motor_volts(site, np.linspace(135.0, 172.0, 12))
    level = np.full(12, site.well.static_water_level_m)
    power = power_at_bus(model, volts, level)
    back = model.steady.locate(power, level).read("motor_voltage_v")
    np.testing.assert_allclose(back, volts, rtol=2e-3)
    assert np.all(np.diff(power) > 0.0)


def test_power_grows_with_the_cube_of_the_voltage_where_nothing_but_friction_is_lifted(model):
    # Affinity laws (handbook): flow goes with speed, power with its cube; a DC motor's speed goes with its voltage
    # less the drop in its winding. With lift the flow grows faster and the power more slowly than that.
    site = bus_site(pipework=centrifugal_site().pipework.model_copy(update={"outlet_height_m": -27.0}))
    flat = SiteModel.build(as_running(site))
    level = np.full(2, site.well.static_water_level_m)
    volts = np.array([140.0, 147.0])
    exponent = {}
    for name, one in (("flat", flat), ("lifting", model)):
        power = power_at_bus(one, volts, level)
        exponent[name] = float(np.diff(np.log(power))[0] / np.diff(np.log(volts))[0])
        flow = one.flow_at_power(power, static_level_m=level)
        exponent[name + " flow"] = float(np.diff(np.log(flow))[0] / np.diff(np.log(volts))[0])
    assert 2.2 < exponent["flat"] < 3.2
    assert 0.9 < exponent["flat flow"] < 1.5
    assert exponent["lifting flow"] > exponent["flat flow"] + 0.2


def test_a_deeper_level_costs_water_at_the_same_voltage(site, model):
    level = np.array([site.well.static_water_level_m, site.well.static_water_level_m + 8.0])
    power = power_at_bus(model, motor_volts(site, np.full(2, 150.0)), level)
    flow = model.flow_at_power(power, static_level_m=level)
    assert flow[1] < 0.9 * flow[0]
    assert 0.0 < power[1] < power[0]        # a centrifugal pump takes less when it gives less


def test_rated_rate_is_that_of_the_nominal_voltage(site, model):
    flow, power = rated_on_bus(site, model)
    level = np.array([site.well.static_water_level_m])
    assert power == pytest.approx(float(power_at_bus(model, motor_volts(site, np.array([144.0])), level)[0]))
    assert flow == pytest.approx(float(model.flow_at_power(np.array([power]), level)[0]))


def test_load_is_what_the_array_brings_less_what_the_battery_takes(site, model):
    read = {"array_voltage_v": np.array([200.0, 200.0, 0.0]), "array_current_a": np.array([5.0, 5.0, 0.0]),
            "battery_voltage_v": np.array([150.0, 150.0, 140.0]), "battery_current_a": np.array([6.0, -1.0, -7.0])}
    power = power_into_drive(site, model, read, np.array([50.0, 50.0, -30.0]))
    np.testing.assert_allclose(power, [CHARGER_EFFICIENCY * 1000.0 - 900.0, CHARGER_EFFICIENCY * 1000.0 + 150.0, 980.0])


def test_without_array_readings_the_battery_tells_the_load_in_the_dark_only(site, model):
    read = {"battery_voltage_v": np.array([150.0, 140.0]), "battery_current_a": np.array([-5.0, -7.0])}
    power = power_into_drive(site, model, read, np.array([50.0, -30.0]))
    assert np.isnan(power[0])
    assert power[1] == pytest.approx(980.0)


def test_behind_a_turbine_the_motor_side_tells_and_an_inverter_does_not():
    site = wind_site()
    model = SiteModel.build(site)
    read = {"motor_voltage_v": np.array([0.0, 120.0]), "motor_current_a": np.array([0.0, 8.0])}
    power = power_into_drive(site, model, read, np.array([50.0, 50.0]))
    np.testing.assert_allclose(power, [0.0, float(model.drive.input_power_w(np.array([960.0]))[0])])
    motor = site.pump.motor.model_copy(update={"kind": "induction"})
    inverter = site.model_copy(update={"pump": site.pump.model_copy(update={"motor": motor})})
    assert np.isnan(power_into_drive(inverter, model, read, np.array([50.0, 50.0]))).all()


def test_an_array_beside_a_turbine_tells_the_power_only_in_a_calm():
    site = wind_site(array=centrifugal_site().array)
    read = {"array_voltage_v": np.full(2, 160.0), "array_current_a": np.full(2, 5.0),
            "wind_speed_m_s": np.array([1.0, 7.0])}
    power = power_into_drive(site, None, read, np.array([50.0, 50.0]))
    assert power[0] == pytest.approx(800.0)
    assert np.isnan(power[1])


def test_a_charger_is_surely_free_while_the_battery_gives_or_stands_low(site):
    read = {"battery_voltage_v": np.array([150.0, 172.0, 172.0, 150.0]),
            "battery_current_a": np.array([20.0, 20.0, -5.0, 0.0])}
    free = charger_free(site, read, np.full(4, np.nan), np.zeros(4, dtype=np.intp), 1)
    assert free.tolist() == [True, False, True, True]
    # A charger set too low holds back at a voltage of its own: the day's highest tells nothing of the array.
    low = {"battery_voltage_v": np.array([150.0, 150.2]), "battery_current_a": np.array([20.0, 4.0])}
    assert not charger_free(site, low, np.full(2, np.nan), np.zeros(2, dtype=np.intp), 1).any()


def test_an_array_with_too_few_modules_is_held_at_the_battery_and_gives_little(site, model):
    light, cell = np.full(1, 900.0), np.full(1, 45.0)
    volts, amps = charging_point(site, model, light, cell, np.full(1, 150.0))
    short = SiteModel.build(as_running(site), Health(voltage_ratio=0.6))
    low_volts, low_amps = charging_point(site, short, light, cell, np.full(1, 165.0))
    assert volts[0] > 150.0
    assert low_volts[0] == pytest.approx(165.0)
    assert low_amps[0] < 0.8 * amps[0]


def test_a_load_that_changes_between_readings_did_not_last():
    held = load_holds(np.array([900.0, 905.0, 910.0, 400.0, 0.0, 0.0]))
    assert held.tolist()[:5] == [True, True, False, False, False]
