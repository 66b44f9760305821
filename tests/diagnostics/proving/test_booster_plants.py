"""A current booster of a proving plant holds its array voltage until its own limit lets the array go."""

from datetime import date

import numpy as np
import pytest

from diagnostics.proving.machines import Machine
from diagnostics.proving.simulate import simulate
from diagnostics.proving.truth import true_plant
from diagnostics.site import Array, Drive, Module, Motor, PipeRun, Pipework, Pump, Site, Well

CHANNELS = ("poa_irradiance_w_m2", "array_voltage_v", "array_current_a", "motor_voltage_v", "motor_current_a",
            "flow_m3_s")


@pytest.fixture(scope="module")
def ran():
    module = Module(key="m", power_w=100, vmp_v=17.8, imp_a=5.62, voc_v=21.8, isc_a=6.02, cells_in_series=36,
                    temperature_coefficient_voc_per_k=-0.0032, temperature_coefficient_isc_per_k=0.0005,
                    temperature_coefficient_power_per_k=-0.0042)
    site = Site(
        id="b", name="B", latitude_deg=34, longitude_deg=-105, altitude_m=1400, timezone="America/Denver",
        installed_on=date(2025, 1, 1),
        array=Array(module=module, modules_in_series=2, tilt_deg=34, azimuth_deg=180),
        drive=Drive(kind="current_booster", held_voltage_v=31, max_output_voltage_v=30, max_output_power_w=125),
        pump=Pump(key="d", family="diaphragm_submersible", rated_speed_rpm=1800, displacement_m3_rev=3.333e-6,
                  volumetric_efficiency=0.9, rated_head_m=45, breakaway_torque_ratio=1.4,
                  motor=Motor(kind="brushed_dc", rated_power_w=110, rated_efficiency=0.72, rated_voltage_v=24,
                              rated_speed_rpm=1800)),
        well=Well(static_water_level_m=24, drawdown_linear_s_m2=22000, pump_setting_depth_m=41),
        pipework=Pipework(runs=[PipeRun(length_m=41, bore_m=0.016)], outlet_height_m=3.5))
    machine = Machine("displacement", 1800, 1e-4, 45.0, 0.56, slip_share=0.1, stick_share=0.4, motor_power_w=110,
                      motor_efficiency=0.72, motor_voltage_v=24)
    plant = true_plant(site, np.random.default_rng(2), machine=machine, channels=CHANNELS).replaced(gap_share=0.0)
    return simulate(plant, start_day=date(2026, 4, 10), days=3, rng=np.random.default_rng(4)).readings.values


def test_array_stands_at_the_held_voltage_while_the_motor_takes_all(ran):
    busy = ran["poa_irradiance_w_m2"].between(250, 500) & (ran["flow_m3_s"] > 1e-5)
    assert busy.sum() > 10
    assert float(ran["array_voltage_v"][busy].median()) == pytest.approx(31.0, abs=0.5)


def test_array_rises_above_it_where_the_booster_is_at_its_limit(ran):
    bright = ran["poa_irradiance_w_m2"] > 950
    assert bright.sum() > 5
    assert float(ran["array_voltage_v"][bright].median()) > 33.0
    assert float(ran["motor_voltage_v"].max()) < 30.5


def test_booster_never_gives_more_than_it_takes(ran):
    taken = ran["array_voltage_v"] * ran["array_current_a"]
    given = ran["motor_voltage_v"] * ran["motor_current_a"]
    busy = taken > 30
    ratio = given[busy] / taken[busy]
    assert ratio.max() < 1.0
    assert ratio.median() > 0.85
