"""Random proving sites of several families: sheets drawn at random, machines behind them, and what a logger writes."""

from dataclasses import dataclass, replace
from datetime import date

import numpy as np

from diagnostics.proving.machines import Machine, printed_curve
from diagnostics.proving.sky import CLIMATES
from diagnostics.proving.truth import TruePlant, true_plant
from diagnostics.site import Array, Drive, Module, Motor, PipeRun, Pipework, Pump, Site, Tank, Well

FAMILIES = ("centrifugal_submersible", "diaphragm_submersible", "helical_submersible", "surface_circulation",
            "multistage_booster", "plunger_booster")
# What loggers write, from poor to rich; a site draws one.
SENSOR_SETS: dict[str, tuple[str, ...]] = {
    "sun and flow": ("poa_irradiance_w_m2", "air_temperature_c", "flow_m3_s"),
    "array and flow": ("poa_irradiance_w_m2", "air_temperature_c", "module_temperature_c", "array_voltage_v",
                       "array_current_a", "flow_m3_s"),
    "array, flow, tank": ("poa_irradiance_w_m2", "air_temperature_c", "module_temperature_c", "array_voltage_v",
                          "array_current_a", "flow_m3_s", "tank_level_m", "tank_full_ratio"),
    "array, flow, well": ("poa_irradiance_w_m2", "air_temperature_c", "module_temperature_c", "array_voltage_v",
                          "array_current_a", "flow_m3_s", "pump_speed_rpm", "water_level_m", "low_water_ratio"),
    "everything": ("poa_irradiance_w_m2", "air_temperature_c", "module_temperature_c", "wind_speed_m_s",
                   "rain_mm_rain", "array_voltage_v", "array_current_a", "flow_m3_s", "meter_total_m3",
                   "pump_speed_rpm", "water_level_m", "low_water_ratio", "outlet_pressure_pa", "tank_level_m",
                   "tank_full_ratio", "draw_flow_m3_s"),
}


@dataclass(frozen=True)
class RandomPlant:
    """A sheet with the true plant behind it."""

    site: Site
    truth: TruePlant
    family: str
    climate: str
    sensors: str


def random_plant(rng: np.random.Generator, *, number: int, family: str | None = None, sensors: str | None = None,
                 climate: str | None = None, step_s: float | None = None, tolerance: float = 1.0) -> RandomPlant:
    """
    Draw a site, its machine and its logger.

    Parameters
    ----------
    rng : numpy.random.Generator
    number : int
        Names the site.
    family, sensors, climate : str, optional
        Drawn where not given.
    step_s : float, optional
        Logger interval; drawn from 5 to 15 minutes where not given. [s]
    tolerance : float, default 1.0
        Scales how far the true plant lies from its sheet. [1]

    Returns
    -------
    plant : RandomPlant
        Sized so that the pump is worth its array.
    """
    family = family or str(rng.choice(FAMILIES))
    sensors = sensors or str(rng.choice(list(SENSOR_SETS), p=[0.1, 0.25, 0.2, 0.2, 0.25]))
    climate = climate or str(rng.choice(list(CLIMATES)))
    weather = CLIMATES[climate]
    machine = _machine(rng, family)
    total_head = machine.head_m * float(rng.uniform(0.72, 0.95))
    well, pipework = _well_and_pipes(rng, family, machine, total_head)
    drive = _drive(rng, family, machine)
    array = _array(rng, machine, drive, float(np.mean(weather.latitude_deg)))
    drive = _held(drive, array)
    daily_m3 = machine.flow_m3_s * 6.0 * 3600.0
    tank = None
    if "tank" in sensors or sensors == "everything":
        height = 2.2
        volume = daily_m3 * float(rng.uniform(0.7, 2.5))
        tank = Tank(shape="vertical_cylinder", diameter_m=float(np.sqrt(4.0 * volume / (np.pi * height))),
                    height_m=height, full_level_m=2.0, float_reset_level_m=1.7, overflow_level_m=2.1)
        drive = drive.replaced(has_float_input=True)
    latitude = float(rng.uniform(*weather.latitude_deg))
    site = Site(
        id=f"proving-{number:04d}", name=f"Proving site {number}", latitude_deg=latitude,
        longitude_deg=float(rng.uniform(*weather.longitude_deg)),
        altitude_m=float(rng.uniform(*weather.altitude_m)), timezone=weather.timezone, installed_on=date(2024, 1, 1),
        array=array, drive=drive, pump=_sheet(machine, family), well=well, pipework=pipework, tank=tank)
    channels = SENSOR_SETS[sensors]
    if family == "surface_circulation":
        channels = tuple(c for c in channels if c not in ("water_level_m", "low_water_ratio"))
    demand = daily_m3 * float(rng.uniform(0.5, 1.3)) if tank is not None else None
    truth = true_plant(site, rng, climate=climate, machine=machine, tolerance=tolerance, channels=channels,
                       logger_step_s=step_s or float(rng.choice([300.0, 600.0, 900.0])), demand_m3_day=demand,
                       demand_kind=str(rng.choice(["people", "stock"])))
    return RandomPlant(site, truth, family, climate, sensors)


def _machine(rng: np.random.Generator, family: str) -> Machine:
    u = rng.uniform
    if family == "centrifugal_submersible":
        flow, head = float(np.exp(u(np.log(0.5e-3), np.log(2.5e-3)))), float(u(25.0, 90.0))
        efficiency = float(u(0.48, 0.6))
        power = 998.0 * 9.81 * flow * head / efficiency / 0.8 * 1.25
        return Machine("rotodynamic", 3000, flow, head, efficiency, shutoff=float(u(1.28, 1.42)),
                       motor_power_w=power, motor_efficiency=0.8, motor_voltage_v=float(u(110, 180)))
    if family == "surface_circulation":
        flow, head = float(u(1.2e-3, 3.5e-3)), float(u(4.0, 8.0))
        power = 998.0 * 9.81 * flow * head / 0.44 / 0.73 * 1.25
        return Machine("rotodynamic", 2800, flow, head, 0.44, shutoff=1.3, suction_need_m=1.5, motor_power_w=power,
                       motor_efficiency=0.73, motor_voltage_v=60.0)
    if family == "multistage_booster":
        flow, head = float(u(0.5e-3, 1.2e-3)), float(u(25.0, 55.0))
        power = 998.0 * 9.81 * flow * head / 0.5 / 0.78 * 1.25
        return Machine("rotodynamic", 2900, flow, head, 0.5, shutoff=1.35, suction_need_m=2.0, motor_power_w=power,
                       motor_efficiency=0.78, motor_voltage_v=48.0)
    if family == "diaphragm_submersible":
        flow, head = float(u(0.8e-4, 1.8e-4)), float(u(20.0, 60.0))
        efficiency, motor, volts, rpm, stick = 0.55, 0.72, 24.0, 1800.0, 0.4
    elif family == "helical_submersible":
        flow, head = float(u(2.5e-4, 5e-4)), float(u(40.0, 90.0))
        efficiency, motor, volts, rpm, stick = 0.66, 0.78, 90.0, 1500.0, 1.0
    else:
        flow, head = float(u(1.0e-4, 2.2e-4)), float(u(70.0, 140.0))
        efficiency, motor, volts, rpm, stick = 0.8, 0.76, 180.0, 900.0, 0.5
    power = 998.0 * 9.81 * flow * head / efficiency / motor * 1.15
    return Machine("displacement", rpm, flow, head, efficiency, slip_share=float(u(0.05, 0.11)), stick_share=stick,
                   motor_power_w=power, motor_efficiency=motor, motor_voltage_v=volts)


def _sheet(machine: Machine, family: str) -> Pump:
    induction = False
    motor = Motor(kind="induction" if induction else ("brushed_dc" if machine.motor_voltage_v <= 60.0
                                                      else "brushless_dc"),
                  rated_power_w=round(machine.motor_power_w), rated_efficiency=machine.motor_efficiency,
                  rated_voltage_v=round(machine.motor_voltage_v), rated_speed_rpm=machine.speed_rpm)
    if machine.kind == "displacement":
        return Pump.model_validate({
            "key": "proving", "family": family, "motor": motor, "rated_speed_rpm": machine.speed_rpm,
            "displacement_m3_rev": machine.flow_m3_s * 60.0 / machine.speed_rpm,
            "volumetric_efficiency": 1.0 - machine.slip_share, "rated_head_m": machine.head_m,
            "breakaway_torque_ratio": 1.0 + machine.stick_share,
            "relief_pressure_pa": 2e6 if family == "plunger_booster" else None})
    return Pump.model_validate({"key": "proving", "family": family, "motor": motor, "stages": 8,
                                "rated_speed_rpm": machine.speed_rpm, "curve": printed_curve(machine)})


def _well_and_pipes(rng: np.random.Generator, family: str, machine: Machine, head: float) -> tuple[Well, Pipework]:
    flow = machine.flow_m3_s
    friction_share = float(rng.uniform(0.03, 0.15))
    bore = float(np.clip((flow / 1.1 * 4.0 / np.pi) ** 0.5, 0.019, 0.1))
    if family == "surface_circulation":
        length = float(rng.uniform(15.0, 60.0))
        return (Well(kind="open", static_water_level_m=0.5),
                Pipework(runs=[PipeRun(length_m=length, bore_m=bore, minor_loss_k=6.0)],
                         suction=PipeRun(length_m=3.0, bore_m=bore), outlet_height_m=0.35 * head, strainer_loss_k=2.0))
    if family in ("multistage_booster", "plunger_booster"):
        return (Well(kind="open", static_water_level_m=-0.5),
                Pipework(runs=[PipeRun(length_m=float(rng.uniform(80.0, 400.0)), bore_m=bore * 1.3)],
                         suction=PipeRun(length_m=2.0, bore_m=bore * 1.2), outlet_height_m=head * (1 - friction_share)))
    drawdown = head * float(rng.uniform(0.03, 0.15))
    outlet = float(rng.uniform(1.0, 0.25 * head))
    static = max(head * (1.0 - friction_share) - drawdown - outlet, 4.0)
    depth = static + 3.0 * drawdown + 8.0 + 0.2 * head
    well = Well(kind="borehole", static_water_level_m=static,
                static_level_season_m=float(rng.uniform(0.0, 0.04 * head)),
                drawdown_linear_s_m2=0.65 * drawdown / flow, drawdown_quadratic_s2_m5=0.35 * drawdown / flow**2,
                recovery_time_s=float(rng.uniform(1200.0, 5000.0)), pump_setting_depth_m=depth,
                low_water_probe_depth_m=depth - 1.5, well_depth_m=depth + 15.0)
    return well, Pipework(runs=[PipeRun(length_m=depth + 3.0, bore_m=bore),
                                PipeRun(length_m=float(rng.uniform(10.0, 80.0)), bore_m=bore * 1.2)],
                          outlet_height_m=outlet)


def _drive(rng: np.random.Generator, family: str, machine: Machine) -> Drive:
    if family == "diaphragm_submersible":
        return Drive(key="proving", kind="current_booster", held_voltage_v=30.0, max_output_voltage_v=30.0,
                     rated_efficiency=0.94)
    if family == "surface_circulation" or (family == "multistage_booster" and rng.random() < 0.4):
        return Drive(key="proving", kind="direct")
    return Drive(key="proving", kind="tracking", rated_efficiency=0.95, max_speed_rpm=1.1 * machine.speed_rpm,
                 standby_power_w=4.0, has_low_water_stop=family.endswith("submersible"),
                 low_water_restart_delay_s=1200.0, max_output_power_w=1.25 * machine.motor_power_w,
                 derating_start_temperature_c=45.0)


def _array(rng: np.random.Generator, machine: Machine, drive: Drive, latitude: float) -> Array:
    size = float(rng.uniform(1.05, 1.5)) * machine.motor_power_w
    volts = machine.motor_voltage_v * (1.0 if drive.kind == "direct" else 1.15)
    cells, strings = 36, 1
    series = max(1, round(volts / 17.0)) if volts < 70 else max(2, round(volts / 30.0))
    if volts >= 70:
        cells = 60
    strings = 1 if size < 250 else int(rng.choice([1, 2, 3])) if size < 1200 else int(rng.choice([2, 3, 4]))
    vmp = volts / series
    imp = size / volts / strings
    module = Module(key="proving", power_w=vmp * imp, vmp_v=vmp, imp_a=imp, voc_v=1.22 * vmp, isc_a=1.065 * imp,
                    cells_in_series=cells, temperature_coefficient_voc_per_k=-0.0031,
                    temperature_coefficient_isc_per_k=0.0005, temperature_coefficient_power_per_k=-0.0041)
    # A cable that drops two percent, as the trade sizes it.
    length = float(rng.uniform(8.0, 40.0))
    section = float(np.clip(2.0 * length * 0.0178 * (imp * strings) / (0.02 * volts), 2.5, 120.0))
    return Array(module=module, modules_in_series=series, strings_in_parallel=strings,
                 tilt_deg=float(np.clip(abs(latitude) + rng.uniform(-5, 8), 8.0, 50.0)),
                 azimuth_deg=180.0 if latitude > 0 else 0.0, cable_length_m=length, cable_cross_section_mm2=section)


def _held(drive: Drive, array: Array) -> Drive:
    if drive.kind != "current_booster":
        return drive
    return drive.replaced(held_voltage_v=0.86 * array.module.vmp_v * array.modules_in_series)


def with_channels(plant: RandomPlant, channels: tuple[str, ...]) -> RandomPlant:
    """Return the plant with another set of channels."""
    return replace(plant, truth=plant.truth.replaced(channels=channels))
