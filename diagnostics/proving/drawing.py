"""
Proving sites drawn at random: every family, every drive, many climates, many loggers, and physics that varies.

The sheet is printed from one machine; the true plant behind it is another draw of the same machine, and the shapes of
the curves themselves (closed-valve head, part-load power, slip, motor losses) differ from site to site, so that a
diagnosis cannot rest on one shape. `drawing_faults` plants causes in them.
"""

from dataclasses import dataclass, replace
from datetime import date
from typing import Literal

import numpy as np

from diagnostics.proving.machines import Machine, printed_curve, printed_power_table
from diagnostics.proving.sky import CLIMATES, Climate
from diagnostics.proving.truth import TruePlant, true_plant
from diagnostics.proving.variants import (
    ALL_CLIMATES,
    HELD_OUT_CLIMATES,
    INTERVAL_SHARES,
    INTERVALS_S,
    held_out_machine,
    held_out_plant,
)
from diagnostics.site import (
    SURFACE,
    Array,
    Battery,
    Drive,
    Ejector,
    FlowMeter,
    Module,
    Motor,
    PipeRun,
    Pipework,
    Pump,
    Site,
    Tank,
    Well,
    WindTurbine,
)

WATER_N_M3 = 998.0 * 9.80665
Variant = Literal["training", "held_out"]

# Family -> drives it is met with. A wind site is a tracking drive behind a turbine, or a battery.
DRIVES_OF: dict[str, tuple[str, ...]] = {
    "centrifugal_submersible": ("tracking", "tracking", "frequency", "battery_bus", "wind"),
    "diaphragm_submersible": ("current_booster", "current_booster", "direct", "tracking", "battery_bus"),
    "helical_submersible": ("tracking", "tracking", "frequency", "voltage_booster", "wind"),
    "surface_circulation": ("direct", "direct", "tracking"),
    "jet_shallow": ("direct", "tracking"), "jet_deep": ("tracking", "frequency"),
    "jet_convertible": ("direct", "tracking"),
    "multistage_booster": ("direct", "tracking", "battery_bus", "frequency"),
    "plunger_booster": ("voltage_booster", "direct", "tracking", "battery_bus"),
}
FAMILY_SHARES: dict[str, float] = {
    "centrifugal_submersible": 0.32, "diaphragm_submersible": 0.18, "helical_submersible": 0.14,
    "surface_circulation": 0.12, "jet_shallow": 0.04, "jet_deep": 0.03, "jet_convertible": 0.02,
    "multistage_booster": 0.08, "plunger_booster": 0.07}
# Families whose flow, head and motor are drawn between (low, high): flow [m3/s], head [m], efficiency, motor volts.
_RANGES: dict[str, tuple[tuple[float, float], tuple[float, float], tuple[float, float], tuple[float, float]]] = {
    "centrifugal_submersible": ((0.4e-3, 3.0e-3), (22, 95), (0.44, 0.64), (90, 240)),
    "surface_circulation": ((1.0e-3, 4.0e-3), (3.5, 9), (0.36, 0.52), (24, 90)),
    "multistage_booster": ((0.4e-3, 1.5e-3), (22, 60), (0.42, 0.58), (48, 160)),
    "jet_shallow": ((1.1e-3, 1.9e-3), (26, 36), (0.38, 0.46), (90, 160)),
    "jet_deep": ((1.3e-3, 2.0e-3), (34, 44), (0.40, 0.47), (120, 180)),
    "jet_convertible": ((1.0e-3, 1.7e-3), (26, 36), (0.38, 0.46), (90, 160)),
    "diaphragm_submersible": ((0.6e-4, 2.0e-4), (15, 65), (0.48, 0.62), (12, 48)),
    "helical_submersible": ((1.8e-4, 7.0e-4), (30, 110), (0.58, 0.72), (60, 180)),
    "plunger_booster": ((0.8e-4, 3.0e-4), (60, 160), (0.72, 0.85), (90, 180)),
}
_SPEED_RPM = {"diaphragm_submersible": 1800.0, "helical_submersible": 1500.0, "plunger_booster": 900.0,
              "surface_circulation": 2800.0}

SENSORS: dict[str, tuple[str, ...]] = {
    "flow only": ("flow_m3_s",),
    "array": ("array_voltage_v", "array_current_a", "flow_m3_s"),
    "array, tank": ("array_voltage_v", "array_current_a", "flow_m3_s", "tank_level_m", "tank_full_ratio"),
    "array, speed": ("array_voltage_v", "array_current_a", "flow_m3_s", "pump_speed_rpm"),
    "array, well": ("array_voltage_v", "array_current_a", "flow_m3_s", "water_level_m", "low_water_ratio"),
    "array, pressure": ("array_voltage_v", "array_current_a", "flow_m3_s", "outlet_pressure_pa"),
    "rich": ("array_voltage_v", "array_current_a", "motor_voltage_v", "motor_current_a", "flow_m3_s",
             "meter_total_m3", "pump_speed_rpm", "water_level_m", "low_water_ratio", "outlet_pressure_pa",
             "tank_level_m", "tank_full_ratio", "rain_mm_rain"),
}
_SENSOR_SHARES = (0.08, 0.22, 0.18, 0.12, 0.16, 0.08, 0.16)


@dataclass(frozen=True)
class DrawnSite:
    """A sheet, the true plant behind it, and how it was drawn."""

    site: Site
    truth: TruePlant
    family: str
    drive: str
    climate: str
    sensors: str


def draw_site(rng: np.random.Generator, family: str | None = None, drive: str | None = None,
              region: str | None = None, *, number: int = 0, sensors: str | None = None, step_s: float | None = None,
              tolerance: float = 1.0, variant: Variant = "training") -> DrawnSite:
    """
    Draw one site.

    Parameters
    ----------
    rng : numpy.random.Generator
    family, drive, region, sensors : str, optional
        Drawn where not given; `region` is a key of `variants.ALL_CLIMATES`, `sensors` one of `SENSORS`, `drive` one of
        `DRIVES_OF` for the family.
    number : int, default 0
        Names the site.
    step_s : float, optional
        Logger interval; 1 to 15 minutes where not given. [s]
    tolerance : float, default 1.0
        Scales how far the true plant lies from its sheet. [1]
    variant : str, default 'training'
        'held_out' for physics, intervals, instruments and (where not given) regions of `variants`.

    Returns
    -------
    drawn : DrawnSite
    """
    # Its own chance, so that training plants are drawn as if there were no other kind.
    aside = rng.spawn(1)[0] if variant == "held_out" else None
    family = family or str(rng.choice(list(FAMILY_SHARES), p=list(FAMILY_SHARES.values())))
    kind = drive or str(rng.choice(DRIVES_OF[family]))
    region = region or str(rng.choice(list(CLIMATES if aside is None else HELD_OUT_CLIMATES)))
    sensors = sensors or str(rng.choice(list(SENSORS), p=list(_SENSOR_SHARES)))
    climate = ALL_CLIMATES[region]
    machine = draw_machine(rng, family, kind)
    if aside is not None:
        machine = held_out_machine(machine, aside)
        step_s = step_s or float(aside.choice(INTERVALS_S, p=INTERVAL_SHARES))
    latitude = float(rng.uniform(*climate.latitude_deg))
    altitude = float(rng.uniform(*climate.altitude_m))
    head = machine.head_m * float(rng.uniform(0.65, 0.95))
    well, pipework, ejector = _water_path(rng, family, machine, head, altitude, climate)
    table = _drive(rng, kind, family, machine)
    array, battery, wind = _source(rng, kind, machine, latitude, climate)
    if array is not None and table.kind == "current_booster":
        table = table.replaced(held_voltage_v=float(rng.uniform(0.88, 0.97)) * array.module.vmp_v
                               * array.modules_in_series)
    delivery = machine.flow_m3_s * (0.35 if ejector is not None else 0.8)
    tank, table = _tank(rng, sensors, kind, delivery, table)
    kinds = ("rate", "pulse", "totaliser")
    meter = FlowMeter.model_validate({"kind": str(rng.choice(kinds, p=[0.5, 0.3, 0.2])), "pulse_volume_m3": 0.001})
    site = Site(id=f"plant-{number:04d}", name=f"Proving plant {number}", latitude_deg=latitude,
                longitude_deg=float(rng.uniform(*climate.longitude_deg)), altitude_m=altitude,
                timezone=climate.timezone, installed_on=date(2021 + int(rng.integers(0, 4)), 3, 1), region=region,
                array=array, battery=battery, wind=wind, drive=table,
                pump=_sheet(rng, machine, family, ejector, table), well=well, pipework=pipework, tank=tank,
                flow_meter=meter)
    channels = _channels(rng, sensors, site)
    demand = None if tank is None else delivery * 6 * 3600.0 * float(rng.uniform(0.7, 2.2))
    weather = replace(climate, wind_m_s=6.0) if wind is not None else climate
    truth = true_plant(site, rng, climate=weather, machine=machine, tolerance=tolerance, channels=channels,
                       logger_step_s=step_s or float(rng.choice([60.0, 300.0, 600.0, 900.0], p=[.05, .25, .4, .3])),
                       demand_m3_day=demand, demand_kind=str(rng.choice(["people", "stock", "irrigation"])),
                       age_years=(date(2026, 3, 1) - site.installed_on).days / 365.25)
    truth = truth.replaced(gap_share=float(np.exp(rng.uniform(np.log(0.001), np.log(0.04)))))
    truth = held_out_plant(truth, aside) if aside is not None else truth
    return DrawnSite(site, truth, family, kind, region, sensors)


def draw_machine(rng: np.random.Generator, family: str, drive: str) -> Machine:
    """
    Draw a pump and motor of a family, with curve shapes that vary.

    Parameters
    ----------
    rng : numpy.random.Generator
    family, drive : str

    Returns
    -------
    machine : Machine
    """
    u = rng.uniform
    flows, heads, efficiencies, volts = _RANGES[family]
    flow = float(np.exp(u(np.log(flows[0]), np.log(flows[1]))))
    head, efficiency = float(u(*heads)), float(u(*efficiencies))
    motor = float(u(0.68, 0.78)) if volts[0] < 80 else float(u(0.74, 0.84))
    voltage = {"battery_bus": float(rng.choice([24.0, 48.0])), "frequency": 230.0}.get(drive, round(float(u(*volts))))
    displacement = family in ("diaphragm_submersible", "helical_submersible", "plunger_booster")
    power = WATER_N_M3 * flow * head / efficiency / motor * float(u(1.05, 1.3))
    speed = _SPEED_RPM.get(family, 2900.0) * (1.15 if drive == "frequency" else 1.0)
    if displacement:
        return Machine("displacement", speed, flow, head, efficiency, slip_share=float(u(0.03, 0.12)),
                       slip_power=float(u(0.55, 1.0)), slip_speed=float(u(0.0, 0.5)),
                       stick_share=float(u(0.2, 1.4)), suction_need_m=float(u(1.5, 3.0)), motor_power_w=power,
                       motor_efficiency=motor, motor_voltage_v=voltage, copper_share=float(u(0.35, 0.65)))
    return Machine("rotodynamic", speed, flow, head, efficiency, shutoff=float(u(1.18, 1.5)),
                   incidence=float(u(0.04, 0.25)), friction=float(u(0.15, 0.45)), churning=float(u(0.18, 0.45)),
                   suction_need_m=float(u(1.0, 2.5)), motor_power_w=power, motor_efficiency=motor,
                   motor_voltage_v=voltage, copper_share=float(u(0.35, 0.65)))


def _fastest(drive: Drive, machine: Machine) -> float:
    """Highest speed over rated speed that a drive allows: the sheet of a whole system is printed with it."""
    if drive.max_frequency_hz is not None:
        return drive.max_frequency_hz / drive.rated_frequency_hz
    return 1.15 if drive.max_speed_rpm is None else drive.max_speed_rpm / machine.speed_rpm


def _warm_efficiency(machine: Machine) -> float:
    """Motor efficiency as a plate prints it, with the winding at its working warmth (35 K, half of the losses)."""
    return 1.0 - (1.0 - machine.motor_efficiency) * (1.0 + 0.5 * 0.0039 * 35.0)


def _sheet(rng: np.random.Generator, machine: Machine, family: str, ejector: Ejector | None, drive: Drive) -> Pump:
    kind = "induction" if drive.kind == "frequency" else "brushed_dc"
    if drive.kind in ("tracking", "voltage_booster") and machine.motor_power_w > 250:
        kind = "brushless_dc"
    motor = Motor.model_validate({"kind": kind, "rated_power_w": round(machine.motor_power_w),
                                  "rated_efficiency": round(_warm_efficiency(machine), 3),
                                  "rated_voltage_v": machine.motor_voltage_v, "rated_speed_rpm": machine.speed_rpm})
    plain = {"key": f"{family}-proving", "family": family, "motor": motor, "rated_speed_rpm": machine.speed_rpm,
             "npsh_required_m": round(machine.suction_need_m, 1)}
    if machine.kind == "displacement":
        plain["breakaway_torque_ratio"] = round(1 + machine.stick_share, 2)
        if rng.random() < 0.6:
            return Pump.model_validate({**plain, "displacement_m3_rev": machine.flow_m3_s * 60 / machine.speed_rpm,
                                        "volumetric_efficiency": round(1 - machine.slip_share, 3),
                                        "rated_head_m": round(machine.head_m, 1)})
    elif ejector is not None or rng.random() < 0.75:
        shares = (0.0, .25, .5, .75, 1.0, 1.2, 1.4) if rng.random() < 0.5 else (0.0, .4, .8, 1.0, 1.3)
        return Pump.model_validate({**plain, "stages": 6, "curve": printed_curve(machine, shares), "ejector": ejector})
    heads = tuple(round(float(h), 1) for h in machine.head_m * np.array([.35, .6, .8, 1.0, 1.2]))
    watts = tuple(round(float(w)) for w in machine.motor_power_w * np.array([.3, .45, .65, .85, 1.05]))
    table = printed_power_table(machine, heads, watts, drive.rated_efficiency, _fastest(drive, machine))
    return Pump.model_validate({**plain, "max_head_m": round(1.5 * machine.head_m), "power_table": table})


def _water_path(rng: np.random.Generator, family: str, machine: Machine, head: float, altitude_m: float,
                climate: Climate) -> tuple[Well, Pipework, Ejector | None]:
    u, flow = rng.uniform, machine.flow_m3_s
    speed = float(u(0.8, 1.6))
    bore = float(np.clip((flow / speed * 4 / np.pi) ** 0.5, 0.012, 0.1))
    water_c = float(np.clip(climate.mean_temperature_c + u(-2, 3), 6, 32))
    if family in SURFACE and not family.startswith("jet"):
        flooded = family != "surface_circulation" or rng.random() < 0.4
        level = float(-u(0.3, 1.5) if flooded else u(0.2, 2.0))
        length = float(u(20, 120) if family == "surface_circulation" else u(80, 600))
        rise = head * float(u(0.1, 0.35) if family == "surface_circulation" else u(0.6, 0.9))
        return (Well(kind="open", static_water_level_m=level, water_temperature_c=water_c),
                Pipework(runs=[PipeRun(length_m=length, bore_m=bore * 1.25, minor_loss_k=float(u(3, 9)))],
                         suction=PipeRun(length_m=float(u(2, 5)), bore_m=bore * 1.3, minor_loss_k=2.0),
                         outlet_height_m=max(rise - max(level, 0.0), 0.1), pump_height_m=float(u(0.1, 0.5)),
                         strainer_loss_k=float(u(1, 4))), None)
    if family.startswith("jet"):
        nozzle = float(np.sqrt(flow * 0.62 / 0.94 / np.sqrt(19.6 * machine.head_m * 0.8) * 4 / np.pi))
        deep = family == "jet_deep"
        level = float(u(8, 14) if deep else u(1.5, 4.5) * np.exp(-altitude_m / 6000))
        depth = level + float(u(3, 6))
        ejector = Ejector(nozzle_diameter_m=round(nozzle, 4), throat_diameter_m=round(nozzle * float(u(1.55, 1.75)), 4),
                          depth_m=depth if deep else 0.0)
        well = Well(kind="borehole" if deep else "dug", static_water_level_m=level,
                    static_level_season_m=float(u(0, 0.3)), level_uncertainty_m=0.3,
                    drawdown_linear_s_m2=float(u(0.2, 0.8)) / (0.35 * flow), recovery_time_s=5400,
                    pump_setting_depth_m=depth + 1 if deep else None, well_depth_m=depth + 8,
                    water_temperature_c=water_c)
        return (well, Pipework(runs=[PipeRun(length_m=float(u(20, 80)), bore_m=max(bore, 0.03), minor_loss_k=4)],
                               suction=PipeRun(length_m=depth if deep else level + 2, bore_m=max(bore, 0.035),
                                               minor_loss_k=2), outlet_height_m=float(u(2, 7)), pump_height_m=0.3),
                ejector)
    drawdown = head * float(u(0.03, 0.18))
    outlet = float(u(0.5, 0.25 * head))
    static = max(head * float(u(0.86, 0.97)) - drawdown - outlet, 3.0)
    depth = static + drawdown * float(u(1.8, 3.5)) + float(u(5, 15))
    doubt = float(rng.choice([0.3, 0.5, 1.0]))
    well = Well(kind="borehole", static_water_level_m=round(static, 1), static_level_season_m=float(u(0, 0.03 * head)),
                deepest_day_of_year=int(rng.integers(1, 366)), level_uncertainty_m=doubt,
                drawdown_linear_s_m2=0.7 * drawdown / flow, drawdown_quadratic_s2_m5=0.3 * drawdown / flow ** 2,
                recovery_time_s=float(u(1200, 6000)), pump_setting_depth_m=round(depth, 1),
                low_water_probe_depth_m=round(depth - 1.5, 1), well_depth_m=round(depth + 12),
                water_temperature_c=water_c)
    hazen = float(rng.choice([120.0, 140.0])) if rng.random() < 0.3 else None
    return (well, Pipework(runs=[PipeRun(length_m=depth, bore_m=bore, minor_loss_k=3),
                                 PipeRun(length_m=float(u(10, 250)), bore_m=bore * 1.2, minor_loss_k=3,
                                         hazen_williams_c=hazen)], outlet_height_m=outlet), None)


def _drive(rng: np.random.Generator, kind: str, family: str, machine: Machine) -> Drive:
    if kind == "direct":
        return Drive(key="direct", kind="direct")
    rated = machine.motor_power_w
    plain = {"key": f"{kind}-proving", "rated_efficiency": round(float(rng.uniform(0.90, 0.97)), 3),
             "standby_power_w": round(float(rng.uniform(0.3, 2) + 0.002 * rated), 1)}
    if kind == "current_booster":
        return Drive.model_validate({**plain, "kind": kind, "held_voltage_v": 10.0,
                                     "max_output_power_w": round(1.25 * rated),
                                     "max_output_voltage_v": round(machine.motor_voltage_v * 1.25, 1)})
    if kind == "voltage_booster":
        return Drive.model_validate({**plain, "kind": kind, "max_output_power_w": round(1.15 * rated),
                                     "max_output_voltage_v": round(machine.motor_voltage_v * 1.05)})
    if kind == "battery_bus":
        return Drive.model_validate({**plain, "kind": kind})
    with_probe = family.endswith("submersible")
    start = float(rng.uniform(0.10, 0.22)) * rated
    base = {**plain, "max_output_power_w": round(rated * float(rng.uniform(1.0, 1.3))),
            "has_low_water_stop": with_probe, "start_power_w": round(start),
            "stop_power_w": round(start * float(rng.uniform(0.5, 0.85))),
            "restart_delay_s": float(rng.choice([0, 60, 120, 300, 600])),
            "low_water_restart_delay_s": float(rng.choice([600, 1200, 1800, 3600])),
            "derating_start_temperature_c": float(rng.choice([40, 45, 50])), "derating_per_k": 0.02}
    if kind == "frequency":
        return Drive.model_validate({**base, "kind": "frequency", "rated_frequency_hz": 50.0, "min_frequency_hz": 20.0,
                                     "max_frequency_hz": float(rng.choice([50, 55]))})
    return Drive.model_validate({**base, "kind": "tracking",
                                 "max_speed_rpm": round(machine.speed_rpm * float(rng.uniform(1.02, 1.15)))})


def _voltage_coefficient_per_k(cell_voltage_v: float) -> float:
    """Relative change of a cell's open-circuit voltage that its label prints: the one its own diode has. [1/K]"""
    ideality, gap_and_three_kt_v = 1.11, 1.12 + 3.0 * 0.0257
    return -(ideality * gap_and_three_kt_v - cell_voltage_v) / 298.15 / cell_voltage_v


def _source(rng: np.random.Generator, kind: str, machine: Machine, latitude: float,
            climate: Climate) -> tuple[Array | None, Battery | None, WindTurbine | None]:
    if kind == "wind":
        peak = machine.motor_power_w * float(rng.uniform(1.5, 2.5))
        curve = [(0.0, 0.0), (3.0, 0.0), *((float(v), round(peak * ((v - 2.8) / 8.2) ** 1.9)) for v in range(4, 12)),
                 (25.0, round(peak))]
        return None, None, WindTurbine(hub_height_m=12, anemometer_height_m=10, power_curve=curve)
    u, size = rng.uniform, machine.motor_power_w * float(rng.uniform(1.0, 1.7))
    volts = machine.motor_voltage_v * float(u(0.95, 1.2))
    if kind == "battery_bus":
        volts = machine.motor_voltage_v * 1.35
    elif kind == "frequency":
        volts = 310.0
    elif kind == "voltage_booster":
        volts = machine.motor_voltage_v * float(u(0.4, 0.7))
    unit = 17.6 if volts < 40 else 31.0
    series = max(1, round(volts / unit))
    strings = int(np.clip(round(size / (volts * float(u(5.0, 9.5)))), 1, 40))
    vmp = volts / series
    imp = size / volts / strings
    cells = int(np.clip(round(vmp / 0.517), 12, 150))
    technology = str(rng.choice(["mono", "poly"]))
    low = float(rng.choice([0.0, -3.0, -5.0]))
    open_v = float(u(1.19, 1.25)) * vmp
    module = Module.model_validate({
        "key": "proving", "technology": technology, "power_w": vmp * imp, "vmp_v": vmp, "imp_a": imp,
        "voc_v": open_v, "isc_a": float(u(1.05, 1.08)) * imp, "cells_in_series": cells,
        "temperature_coefficient_voc_per_k": _voltage_coefficient_per_k(open_v / cells) * float(u(0.97, 1.03)),
        "temperature_coefficient_isc_per_k": 0.0005,
        # Vmp loses as many volts a kelvin as Voc does, so relative to itself more.
        "temperature_coefficient_power_per_k": (_voltage_coefficient_per_k(open_v / cells) * open_v / vmp
                                                * float(u(0.97, 1.03))),
        "power_tolerance_low_pct": low, "power_tolerance_high_pct": max(3.0, -low),
        "bypass_diodes": 3 if cells > 40 else 2})
    mount = str(rng.choice(["fixed", "seasonal_tilt", "single_axis_tracker"], p=[0.88, 0.06, 0.06]))
    tilt = float(np.clip(abs(latitude) + u(-6, 8), 5, 50))
    length = float(u(5, 40))
    table = {"module": module, "modules_in_series": series, "strings_in_parallel": strings, "mount": mount,
             "tilt_deg": 0.0 if mount == "single_axis_tracker" else round(tilt),
             "azimuth_deg": (0.0 if mount == "single_axis_tracker" else
                             float(np.mod((180 if latitude > 0 else 0) + rng.integers(-30, 31), 360))),
             "cable_length_m": length, "cable_cross_section_mm2": float(np.clip(
                 2 * length * 0.0178 * imp * strings / (float(u(0.01, 0.03)) * volts), 2.5, 120))}
    if mount == "seasonal_tilt":
        table["seasonal_tilts_deg"] = {3: max(tilt - 15, 0), 9: min(tilt + 10, 60)}
    battery = None
    if kind == "battery_bus":
        bus = machine.motor_voltage_v
        lithium = bool(rng.random() < 0.4)
        battery = Battery.model_validate({
            "nominal_voltage_v": bus, "capacity_ah": float(round(machine.motor_power_w * float(u(3, 9)) / bus)),
            "chemistry": "lithium_iron_phosphate" if lithium else "lead_acid",
            "low_voltage_disconnect_v": bus * (0.98 if lithium else 0.955), "reconnect_voltage_v": bus * 1.03,
            "absorption_voltage_v": bus * (1.15 if lithium else 1.2), "charge_efficiency": 0.96 if lithium else 0.85})
    return Array.model_validate(table), battery, None


def _tank(rng: np.random.Generator, sensors: str, kind: str, delivery: float,
          drive: Drive) -> tuple[Tank | None, Drive]:
    if "tank" not in sensors and sensors != "rich" and rng.random() > 0.25:
        return None, drive
    height = float(rng.uniform(1.8, 3.0))
    volume = delivery * 6 * 3600 * float(rng.uniform(0.7, 3.0))
    full = round(height - 0.25, 2)
    tank = Tank(shape="vertical_cylinder", diameter_m=float(np.sqrt(4 * volume / np.pi / full)), height_m=height,
                full_level_m=full, float_reset_level_m=round(full - float(rng.uniform(0.2, 0.5)), 2),
                overflow_level_m=round(full + 0.12, 2))
    return tank, drive.replaced(has_float_input=kind != "direct")


def _channels(rng: np.random.Generator, sensors: str, site: Site) -> tuple[str, ...]:
    sun = "poa_irradiance_w_m2" if rng.random() < 0.75 else "global_horizontal_irradiance_w_m2"
    temperature = "module_temperature_c" if rng.random() < 0.6 else "air_temperature_c"
    names = [sun, temperature, *SENSORS[sensors]]
    if site.array is None:
        names = ["wind_speed_m_s", *(n for n in names[2:] if not n.startswith("array_")), "motor_voltage_v",
                 "motor_current_a"]
    if site.battery is not None:
        names += ["battery_voltage_v", "battery_current_a"]
    if site.well.kind == "open":
        names = [n for n in names if n != "water_level_m"]
    if not site.drive.has_low_water_stop:
        names = [n for n in names if n != "low_water_ratio"]
    if site.tank is None:
        names = [n for n in names if not n.startswith("tank_")]
    if sensors == "rich" and site.pump.family in SURFACE:
        names.append("suction_pressure_pa")
    return tuple(dict.fromkeys(names))
