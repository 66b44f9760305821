"""Whole proving plants: what faults must do to them, by the trade's knowledge and by plain physics."""

from datetime import date

import numpy as np
import pytest

from diagnostics.proving.machines import Machine, printed_curve
from diagnostics.proving.planting import CONDITIONS, SIZE_MEANS, PlantedFault, conditions, dust_course
from diagnostics.proving.simulate import simulate_many
from diagnostics.proving.truth import true_plant
from diagnostics.site import Array, Drive, Module, Motor, PipeRun, Pipework, Pump, Site, Tank, Well

MODULE = Module(key="m", power_w=250, vmp_v=30.4, imp_a=8.23, voc_v=37.8, isc_a=8.75, cells_in_series=60,
                temperature_coefficient_voc_per_k=-0.0031, temperature_coefficient_isc_per_k=0.00055,
                temperature_coefficient_power_per_k=-0.0041)
ROTOR = Machine("rotodynamic", 3000, 1.2e-3, 50.0, 0.55, motor_power_w=1450, motor_efficiency=0.8, motor_voltage_v=150)
CHANNELS = ("poa_irradiance_w_m2", "module_temperature_c", "array_voltage_v", "array_current_a", "pump_speed_rpm",
            "flow_m3_s", "meter_total_m3", "water_level_m", "outlet_pressure_pa", "tank_level_m", "tank_full_ratio",
            "low_water_ratio")


def _site() -> Site:
    return Site(
        id="a", name="A", latitude_deg=34, longitude_deg=-105, altitude_m=1500, timezone="America/Denver",
        installed_on=date(2024, 1, 1),
        array=Array(module=MODULE, modules_in_series=4, strings_in_parallel=2, tilt_deg=30, azimuth_deg=180),
        drive=Drive(kind="tracking", start_power_w=260, stop_power_w=160, restart_delay_s=120,
                    has_low_water_stop=True, has_float_input=True, max_speed_rpm=3300),
        pump=Pump(key="c", family="centrifugal_submersible", rated_speed_rpm=3000, stages=11,
                  curve=printed_curve(ROTOR),
                  motor=Motor(kind="brushless_dc", rated_power_w=1450, rated_efficiency=0.8, rated_voltage_v=150,
                              rated_speed_rpm=3000)),
        well=Well(static_water_level_m=30, drawdown_linear_s_m2=3600, drawdown_quadratic_s2_m5=5e5,
                  pump_setting_depth_m=52, low_water_probe_depth_m=50),
        pipework=Pipework(runs=[PipeRun(length_m=52, bore_m=0.04), PipeRun(length_m=120, bore_m=0.05)],
                          outlet_height_m=6),
        tank=Tank(shape="vertical_cylinder", diameter_m=3.6, height_m=2.6, full_level_m=2.35,
                  float_reset_level_m=1.95))


PLANTED = {
    "sound": (), "string_open": (PlantedFault("string_open", 0, 1, "day_one"),),
    "deep": (PlantedFault("falling_water_table", 0, 8.0, "day_one"),),
    "blocked": (PlantedFault("blocked_delivery", 0, 0.5, "day_one"),),
    "clogged": (PlantedFault("clogged_intake", 0, 0.5, "day_one"),),
    "leak": (PlantedFault("riser_leak", 0, 0.2, "day_one"),),
    "worn": (PlantedFault("worn_pump", 0, 0.15, "day_one"),),
    "stopped": (PlantedFault("drive_stopped", 2.0, 1.0),),
    "meter": (PlantedFault("meter_stopped", 2.0, 1.0),),
    "full": (PlantedFault("tank_full", 0, 0.1, "day_one"),),
    "stuck": (PlantedFault("stuck_float", 2.0, 1.0),),
    "silent": (PlantedFault("logger_silent", 2.5, 1.0),),
    "reset": (PlantedFault("totaliser_reset", 2.0, 1.0),),
    "ohms": (PlantedFault("wiring_resistance", 0, 1.5, "day_one"),),
    "dry": (PlantedFault("low_water_cutout", 0, 9.0, "day_one"),),
    "clock": (PlantedFault("clock_shift", 0, 60.0, "day_one"),),
}


@pytest.fixture(scope="module")
def ran():
    names = list(PLANTED)
    plants = [true_plant(_site(), np.random.default_rng(5), channels=CHANNELS, region_seed=9,
                         demand_m3_day=30.0).replaced(gap_share=0.0) for _ in names]
    done = simulate_many(plants, start_day=date(2026, 4, 1), days=4, rng=np.random.default_rng(11),
                         faults=[PLANTED[name] for name in names])
    return dict(zip(names, done, strict=True))


def _daily(plant) -> float:
    return float(plant.truth["true_flow_m3_s"].sum() * 600 / 4)


def _calling(plant):
    return plant.truth["state"].isin(["running", "capped"]).to_numpy()


def test_plant_without_fault_gives_what_its_healthy_twin_gives_while_the_tank_calls(ran):
    plant = ran["sound"]
    both = plant.truth[_calling(plant)]
    quiet = both["true_flow_m3_s"].sum() / both["healthy_flow_m3_s"].sum()
    assert quiet == pytest.approx(1.0, abs=0.03)


def test_no_plant_turns_more_than_seventy_percent_of_its_array_power_into_lift(ran):
    values = ran["sound"].readings.values
    water = 998 * 9.81 * values["flow_m3_s"] * (values["water_level_m"] + 6.0)
    array = values["array_voltage_v"] * values["array_current_a"]
    busy = array > 400
    assert 0.15 < (water[busy].sum() / array[busy].sum()) < 0.70


@pytest.mark.parametrize("name", ["string_open", "deep", "blocked", "clogged", "leak", "worn", "dry"])
def test_hydraulic_and_array_faults_cost_water(ran, name):
    plant = ran[name]
    lost = 1 - plant.truth["true_flow_m3_s"].sum() / plant.truth["healthy_flow_m3_s"].sum()
    assert lost > 0.03


def test_open_string_halves_the_current_and_leaves_the_voltage(ran):
    def free(name):
        values, truth = ran[name].readings.values, ran[name].truth
        rows = (truth["state"] == "running").to_numpy() & (values["poa_irradiance_w_m2"] > 400)
        return (float((values["array_current_a"][rows] / values["poa_irradiance_w_m2"][rows]).median()),
                float(values["array_voltage_v"][rows].median()))

    (open_current, open_voltage), (whole_current, whole_voltage) = free("string_open"), free("sound")
    assert open_current / whole_current == pytest.approx(0.5, abs=0.03)
    assert open_voltage == pytest.approx(whole_voltage, rel=0.06)


def test_delivery_pressure_tells_blocked_line_from_clogged_intake(ran):
    # Outlet pressure rises before a blocked line and falls behind a clogged intake: common practice.
    def pressure_at_flow(name):
        values = ran[name].readings.values
        busy = (values["flow_m3_s"] > 4e-4) & (values["flow_m3_s"] < 9e-4)
        return float(values["outlet_pressure_pa"][busy].median())

    assert pressure_at_flow("blocked") > 1.2 * pressure_at_flow("sound")
    assert pressure_at_flow("clogged") < 1.05 * pressure_at_flow("sound")


def test_stopped_drive_leaves_the_array_at_open_circuit(ran):
    values, truth = ran["stopped"].readings.values, ran["stopped"].truth
    late = (truth["state"] == "stopped").to_numpy() & (values["poa_irradiance_w_m2"] > 300)
    assert late.sum() > 30
    assert (values["flow_m3_s"][late] == 0).all()
    assert float(values["array_voltage_v"][late].median()) > 4 * 33
    assert float(values["array_current_a"][late].max()) < 0.3


def test_stopped_meter_reads_nothing_while_the_tank_fills(ran):
    plant = ran["meter"]
    local_day = plant.truth.index > plant.truth.index[int(2.05 * 144)]
    assert plant.readings.values["flow_m3_s"].to_numpy()[local_day].max() == 0
    assert plant.truth["true_flow_m3_s"][local_day].sum() * 600 > 5


def test_full_tank_and_stuck_float_stop_the_pump_in_the_sun(ran):
    assert (ran["full"].truth["state"] == "tank_full").sum() > 50
    late = ran["stuck"].truth.iloc[300:]
    assert late["true_flow_m3_s"].max() == 0


def test_low_water_probe_cycles_with_its_timer(ran):
    assert (ran["dry"].truth["state"] == "low_water").sum() > 10
    assert ran["dry"].truth["water_level_m"].max() < 51.5


def test_silent_logger_writes_no_rows_and_a_reset_total_starts_again(ran):
    assert ran["silent"].readings.values.index[-1] < ran["sound"].readings.values.index[int(2.6 * 144)]
    total = ran["reset"].readings.values["meter_total_m3"]
    assert total.iloc[-1] < total.iloc[100]
    assert (np.diff(total) < 0).sum() == 1


def test_fast_clock_moves_the_sun_to_a_later_stamp(ran):
    def centre(course):
        return float((np.arange(len(course)) * course).sum() / course.sum())

    plant = ran["clock"]
    moved = centre(plant.readings.values["flow_m3_s"].to_numpy()) - centre(plant.truth["true_flow_m3_s"].to_numpy())
    assert moved == pytest.approx(6.0, abs=0.7)


def test_series_resistance_takes_voltage_in_proportion_to_current(ran):
    def deficit(low, high):
        values = ran["ohms"].readings.values
        good = ran["sound"].readings.values
        level = values["array_current_a"].between(low, high) & (ran["ohms"].truth["state"] == "running").to_numpy()
        same = good["array_current_a"].between(low, high) & (ran["sound"].truth["state"] == "running").to_numpy()
        return float(good["array_voltage_v"][same].median() - values["array_voltage_v"][level].median())

    assert deficit(8, 12) > deficit(2, 5)


def test_dust_builds_up_and_rain_takes_it_off():
    rain = np.zeros(60)
    rain[40] = 12.0
    light = dust_course(rain, np.full(60, 0.005), washes=[])
    assert 0.80 < light[39] < 0.88
    assert light[40] > 0.97
    washed = dust_course(rain, np.full(60, 0.005), washes=[20.0])
    assert washed[20] > 0.99 > light[20]


def test_every_cause_that_can_be_planted_moves_a_condition_or_an_instrument():
    hours = np.arange(48.0)
    instrument = {"meter_under_reading", "meter_over_reading", "meter_stopped", "totaliser_reset",
                  "irradiance_sensor_fault", "temperature_sensor_fault", "level_sensor_fault",
                  "electrical_sensor_fault", "clock_shift", "swapped_channels", "unit_mistake", "logger_silent"}
    for cause in set(SIZE_MEANS) - instrument:
        size = 0.3 if cause not in {"screen_fouled", "low_water_cutout", "worn_pump"} else 3.0
        planted = [PlantedFault(cause, 0.0, size, "ramp" if cause == "soiled_array" else "day_one")]
        moved = conditions(planted, hours, np.random.default_rng(1), rain_mm=np.zeros(2), natural_dust_per_day=0.0,
                           displacement=cause == "worn_pump", substrings=12.0, strings=2.0)
        assert any(np.any(np.abs(course - CONDITIONS[name]) > 0.01) for name, course in moved.items()), cause


def test_unknown_cause_is_refused():
    with pytest.raises(ValueError, match="cannot be planted"):
        PlantedFault("gremlins")
